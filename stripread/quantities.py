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
from typing import TYPE_CHECKING, Literal

from stripread.errors import QuantityError
from stripread.measured import K95, Measured

if TYPE_CHECKING:
    import pint

__all__ = ["ASSUMED_U", "Dimension", "Quantity", "System", "assumed_u", "parse_quantity"]

Dimension = Literal["strength", "volume", "flow", "mass", "time", "length", "temperature"]
System = Literal["metric", "us", "imperial"]

# name -> (unit inside, what to write)
_DIMENSIONS: dict[Dimension, tuple[str, str]] = {
    "strength": ("milligram / liter", "0.25 mg/L, 500 ppm or 5.25 %"),
    "volume": ("liter", "20 L, 5 gal, 5 imp gal or 12 fl oz"),
    "flow": ("liter / hour", "90 L/min, 20 gpm or 1.5 MGD"),
    "mass": ("milligram", "10 g, 2 lb or 4 oz"),
    "time": ("hour", "12 h, 45 min or 3 days"),
    "length": ("meter", "30 m or 100 ft"),
    "temperature": ("degree_Celsius", "20 C or 68 F"),
}

ASSUMED_U = {"volume": 0.02, "flow": 0.02, "mass": 0.02}
"""Relative standard uncertainty where none is given. Ours: a pail's mark or a dial read by eye, not judged on data."""

_US_UNLESS_TOLD = {
    "gallon": "gallon", "gallons": "gallon", "gal": "gallon", "gals": "gallon",
    "quart": "quart", "quarts": "quart", "qt": "quart", "pint": "pint", "pints": "pint", "pt": "pint",
    "fl oz": "fluid_ounce", "floz": "fluid_ounce", "fluid ounce": "fluid_ounce", "fluid ounces": "fluid_ounce",
}  # fmt: skip
_PLAIN = {
    "l": "liter", "litre": "liter", "litres": "liter", "liters": "liter", "ml": "milliliter", "cc": "milliliter",
    "m3": "meter**3", "m³": "meter**3", "lb": "pound", "lbs": "pound", "percent": "percent", "%": "percent",
    "ppm": "ppm", "mg": "milligram", "g": "gram", "kg": "kilogram", "oz": "ounce", "min": "minute", "mins": "minute",
    "h": "hour", "hr": "hour", "hrs": "hour", "d": "day", "s": "second", "sec": "second",
    "c": "degree_Celsius", "°c": "degree_Celsius", "deg c": "degree_Celsius",
    "f": "degree_Fahrenheit", "°f": "degree_Fahrenheit", "deg f": "degree_Fahrenheit",
}  # fmt: skip
_WHOLE = {"gpm": "gal/min", "gph": "gal/h", "gpd": "gal/d", "lpm": "l/min", "lph": "l/h", "mgd": "megagal/d"}

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
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
    notes : tuple of str
        Conventions and assumptions that were used, to be told to whoever typed it beside the quantity's name.
    """

    measured: Measured
    system: System
    notes: tuple[str, ...] = ()


def parse_quantity(
    text: str, dimension: Dimension, *, name: str, positive: bool = True, exact: bool = False
) -> Quantity:
    """Read a number with its unit and, if it is there, its uncertainty.

    Parameters
    ----------
    text : str
        ``300 mg/L``, with a standard uncertainty ``300 mg/L u 15`` or ``300 mg/L u 5 %``, or with a 95 % interval as a
        reading states it, ``300 mg/L, 95 % interval 270 to 330``. A ± needs its k: ``300 mg/L ± 30 (k = 2)``. A reading
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
    _, example = _DIMENSIONS[dimension]
    wrong = f"{name} as {example}"
    if dimension == "strength" and not exact and (bound := re.fullmatch(r"\s*(?:<|under\b)(.*)", text)) is not None:
        limit = parse_quantity(bound[1], dimension, name=name, exact=True)
        top = limit.measured.value
        note = "only a bound is known: taken as evenly likely from 0 to it"
        return Quantity(
            measured=Measured(top / 2, top / math.sqrt(12), (0.0, top)),
            system=limit.system,
            notes=(*limit.notes, note),
        )
    if re.match(r"\s*(?:>|over\b)", text):
        raise QuantityError(
            expected=wrong, found=f"{text!r}, only a bound", remedy="Dilute it by a known factor, and read it again."
        )
    body, spread, spread_unit, spread_kind = _split(text, wrong)
    found = _VALUE.fullmatch(body)
    if found is None:
        raise QuantityError(
            expected=wrong, found=repr(text), remedy="Write a number, with a point and no comma, and then its unit."
        )
    number, unit_text = float(found[1]), found[2].strip()
    if not unit_text:
        raise QuantityError(expected=wrong, found=f"{text!r}, without a unit", remedy="Add the unit.")
    unit, system, notes = _unit(unit_text, wrong)
    value, factor = _convert(number, unit, dimension, unit_text=unit_text, wrong=wrong)
    floor = -math.inf if dimension == "temperature" else 0.0
    if value < floor or (positive and value == 0 and dimension != "temperature") or abs(value) > 1e12:
        raise QuantityError(
            expected=f"{wrong}, {'over' if positive else 'not under'} 0", found=repr(text), remedy="Correct the number."
        )
    if dimension == "strength" and value > 1e6:
        raise QuantityError(
            expected=f"{name} of at most 100 % (1 kg/L)", found=repr(text), remedy="Correct number or unit."
        )
    if dimension == "strength" and "milligram" not in unit and re.search("ppm|percent", unit):
        notes = (*notes, f"'{unit_text}' taken at 1 kg/L (1 ppm = 1 mg/L, 1 % = 10 000 mg/L)")
    if spread and exact:
        raise QuantityError(
            expected=f"{wrong}: it is wished for, not measured", found=repr(text), remedy="Leave the uncertainty out."
        )
    if spread:
        _check_same_unit(spread_unit, unit_text, wrong, text)
        ends, u = _spread(number, spread, spread_unit, spread_kind, factor, value, wrong, text)
        return Quantity(measured=Measured(value, u, ends, floor), system=system, notes=notes)
    relative = 0.0 if exact else assumed_u(value, dimension)
    if relative:
        notes = (*notes, f"taken as good to {100 * relative:g} % (standard uncertainty), as none was given")
    u = (1.0 if not exact else 0.0) if dimension == "temperature" else relative * value
    if dimension == "temperature" and not exact:
        notes = (*notes, "taken as good to 1 C (standard uncertainty), as none was given")
    return Quantity(measured=Measured(value, u, None, floor), system=system, notes=notes)


def assumed_u(value: float, dimension: Dimension) -> float:
    """Return the relative standard uncertainty that is taken where none is given; 0 for times and lengths.

    A strength is taken for a strip read from a photo: 6 % from 10 mg/L upwards, 10 % below. Ours, after the demo lots'
    sample photos, whose good ones state 5 to 6 % at 180 to 310 mg/L and 9 to 10 % at 0.25 to 0.32 mg/L.
    """
    if dimension == "strength":
        return 0.06 if value >= 10 else 0.10
    return ASSUMED_U.get(dimension, 0.0)


def _split(text: str, wrong: str) -> tuple[str, tuple[float, ...], str, str]:
    """Cut a text into the value with its unit, and the numbers, unit and kind of its uncertainty."""
    if (ends := _ENDS.fullmatch(text)) is not None:
        return ends[1], (float(ends[2]), float(ends[3])), ends[4].strip(), "ends"
    if (spread := _U.fullmatch(text)) is not None:
        if ("±" in text or "+/-" in text) and spread[4] is None:
            raise QuantityError(
                expected=f"{wrong}, with k beside a ±: (k = 1) or (k = 2)",
                found=repr(text),
                remedy="Write what the ± means, or give the 95 % interval as 270 to 330.",
            )
        return spread[1], (float(spread[2]) / int(spread[4] or 1),), spread[3].strip(), "u"
    return text, (), "", ""


def _check_same_unit(spread_unit: str, unit_text: str, wrong: str, text: str) -> None:
    if spread_unit not in ("", "%") and spread_unit.casefold() != unit_text.casefold():
        raise QuantityError(
            expected=f"{wrong}, its uncertainty in the same unit", found=repr(text), remedy="Leave the second unit out."
        )


def _spread(
    number: float, spread: tuple[float, ...], unit: str, kind: str, factor: float, value: float, wrong: str, text: str
) -> tuple[tuple[float, float] | None, float]:
    """Return the 95 % interval, where one was given, and the standard uncertainty, both in the unit inside."""
    if kind == "u":
        u = spread[0] / 100 * value if unit == "%" and text.count("%") == 1 else spread[0] * factor
        if u < 0:
            raise QuantityError(
                expected=f"{wrong} with an uncertainty of 0 or more", found=repr(text), remedy="Correct it."
            )
        return None, u
    low, high = spread
    if not low <= number <= high:
        raise QuantityError(
            expected=f"{wrong} with an interval from low to high that holds the value",
            found=repr(text),
            remedy="Copy value and interval from the same reading.",
        )
    shift = value - number * factor  # of a scale whose zero is elsewhere, as Fahrenheit's
    return (low * factor + shift, high * factor + shift), (high - low) * factor / (2 * K95)


def _unit(text: str, wrong: str) -> tuple[str, System, tuple[str, ...]]:
    """Return what was typed in pint's words, whose units they are, and what was taken for granted."""
    system: System = "metric"
    notes: list[str] = []
    parts = []
    for part in _WHOLE.get(text.casefold(), text).split("/"):
        word, own = _one_unit(part.strip(), wrong)
        parts.append(word)
        if own == "us unless told":
            notes.append(f"'{text}' taken as of the United States (1 gal = 3.785 L)")
        if own != "metric":
            system = "imperial" if own == "imperial" else "us"
    return " / ".join(parts), system, tuple(notes)


def _one_unit(text: str, wrong: str) -> tuple[str, str]:
    """Return one unit in pint's words, and ``metric``, ``us``, ``imperial`` or ``us unless told``."""
    key = " ".join(text.casefold().split())
    if text == "ML":
        raise QuantityError(
            expected=wrong, found="ML, which is a million litres", remedy="Write mL for millilitres, or m3."
        )
    for prefix, own in (("us ", "us"), ("imperial ", "imperial"), ("imp ", "imperial"), ("uk ", "imperial")):
        if key.startswith(prefix):
            word = _US_UNLESS_TOLD.get(key.removeprefix(prefix))
            if word is not None:
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


def _convert(
    number: float, unit_text_inside: str, dimension: Dimension, *, unit_text: str, wrong: str
) -> tuple[float, float]:
    """Return a number in the unit inside, and what one step of its own unit is there."""
    import pint

    registry = _registry()
    inside = _DIMENSIONS[dimension][0]
    try:
        unit = registry.parse_units(unit_text_inside)
        if dimension == "strength" and unit.dimensionless:
            factor = float(registry.Quantity(1.0, unit).to("dimensionless").magnitude) * 1e6  # at 1 kg/L
            return number * factor, factor
        zero, one = (float(registry.Quantity(x, unit).to(inside).magnitude) for x in (0.0, 1.0))
    except pint.DimensionalityError:
        weight = " An oz is a weight: write fl oz for a volume." if "ounce" in unit_text_inside else ""
        raise QuantityError(
            expected=wrong,
            found=f"{unit_text!r}, which measures something else",
            remedy=f"Correct the unit.{weight}",
        ) from None
    except Exception:  # pint's parser raises errors of many kinds for what is no unit
        raise QuantityError(
            expected=wrong, found=f"the unknown unit {unit_text!r}", remedy="Correct the unit."
        ) from None
    return zero + number * (one - zero), one - zero
