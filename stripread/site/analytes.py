"""What may be entered from a meter, a titration or a laboratory: analytes with their units, known or named by the site.

Where nobody states an uncertainty one is assumed, and said. The figures below are ours, for instruments that nobody has
checked lately; they are judged on no data. Who knows better states it with the reading, or in the site file.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from stripread.errors import QuantityError, SiteError
from stripread.files import TomlTable
from stripread.i18n import Joined, Message, Number, Shown, Verbatim, joined
from stripread.units import parse_own_unit, parse_quantity

__all__ = ["KNOWN_ANALYTES", "Analyte", "analytes_of_table", "find_analyte", "judged_strength"]

Converted = Literal["strength", "temperature", "flow"]
_STRENGTHS = ("mg/l", "ppm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Analyte:
    """Something that is measured, always kept in one unit.

    Attributes
    ----------
    converted : str or None
        Dimension in which other units may be typed (`parse_quantity`); None where ``unit`` is the only one.
    u, relative_u : float
        Standard uncertainty that is assumed where none is stated: the larger of ``u`` and this part of the value.
    least, most : float
        What is beyond cannot be, and is refused.
    """

    name: str
    unit: str
    converted: Converted | None = None
    u: float = 0.0
    relative_u: float = 0.0
    least: float = -math.inf
    most: float = math.inf

    def assumed_u(self, value: float) -> float:
        """Return the standard uncertainty that is assumed of a value."""
        return max(self.u, self.relative_u * abs(value))

    @property
    def assumed_words(self) -> Shown:
        """How that is said."""
        own, share = Joined((Number(self.u, "g"), self.unit)), Joined((Number(100 * self.relative_u, "g"), "%"))
        if self.u and self.relative_u:
            return Message("%(share)s, and at least %(own)s", share=share, own=own)
        return own if self.u else share


def _strength(name: str) -> Analyte:
    return Analyte(name=name, unit="mg/L", converted="strength", u=0.02, relative_u=0.1, least=0.0)


KNOWN_ANALYTES: Mapping[str, Analyte] = {
    one.name: one
    for one in (
        *map(_strength, ("chlorine dioxide", "chlorite", "chlorate", "free chlorine", "total chlorine")),
        Analyte(name="pH", unit="pH", u=0.1, least=0.0, most=14.0),
        Analyte(name="temperature", unit="C", converted="temperature", u=1.0, least=-20.0, most=110.0),
        Analyte(name="ORP", unit="mV", u=10.0, least=-2000.0, most=2000.0),
        Analyte(name="turbidity", unit="NTU", u=0.1, relative_u=0.1, least=0.0),
        Analyte(name="conductivity", unit="uS/cm", u=5.0, relative_u=0.05, least=0.0),
        Analyte(name="flow", unit="L/min", converted="flow", relative_u=0.05, least=0.0),
    )
}


def analytes_of_table(table: TomlTable) -> dict[str, Analyte]:
    """Return the analytes that a site names: tables with ``unit`` and ``u``, as ``u = "0.2 mg/L"`` or ``u = "5 %"``.

    Raises
    ------
    SiteError
        If a field is missing, wrong or misspelt.
    """
    found = {}
    for name in table.data:
        inner = table.table(name, Message("a table"))
        inner.no_other_keys({"unit", "u"})
        unit, known = inner.text("unit"), KNOWN_ANALYTES.get(name)
        if known is not None and _plain(known.unit) != _plain(unit):
            raise inner.wrong("unit", Message("%(unit)s, as the program knows it", unit=repr(known.unit)))
        converted: Converted | None = "strength" if _plain(unit) in _STRENGTHS else None
        least = 0.0 if converted else -math.inf
        base = known or Analyte(name=name, unit="mg/L" if converted else unit, converted=converted, least=least)
        found[name] = _with_u(base, inner.text("u"), inner)
    return found


def _with_u(base: Analyte, text: str, table: TomlTable) -> Analyte:
    number, unit = text.removesuffix("%").strip(), base.unit
    try:
        if text.endswith("%"):
            share = float(number) / 100
            if not 0 < share < 1:
                raise ValueError
            return replace(base, u=0.0, relative_u=share)
        if base.converted == "strength":
            u = parse_quantity(text, "strength", name=Verbatim("u"), exact=True).measured.value
        else:
            u = parse_own_unit(text, unit, name=Verbatim("u"), bare=True)[0].value
        if not u > 0:
            raise ValueError
    except (ValueError, QuantityError):
        raise table.wrong("u", Message("a standard uncertainty as '0.1 %(unit)s' or '5 %%'", unit=unit)) from None
    return replace(base, u=u, relative_u=0.0)


def judged_strength(name: str, unit: str) -> Analyte | None:
    """Return an analyte that a sample type is judged by, if it is a strength; None for what has another unit."""
    return _strength(name) if _plain(unit) in _STRENGTHS else None


def find_analyte(name: str, own: Mapping[str, Analyte]) -> Analyte:
    """Return an analyte by its name, upper and lower case alike; the site's ``own`` go before the known ones.

    Raises
    ------
    SiteError
        If neither has it; the error names those that there are.
    """
    everything = {**KNOWN_ANALYTES, **own}
    for known, analyte in everything.items():
        if known.casefold() == name.strip().casefold():
            return analyte
    raise SiteError(
        expected=Message("an analyte out of %(known)s", known=joined(everything)),
        found=Verbatim(repr(name)),
        remedy=Message("Name one of these, or add [analyte.NAME] with unit and u to site.toml."),
    )


def _plain(unit: str) -> str:
    return unit.strip().casefold().replace("µ", "u").replace("μ", "u")
