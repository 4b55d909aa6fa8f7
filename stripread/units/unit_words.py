"""Units as people write them, in English and Spanish, put into the words of ``pint``.

A bare gallon, quart, pint, cup or fluid ounce is that of the United States or the imperial one, by what whoever types
it uses: their own choice, else the site's, else the United States'. Definitions: NIST Handbook 44, appendix C.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from stripread.errors import QuantityError
from stripread.i18n import Message, Shown, System

__all__ = ["Gallon", "UnitTyped", "read_unit"]

Gallon = Literal["us", "imperial"]

_OF_EITHER = {
    "gallon": "gallon gallons gal gals galón galon galones",
    "quart": "quart quarts qt qts cuarto cuartos",
    "pint": "pint pints pt pts pinta pintas",
    "cup": "cup cups taza tazas",
    "fluid_ounce": "fl oz|floz|fl. oz.|fl. oz|fluid ounce|fluid ounces|oz fl|onza líquida|onzas líquidas|onza liquida|"
    "onzas liquidas",
}
_PLAIN = {
    "liter": "l litre litres liter liters litro litros",
    "milliliter": "ml cc millilitre millilitres milliliter milliliters mililitro mililitros",
    "meter**3": "m3|m³|cubic metre|cubic metres|cubic meter|cubic meters|metro cúbico|metros cúbicos",
    "milligram": "mg milligram milligrams miligramo miligramos",
    "gram": "g gram grams gramo gramos",
    "kilogram": "kg kilogram kilograms kilo kilos kilogramo kilogramos",
    "pound": "lb lbs pound pounds libra libras",
    "ounce": "oz ounce ounces onza onzas",
    "second": "s sec secs second seconds segundo segundos",
    "minute": "min mins minute minutes minuto minutos",
    "hour": "h hr hrs hour hours hora horas",
    "day": "d day days día días dia dias",
    "week": "week weeks semana semanas",
    "meter": "metre metres meter meters metro metros",
    "foot": "ft foot feet pie pies",
    "inch": "in inch inches pulgada pulgadas",
    "ppm": "ppm|parts per million|partes por millón|partes por millon",
    "percent": "%|percent|per cent|por ciento",
    "degree_Celsius": "c|°c|deg c|º c|ºc|° c|celsius",
    "degree_Fahrenheit": "f|°f|deg f|º f|ºf|° f|fahrenheit",
}  # by blanks, or by | where there are blanks in the words
_WHOLE = {"gpm": "gal/min", "gph": "gal/h", "gpd": "gal/d", "lpm": "l/min", "lph": "l/h", "mgd": "megagal/d"}
_PREFIXES = {"us": "us", "u.s.": "us", "imperial": "imperial", "imp": "imperial", "imp.": "imperial", "uk": "imperial",
             "imperiales": "imperial"}  # fmt: skip
_US_ALONE = ("pound", "ounce", "degree_Fahrenheit")
_PER = re.compile(r"\s+(?:per|por)\s+", re.IGNORECASE)
_LONG = 4  # letters from which on a word means the same in capitals; mg and MG do not


def _turned(table: dict[str, str]) -> dict[str, str]:
    return {word: unit for unit, words in table.items() for word in words.split("|" if "|" in words else None)}


_EITHER, _KNOWN = _turned(_OF_EITHER), _turned(_PLAIN)


@dataclass(frozen=True, slots=True)
class UnitTyped:
    """A unit as typed and in pint's words, whose units they are, and what was assumed."""

    typed: str
    words: str
    system: System
    notes: tuple[Message, ...]


def read_unit(
    text: str, *, strength: bool, gallon: Gallon, wrong: Callable[[Shown, Shown], QuantityError]
) -> UnitTyped:
    """Put a unit into pint's words.

    Parameters
    ----------
    strength : bool
        Whether a strength is meant, in which ppm and % are taken at 1 kg/L.
    gallon : {"us", "imperial"}
        Whose gallon a bare one is.
    wrong : callable
        Makes the error of what was found and what to do.
    """
    system: System = "metric"
    notes: list[Message] = []
    words = []
    whole = _key(text)
    parts = [text] if whole in _KNOWN or whole in _EITHER else _PER.sub("/", _WHOLE.get(whole, text)).split("/")
    for part in parts:
        word, own = _one_unit(part.strip(), strength=strength, wrong=wrong)
        if own == "either":
            own, imperial = gallon, gallon == "imperial"
            word = _imperial(word) if imperial else word
            notes.append(
                Message("%(typed)s taken as imperial (1 gal = 4.546 L)", typed=repr(text))
                if imperial
                else Message("%(typed)s taken as of the United States (1 gal = 3.785 L)", typed=repr(text))
            )
        words.append(word)
        if own != "metric":
            system = "imperial" if own == "imperial" else "us"
    if strength and words in (["ppm"], ["percent"]):
        notes.append(Message("%(typed)s taken at 1 kg/L (1 ppm = 1 mg/L, 1 %% = 10 000 mg/L)", typed=repr(text)))
    return UnitTyped(text, " / ".join(words), system, tuple(notes))


def _imperial(word: str) -> str:
    return f"megaimperial_{word.removeprefix('mega')}" if word.startswith("mega") else f"imperial_{word}"


def _key(text: str) -> str:
    return " ".join(text.casefold().split())


def _one_unit(text: str, *, strength: bool, wrong: Callable[[Shown, Shown], QuantityError]) -> tuple[str, str]:
    """Return one unit in pint's words, and ``metric``, ``us``, ``imperial`` or ``either``."""
    if text == "ML":
        raise wrong(Message("ML, which is a million litres"), Message("Write mL for millilitres, or m3."))
    if text == "MG" and not strength:  # of a litre it can be milligrams alone
        raise wrong(Message("MG, which is a million grams"), Message("Write mg for milligrams."))
    key = _key(text)
    for own_words, unit_words in (key.partition(" ")[::2], key.rpartition(" ")[::-2]):  # imp gal, galones imperiales
        own, word = _PREFIXES.get(own_words), _EITHER.get(unit_words)
        if own is not None and word is not None:
            return (_imperial(word) if own == "imperial" else word), own
    mega = key.removeprefix("mega")
    if (word := _EITHER.get(mega)) is not None:
        return (word, "either") if mega == key else (f"mega{word}", "either")
    if key in _KNOWN:
        return _KNOWN[key], "us" if _KNOWN[key] in _US_ALONE else "metric"
    return (key if len(key) >= _LONG and key.isalpha() else text), "metric"
