"""Units at the edges: what people type, with its uncertainty, into the units used inside; and back.

Inside: mg/L, litres, litres per hour, milligrams, hours, metres, degrees Celsius. ``pint`` knows the units; it is
imported where a text is read. Definitions: NIST SP 811, appendix B.8; NIST Handbook 44, appendix C.

Two conventions, told wherever they are used:

- A bare gallon, quart, pint or fluid ounce is that of the United States.
- ppm and % of a solution are taken at 1 kg/L: 1 ppm = 1 mg/L, 1 % = 10 000 mg/L (weight by volume). At 20 C a litre of
  water weighs 0.9982 kg (IAPWS-95), which makes 1 ppm by weight 0.18 % less than 1 mg/L.
"""

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal, get_args

from stripread.errors import QuantityError
from stripread.i18n import Message, Shown, System, Verbatim
from stripread.units.uncertain import K95, Measured

if TYPE_CHECKING:
    import pint

__all__ = ["ASSUMED_U", "UNITS", "Dimension", "Quantity", "System", "Units", "assumed_u", "parse_quantity"]

Dimension = Literal["strength", "volume", "flow", "mass", "time", "length", "temperature"]
Units = Literal["metric", "us"]  # that people and sites choose to be told amounts in; imperial ones can be typed
UNITS: tuple[Units, ...] = get_args(Units)

# name -> (unit inside, what to write)
_DIMENSIONS: dict[Dimension, tuple[str, str]] = {
    "strength": ("milligram / liter", "0.35 mg/L, 420 ppm or 5.25 %"),
    "volume": ("liter", "20 L, 6 gal, 6 imp gal or 12 fl oz"),
    "flow": ("liter / hour", "90 L/min, 20 gpm or 1.5 MGD"),
    "mass": ("milligram", "10 g, 2 lb or 4 oz"),
    "time": ("hour", "12 h, 45 min or 3 days"),
    "length": ("meter", "30 m or 100 ft"),
    "temperature": ("degree_Celsius", "20 C or 68 F"),
}

ASSUMED_U = {"volume": 0.02, "flow": 0.02, "mass": 0.02}
"""Relative standard uncertainty where none is given. Ours: a pail's mark or a dial read by eye, not judged on data."""

_US_UNLESS_TOLD = {
    "galón": "gallon", "galon": "gallon", "galones": "gallon",  # as in Spanish
    "gallon": "gallon", "gallons": "gallon", "gal": "gallon", "gals": "gallon",
    "quart": "quart", "quarts": "quart", "qt": "quart", "pint": "pint", "pints": "pint", "pt": "pint",
    "cup": "cup", "cups": "cup",
    "fl oz": "fluid_ounce", "floz": "fluid_ounce", "fluid ounce": "fluid_ounce", "fluid ounces": "fluid_ounce",
}  # fmt: skip
_PLAIN = {
    "litro": "liter", "litros": "liter",
    "l": "liter", "litre": "liter", "litres": "liter", "liters": "liter", "ml": "milliliter", "cc": "milliliter",
    "m3": "meter**3", "m³": "meter**3", "lb": "pound", "lbs": "pound", "percent": "percent", "%": "percent",
    "ppm": "ppm", "mg": "milligram", "g": "gram", "kg": "kilogram", "oz": "ounce", "min": "minute", "mins": "minute",
    "h": "hour", "hr": "hour", "hrs": "hour", "d": "day", "s": "second", "sec": "second",
    "c": "degree_Celsius", "°c": "degree_Celsius", "deg c": "degree_Celsius",
    "f": "degree_Fahrenheit", "°f": "degree_Fahrenheit", "deg f": "degree_Fahrenheit",
}  # fmt: skip
_WHOLE = {"gpm": "gal/min", "gph": "gal/h", "gpd": "gal/d", "lpm": "l/min", "lph": "l/h", "mgd": "megagal/d"}

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
# A comma of decimals, as in 20,5 L. Three digits behind it may be thousands: that is refused.
_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}(?![\d.]))|(?<=\b0),(?=\d)")
_VALUE = re.compile(rf"\s*({_NUMBER})\s*([A-Za-zµ°%³/ ^0-9.]*?)\s*")
_U = re.compile(
    rf"(.*?)(?:\s+u\s*=?\s*|\s*(?:±|\+/-)\s*)({_NUMBER})\s*([^()\d]*?)\s*(?:\(?\s*k\s*=\s*([12])\s*\)?)?\s*"
)
_ENDS = re.compile(
    rf"(.*?)[\s,(:]+(?:95\s*%\s*(?:interval)?\s*:?\s*)?({_NUMBER})\s*(?:to|\.\.)\s*({_NUMBER})\s*([^()\d]*?)\s*\)?\s*"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What was typed, in the unit used inside.

    Attributes
    ----------
    measured : Measured
        In mg/L, L, L/h, mg, h, m or degrees Celsius.
    system : {"metric", "us", "imperial"}
        Whose units it was typed in; answers are given in the same.
    notes : tuple of Message
        Conventions and assumptions that were used, to be told to whoever typed it beside the quantity's name.
    """

    measured: Measured
    system: System
    notes: tuple[Message, ...] = ()


def parse_quantity(
    text: str, dimension: Dimension, *, name: Shown, positive: bool = True, exact: bool = False
) -> Quantity:
    """Read a number with its unit and, if it is there, its uncertainty.

    Parameters
    ----------
    text : str
        ``220 mg/L``, with a standard uncertainty ``220 mg/L u 11`` or ``220 mg/L u 5 %``, or with a 95 % interval as a
        reading states it, ``220 mg/L, 95 % interval 198 to 242``. A ± needs its k: ``220 mg/L ± 22 (k = 2)``. A reading
        that is but a bound, ``under 0.08 mg/L``, is taken as evenly likely from 0 up to it (JCGM 100:2008, 4.3.7).
    name : str
        What it is, for errors and notes.
    positive : bool
        Refuse 0.
    exact : bool
        It is wished for, not measured: without an uncertainty of its own it has none, and may be given none.

    Raises
    ------
    QuantityError
        If it is no number, is negative, lacks its unit or has one of another dimension, or its uncertainty is nonsense.
    """
    text = _COMMA.sub(".", text)
    asked = _Asked(text, dimension, name)
    if dimension == "strength" and (bound := re.fullmatch(r"\s*(<|under\b|>|over\b)(.*)", text)) is not None:
        if exact or bound[1] in (">", "over"):
            raise asked.wrong(
                Message("%(text)s, only a bound", text=repr(text)),
                Message("Dilute it by a known factor, and read it again."),
            )
        return _under(parse_quantity(bound[2], dimension, name=name, exact=True))
    body, spread = _split(asked)
    found = _VALUE.fullmatch(body)
    if found is None:
        raise asked.wrong(Verbatim(repr(text)), Message("Write a number and then its unit; no sign between thousands."))
    if not found[2].strip():
        raise asked.wrong(Message("%(text)s, without a unit", text=repr(text)), Message("Add the unit."))
    unit = _unit(found[2].strip(), asked)
    scale = _scale(unit, asked)
    value = scale.zero + float(found[1]) * scale.step
    _check_value(value, asked, positive=positive)
    if exact and spread is not None:
        raise asked.wrong(
            Message("%(text)s: it is wished for, not measured", text=repr(text)), Message("Leave the uncertainty out.")
        )
    floor = -math.inf if dimension == "temperature" else 0.0
    if exact:
        return Quantity(measured=Measured(value, 0.0, None, floor), system=unit.system, notes=unit.notes)
    if spread is not None:
        measured = _with_spread(value, float(found[1]), spread, scale, unit, asked, floor)
        return Quantity(measured=measured, system=unit.system, notes=unit.notes)
    u, words = _taken(value, dimension)
    notes = (
        (*unit.notes, Message("taken as good to %(u)s (standard uncertainty), as none was given", u=words))
        if u
        else unit.notes
    )
    return Quantity(measured=Measured(value, u, None, floor), system=unit.system, notes=notes)


def assumed_u(value: float, dimension: Dimension) -> float:
    """Return the relative standard uncertainty that is taken where none is given; 0 for times and lengths.

    A strength is taken for a strip read from a photo: 6 % from 10 mg/L upwards, 10 % below. Ours, after the demo lots'
    sample photos, whose good ones state 5 to 6 % at 210 to 230 mg/L and 8 to 9 % at 0.37 to 0.42 mg/L.
    """
    if dimension == "strength":
        return 0.06 if value >= 10 else 0.10
    return ASSUMED_U.get(dimension, 0.0)


def _taken(value: float, dimension: Dimension) -> tuple[float, str]:
    """Return the uncertainty that is taken where none is given, and how it is told."""
    if dimension == "temperature":
        return 1.0, "1 C"
    relative = assumed_u(value, dimension)
    return relative * value, f"{100 * relative:g} %"


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was typed, and what it should be: for errors."""

    text: str
    dimension: Dimension
    name: Shown

    def wrong(self, found: Shown, remedy: Shown) -> QuantityError:
        example = _DIMENSIONS[self.dimension][1]
        return QuantityError(
            expected=Message("%(name)s as %(example)s", name=self.name, example=example), found=found, remedy=remedy
        )


@dataclass(frozen=True, slots=True)
class _Spread:
    """An uncertainty as typed: one number is a standard uncertainty, two are a 95 % interval."""

    numbers: tuple[float, ...]
    unit: str


@dataclass(frozen=True, slots=True)
class _UnitTyped:
    """A unit as typed and in pint's words, whose units they are, and what was assumed."""

    typed: str
    words: str
    system: System
    notes: tuple[Message, ...]


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where 0 of a unit lies in the unit inside, and what one step is there."""

    zero: float
    step: float


def _under(limit: Quantity) -> Quantity:
    top = limit.measured.value
    notes = (*limit.notes, Message("only a bound is known: taken as evenly likely from 0 to it"))
    return Quantity(measured=Measured(top / 2, top / math.sqrt(12), (0.0, top)), system=limit.system, notes=notes)


def _split(asked: _Asked) -> tuple[str, _Spread | None]:
    """Cut a text into the value with its unit, and its uncertainty."""
    if (ends := _ENDS.fullmatch(asked.text)) is not None:
        return ends[1], _Spread((float(ends[2]), float(ends[3])), ends[4].strip())
    if (spread := _U.fullmatch(asked.text)) is not None:
        if ("±" in asked.text or "+/-" in asked.text) and spread[4] is None:
            raise asked.wrong(
                Message("%(text)s, without what the ± means", text=repr(asked.text)),
                Message("Write (k = 1) or (k = 2) behind it, or give the 95 % interval as 270 to 330."),
            )
        return spread[1], _Spread((float(spread[2]) / int(spread[4] or 1),), spread[3].strip())
    return asked.text, None


def _check_value(value: float, asked: _Asked, *, positive: bool) -> None:
    if asked.dimension == "strength" and value > 1e6:
        raise asked.wrong(
            Message("%(text)s, over 100 %% (1 kg/L)", text=repr(asked.text)), Message("Correct number or unit.")
        )
    if abs(value) > 1e12:
        raise asked.wrong(
            Message("%(text)s, beyond all measure", text=repr(asked.text)), Message("Correct the number.")
        )
    if asked.dimension != "temperature" and 0 < value < 1e-12:
        raise asked.wrong(
            Message("%(text)s, too little to be measured", text=repr(asked.text)), Message("Correct the number.")
        )
    if asked.dimension != "temperature" and (value < 0 or (positive and value == 0)):
        raise asked.wrong(
            Verbatim(repr(asked.text)),
            (
                Message("It must be over 0: correct the number.")
                if positive
                else Message("It must be 0 or more: correct the number.")
            ),
        )


def _with_spread(
    value: float, number: float, spread: _Spread, scale: _Scale, unit: _UnitTyped, asked: _Asked, floor: float
) -> Measured:
    """Return the value with the uncertainty that was typed, in the unit inside."""
    relative = spread.unit == "%" and len(spread.numbers) == 1
    if relative and (unit.typed == "%" or asked.dimension == "temperature"):
        raise asked.wrong(
            Message("%(text)s, percent of what?", text=repr(asked.text)),
            Message("Give the uncertainty in the quantity's own unit."),
        )
    if spread.unit not in ("", "%") and spread.unit.casefold() != unit.typed.casefold():
        raise asked.wrong(
            Message("%(text)s, with two units", text=repr(asked.text)), Message("Leave the second unit out.")
        )
    if len(spread.numbers) == 1:
        u = spread.numbers[0] / 100 * value if relative else spread.numbers[0] * scale.step
        ends = None
    else:
        low, high = spread.numbers
        if not low <= number <= high:
            raise asked.wrong(
                Message("%(text)s, outside its own interval", text=repr(asked.text)),
                Message("Copy both from the same reading."),
            )
        u = (high - low) * scale.step / (2 * K95)
        ends = (max(scale.zero + low * scale.step, floor), scale.zero + high * scale.step)
    if not 0 <= u <= 1e12:
        raise asked.wrong(
            Message("%(text)s, with an uncertainty that is none", text=repr(asked.text)), Message("Correct it.")
        )
    return Measured(value, u, ends, floor)


def _unit(text: str, asked: _Asked) -> _UnitTyped:
    """Put a unit into pint's words."""
    system: System = "metric"
    notes: list[Message] = []
    words = []
    for part in _WHOLE.get(text.casefold(), text).split("/"):
        word, own = _one_unit(part.strip(), asked)
        words.append(word)
        if own == "us unless told":
            notes.append(Message("%(typed)s taken as of the United States (1 gal = 3.785 L)", typed=repr(text)))
        if own != "metric":
            system = "imperial" if own == "imperial" else "us"
    if asked.dimension == "strength" and words in (["ppm"], ["percent"]):
        notes.append(Message("%(typed)s taken at 1 kg/L (1 ppm = 1 mg/L, 1 %% = 10 000 mg/L)", typed=repr(text)))
    return _UnitTyped(text, " / ".join(words), system, tuple(notes))


def _one_unit(text: str, asked: _Asked) -> tuple[str, str]:
    """Return one unit in pint's words, and ``metric``, ``us``, ``imperial`` or ``us unless told``."""
    if text == "ML":
        raise asked.wrong(Message("ML, which is a million litres"), Message("Write mL for millilitres, or m3."))
    key = " ".join(text.casefold().split())
    for prefix, own in (("us ", "us"), ("imperial ", "imperial"), ("imp ", "imperial"), ("uk ", "imperial")):
        if (word := _US_UNLESS_TOLD.get(key.removeprefix(prefix))) is not None and key.startswith(prefix):
            return ("imperial_" if own == "imperial" else "") + word, own
    mega = "mega" if key.startswith("mega") else ""
    if (word := _US_UNLESS_TOLD.get(key.removeprefix(mega))) is not None:
        return mega + word, "us unless told"
    if key in _PLAIN:
        us = _PLAIN[key] in ("pound", "ounce", "degree_Fahrenheit")
        return _PLAIN[key], "us" if us else "metric"
    return text, "metric"


@cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint

    return pint.UnitRegistry()


def _scale(unit: _UnitTyped, asked: _Asked) -> _Scale:
    """Return how a unit lies to the one used inside, by pint; what has no unit, as ppm, is a strength at 1 kg/L."""
    import pint

    registry = _registry()
    try:
        parsed = registry.parse_units(unit.words)
        if asked.dimension == "strength" and parsed.dimensionless:
            return _Scale(0.0, float(registry.Quantity(1.0, parsed).to("dimensionless").magnitude) * 1e6)
        inside = _DIMENSIONS[asked.dimension][0]
        zero, one = (float(registry.Quantity(x, parsed).to(inside).magnitude) for x in (0.0, 1.0))
    except pint.DimensionalityError:
        remedy = (
            Message("An oz is a weight: write fl oz for a volume.")
            if "ounce" in unit.words
            else Message("Correct the unit.")
        )
        raise asked.wrong(Message("%(typed)s, which measures something else", typed=repr(unit.typed)), remedy) from None
    except Exception:  # pint's parser raises errors of many kinds for what is no unit
        raise asked.wrong(
            Message("the unknown unit %(typed)s", typed=repr(unit.typed)), Message("Correct the unit.")
        ) from None
    return _Scale(zero, one - zero)
