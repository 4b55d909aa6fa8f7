"""Units at the edges: what people type, with its uncertainty, into the units used inside; and back.

Inside: mg/L, litres, litres per hour, milligrams, hours, metres, degrees Celsius. ``pint`` knows the units; it is
imported where a text is read. Definitions: NIST SP 811, appendix B.8; NIST Handbook 44, appendix C.

Two conventions, told wherever they are used:

- A bare gallon, quart, pint or fluid ounce is that of the United States, or the imperial one where a person or a site
  has chosen imperial units (`unit_words`).
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
from stripread.units.durations import in_parts
from stripread.units.numbers import NO_THOUSANDS, NUMBER, with_points
from stripread.units.uncertain import K95, Measured
from stripread.units.unit_words import Gallon, UnitTyped, read_unit

if TYPE_CHECKING:
    import pint

__all__ = [
    "ASSUMED_U",
    "UNITS",
    "Dimension",
    "Quantity",
    "System",
    "Units",
    "assumed_u",
    "behind_under",
    "parse_quantity",
]

Dimension = Literal["strength", "volume", "flow", "mass", "time", "length", "temperature"]
Units = System  # that people and sites choose to be told amounts in
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

_LETTERS = "A-Za-zÀ-ÖØ-öø-ÿµμº°%³"
_VALUE = re.compile(rf"\s*({NUMBER})\s*((?:[{_LETTERS}/][{_LETTERS}/ ^0-9.]*?)?)\s*")
_U = re.compile(rf"(.*?)(?:\s+u\s*=?\s*|\s*(?:±|\+/-)\s*)({NUMBER})\s*([^()\d]*?)\s*(?:\(?\s*k\s*=\s*([12])\s*\)?)?\s*")
_FROM, _TO = r"(?:(?:from|between|de|entre)\s+)?", r"\s*(?:\bto\b|\band\b|\ba\b|\by\b|\.\.|[-–—])\s*"
_ENDS = re.compile(
    rf"(.*?\S)[\s,(:]+(?:(?:intervalo\s+del\s+)?95\s*%\s*(?:interval)?\s*:?\s*)?"
    rf"{_FROM}({NUMBER}){_TO}({NUMBER})\s*([^()\d]*?)\s*\)?\s*",
    re.IGNORECASE,
)
_UNSIGNED = NUMBER.removeprefix("[+-]?")
_UNIT = rf"[{_LETTERS}/][{_LETTERS}/ ^]*?(?:³|\^?3)?(?:\s*/\s*[{_LETTERS}]+)?"
_SPAN = re.compile(rf"{_FROM}({_UNSIGNED})(?!e[+-]?\d)\s*({_UNIT})?{_TO}({_UNSIGNED})\s*({_UNIT})", re.IGNORECASE)
_BOUND = re.compile(
    r"\s*(?:(?P<under><|(?:under|below|less than|menos de|menor que|por debajo de|bajo)\b)"
    r"|(?P<over>>|(?:over|above|more than|más de|mas de|mayor que|por encima de)\b))(?P<rest>.*)",
    re.IGNORECASE | re.DOTALL,
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
    text: str,
    dimension: Dimension,
    *,
    name: Shown,
    positive: bool = True,
    exact: bool = False,
    gallon: Gallon = "us",
) -> Quantity:
    """Read a number with its unit and, if it is there, its uncertainty.

    Parameters
    ----------
    text : str
        ``220 mg/L``, with a standard uncertainty ``220 mg/L u 11`` or ``220 mg/L u 5 %``, or with a 95 % interval as a
        reading states it, ``220 mg/L, 95 % interval 198 to 242``. A ± needs its k: ``220 mg/L ± 22 (k = 2)``. A reading
        that is but a bound, ``under 0.08 mg/L``, is taken as evenly likely from 0 up to it (JCGM 100:2008, 4.3.7); a
        bare span of a strength, ``480-560 mg/L``, as a 95 % interval with its middle. Numbers as in `with_points`.
    name : str
        What it is, for errors and notes.
    positive : bool
        Refuse 0.
    exact : bool
        It is wished for, not measured: without an uncertainty of its own it has none, and may be given none.
    gallon : {"us", "imperial"}
        Whose gallon, quart, pint, cup or fluid ounce a bare one is.

    Raises
    ------
    QuantityError
        If it is no number, is negative, lacks its unit or has one of another dimension, or its uncertainty is nonsense.
    """
    asked = _Asked(text, with_points(text).strip(), dimension, name, gallon)
    if dimension == "strength" and (bound := _BOUND.fullmatch(asked.plain)) is not None:
        if exact or bound["over"]:
            raise asked.wrong(
                Message("%(text)s, only a bound", text=repr(text)),
                Message("Dilute it by a known factor, and read it again."),
            )
        return _under(parse_quantity(bound["rest"], dimension, name=name, exact=True, gallon=gallon))
    of_parts = dimension == "time" and in_parts(asked.plain) is not None  # 1 hora y 30 minutos is no span
    if not of_parts and (span := _SPAN.fullmatch(asked.plain)) is not None:
        return _of_span(span, asked, exact=exact)
    body, spread = _split(asked)
    number, unit, scale = _number_with_unit(body, asked)
    value = scale.zero + number * scale.step
    _check_value(value, asked, positive=positive)
    if exact and spread is not None:
        raise asked.wrong(
            Message("%(text)s: it is wished for, not measured", text=repr(text)), Message("Leave the uncertainty out.")
        )
    floor = -math.inf if dimension == "temperature" else 0.0
    if exact:
        return Quantity(measured=Measured(value, 0.0, None, floor), system=unit.system, notes=unit.notes)
    if spread is not None:
        measured = _with_spread(value, number, spread, scale, unit, asked, floor)
        return Quantity(measured=measured, system=unit.system, notes=unit.notes)
    u, words = _taken(value, dimension)
    notes = (
        (*unit.notes, Message("taken as good to %(u)s (standard uncertainty), as none was given", u=words))
        if u
        else unit.notes
    )
    return Quantity(measured=Measured(value, u, None, floor), system=unit.system, notes=notes)


def behind_under(text: str) -> str | None:
    """Return the limit of a strength typed as a bound from above, ``under 0.08 mg/L`` or ``menos de``; else None."""
    bound = _BOUND.fullmatch(text)
    return None if bound is None or bound["under"] is None else bound["rest"].strip()


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
    """What was typed, the same with points in its numbers, and what it should be."""

    text: str
    plain: str
    dimension: Dimension
    name: Shown
    gallon: Gallon

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
class _Scale:
    """Where 0 of a unit lies in the unit inside, and what one step is there."""

    zero: float
    step: float


def _under(limit: Quantity) -> Quantity:
    top = limit.measured.value
    notes = (*limit.notes, Message("only a bound is known: taken as evenly likely from 0 to it"))
    return Quantity(measured=Measured(top / 2, top / math.sqrt(12), (0.0, top)), system=limit.system, notes=notes)


def _of_span(span: "re.Match[str]", asked: _Asked, *, exact: bool) -> Quantity:
    """Return a strength of which a span alone was typed."""
    text, low, high = repr(asked.text), float(span[1]), float(span[3])
    if span[2] is not None and span[2].strip().casefold() != span[4].strip().casefold():
        raise asked.wrong(Message("%(text)s, with two units", text=text), Message("Leave the second unit out."))
    if exact or asked.dimension != "strength":
        raise asked.wrong(
            Message("%(text)s, a span", text=text),
            Message("Name one number.")
            if exact
            else Message("Name one number, and behind it its standard uncertainty as u 0.5 where it is known."),
        )
    if not low < high:
        raise asked.wrong(
            Message("%(text)s, a span whose end is not above its start", text=text), Message("Correct the numbers.")
        )
    _, unit, scale = _number_with_unit(f"{span[3]} {span[4]}", asked)
    ends = (low * scale.step, high * scale.step)
    _check_value(ends[1], asked, positive=True)
    measured = Measured((ends[0] + ends[1]) / 2, (ends[1] - ends[0]) / (2 * K95), ends)
    note = Message("a bare span, taken as a 95 % interval with its middle as the value")
    return Quantity(measured=measured, system=unit.system, notes=(*unit.notes, note))


def _number_with_unit(body: str, asked: _Asked) -> tuple[float, UnitTyped, _Scale]:
    """Return a number, its unit as typed, and how that lies to the unit inside."""
    if asked.dimension == "time":
        if (parts := in_parts(body)) is not None:
            if not parts:
                raise asked.wrong(Verbatim(repr(asked.text)), Message("Write it as 1 h 30 min, or as 90 min."))
            return parts[0], UnitTyped("h", "hour", "metric", ()), _Scale(0.0, 1.0)
        if ":" in body:
            raise asked.wrong(
                Message("%(text)s, which may be hours or minutes", text=repr(asked.text)),
                Message("Write it as 1 h 30 min, or as 90 min."),
            )
    found = _VALUE.fullmatch(body)
    if found is None:
        raise asked.wrong(Verbatim(repr(asked.text)), NO_THOUSANDS)
    if not found[2].strip():
        raise asked.wrong(Message("%(text)s, without a unit", text=repr(asked.text)), Message("Add the unit."))
    unit = read_unit(found[2].strip(), strength=asked.dimension == "strength", gallon=asked.gallon, wrong=asked.wrong)
    return float(found[1]), unit, _scale(unit, asked)


def _split(asked: _Asked) -> tuple[str, _Spread | None]:
    """Cut a text into the value with its unit, and its uncertainty."""
    if (ends := _ENDS.fullmatch(asked.plain)) is not None:
        return ends[1], _Spread((float(ends[2]), float(ends[3])), ends[4].strip())
    if (spread := _U.fullmatch(asked.plain)) is not None:
        if ("±" in asked.plain or "+/-" in asked.plain) and spread[4] is None:
            raise asked.wrong(
                Message("%(text)s, without what the ± means", text=repr(asked.text)),
                Message("Write (k = 1) or (k = 2) behind it, or give the 95 % interval as 270 to 330."),
            )
        return spread[1], _Spread((float(spread[2]) / int(spread[4] or 1),), spread[3].strip())
    return asked.plain, None


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
    value: float, number: float, spread: _Spread, scale: _Scale, unit: UnitTyped, asked: _Asked, floor: float
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


@cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint

    return pint.UnitRegistry()


def _scale(unit: UnitTyped, asked: _Asked) -> _Scale:
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
