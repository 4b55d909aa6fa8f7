"""Amounts for people at the tank: rounded to what a jug shows, in their own units with litres beside them."""

from dataclasses import dataclass
from typing import Literal

from stripread.i18n import InWords, Joined, Message, Number, Reader, Shown, System, Verbatim, joined
from stripread.units.rounding import format_number, lower_end, places_for, plain, upper_end
from stripread.units.uncertain import Measured

__all__ = [
    "InOwnUnits",
    "Volume",
    "jug",
    "tell",
    "tell_flow",
    "tell_line_flow",
    "tell_temperature",
    "tell_volume",
    "tell_volume_read",
    "volume_as_typed",
]

_GALLON_L = {"us": 3.785411784, "imperial": 4.54609}  # NIST Handbook 44, appendix C
_OUNCES = {"us": 128, "imperial": 160}  # fluid ounces in a gallon
_SIGN = {"us": "US", "imperial": "imp"}
# up to this volume -> steps of so much: a syringe, a cylinder, a jug, a pail, a tank's marks. Ours: half a step over
# the square root of 3 (JCGM 100:2008, 4.3.7) is nowhere more than the 2 % taken for pouring (`units.ASSUMED_U`).
_STEPS_L = (
    (0.01, 0.0001), (0.015, 0.0005), (0.1, 0.001), (1.0, 0.005), (5.0, 0.05), (20.0, 0.1), (100.0, 0.5), (1000.0, 5.0)
)  # fmt: skip
_LEAST_L = 0.0015  # under it a step of a tenth of a millilitre is too coarse
_STEPS_OZ = ((4.0, 0.05), (8.0, 0.25), (32.0, 0.5))
_STEPS_GAL = ((5.0, 0.05), (20.0, 0.1), (100.0, 0.5), (1000.0, 5.0))


def jug(volume_l: float, system: System) -> float:
    """Return a volume [L] rounded to what can be measured out in a system of units."""
    if volume_l <= 0:
        return 0.0
    if system == "metric" or volume_l < _GALLON_L[system] / _OUNCES[system]:
        return _rounded(volume_l, _STEPS_L, 50.0) if volume_l >= _LEAST_L else float(f"{volume_l:.3g}")
    gallon = _GALLON_L[system]
    if volume_l < gallon:
        ounce = gallon / _OUNCES[system]
        return _rounded(volume_l / ounce, _STEPS_OZ, 1.0) * ounce
    return _rounded(volume_l / gallon, _STEPS_GAL, 50.0) * gallon


def _rounded(number: float, steps: tuple[tuple[float, float], ...], else_step: float) -> float:
    step = next((step for top, step in steps if number < top), else_step)
    return round(number / step) * step


def tell_volume(volume_l: float, system: System) -> Shown:
    """Return a volume in words: in metric units, and before them in those of the system.

    Pails have gallons on them, cylinders and many jugs millilitres: so whoever pours in gallons is told litres beside
    them, in brackets, and whoever pours in litres nothing else.
    """
    metric = _metric(volume_l)
    if system == "metric" or 0 < volume_l < _GALLON_L[system] / _OUNCES[system]:
        return metric
    gallons, sign = volume_l / _GALLON_L[system], _SIGN[system]
    if volume_l == 0:
        return Verbatim(f"0 {sign} gal")
    whole = gallons >= 0.999
    own = Joined((plain(gallons), sign, "gal") if whole else (Number(gallons * _OUNCES[system], ".3g"), sign, "fl oz"))
    return Message("%(own)s (%(metric)s)", own=own, metric=metric)


@dataclass(frozen=True, slots=True)
class Volume(InWords):
    """A volume within a message: in litres for the record, in the reader's units on a page or in a report."""

    volume_l: float

    def shown(self, reader: Reader) -> str:
        """Return it in the reader's units."""
        if reader.units == "metric":
            return f"{plain(self.volume_l, 4).shown(reader)} L"
        return tell_volume(self.volume_l, reader.units).shown(reader)


def volume_as_typed(volume_l: float, system: System) -> str:
    """Return a volume as somebody would type it, to be read again by `parse_quantity`; it says whose gallon it is."""
    if system == "metric" or 0 < volume_l < _GALLON_L[system] / _OUNCES[system]:
        return f"{plain(volume_l, 4)} L" if volume_l == 0 or volume_l >= 0.9995 else f"{plain(1000 * volume_l, 4)} mL"
    sign, gallons = _SIGN[system], volume_l / _GALLON_L[system]
    whole = gallons == 0 or gallons >= 0.999
    return f"{plain(gallons, 4)} {sign} gal" if whole else f"{plain(gallons * _OUNCES[system], 4)} {sign} fl oz"


def tell_volume_read(volume_l: Measured, system: System) -> Message:
    """Return a volume that is known with an uncertainty, with its 95 % interval."""
    low, high = volume_l.interval
    most = Message("no end known") if high is None else upper_end(high)
    value = tell_volume(volume_l.value, system)
    return Message("%(volume)s, 95 %%: %(low)s to %(high)s L", volume=value, low=lower_end(low), high=most)


def _metric(volume_l: float) -> Joined:
    return Joined((Number(1000 * volume_l, ".3g"), "mL") if 0 < volume_l < 0.9995 else (plain(volume_l), "L"))


def tell_line_flow(flow_l_per_min: float, system: System) -> Shown:
    """Return the flow of a line in words: in metric units, and before them in those of the system."""
    metric = Joined((plain(flow_l_per_min), "L/min"))
    if system == "metric":
        return metric
    own = Joined((plain(flow_l_per_min / _GALLON_L[system]), _SIGN[system], "gal/min"))
    return Message("%(own)s (%(metric)s)", own=own, metric=metric)


def tell_temperature(celsius: float, system: System) -> Shown:
    """Return a temperature in words; the Fahrenheit degree and its zero: NIST SP 811, B.8."""
    metric = Joined((Number(celsius, "g"), "C"))
    if system != "us":
        return metric
    return Message("%(own)s (%(metric)s)", own=Joined((Number(1.8 * celsius + 32, ".3g"), "F")), metric=metric)


def tell_flow(flow_l_per_h: Measured, system: System) -> Joined:
    """Return a pump's rate in words, with its 95 % interval."""
    metric = tell(flow_l_per_h.scaled(1000), "mL/h") if flow_l_per_h.value < 1 else tell(flow_l_per_h, "L/h")
    if system == "metric":
        return Joined((metric, Joined((Number(1000 * flow_l_per_h.value / 60, ".3g"), "mL/min"))), "; ")
    gallon, sign = _GALLON_L[system], _SIGN[system]
    ounces = flow_l_per_h.value / gallon * _OUNCES[system] / 60
    own = (
        Joined((Number(flow_l_per_h.value / gallon, ".3g"), sign, "gal/h")),
        Joined((Number(ounces, ".3g"), sign, "fl oz/min")),
    )
    return Joined((joined(own), metric), "; ")


def tell(number: Measured, unit: str) -> Shown:
    """Return a number with its 95 % interval, no more digits than that bears."""
    low, high = number.interval
    if number.u == 0 and number.ends is None:
        return _with_unit(Number(number.value, ".4g"), unit)
    places = places_for(((number.value if high is None else high) - low) / 2)
    most = Message("no end known") if high is None else upper_end(high, places)
    amount = _with_unit(format_number(number.value, places), unit)
    return Message("%(amount)s (95 %%: %(low)s to %(high)s)", amount=amount, low=lower_end(low, places), high=most)


def _with_unit(number: Number, unit: str) -> Joined:
    return Joined((number, unit) if unit else (number,))


@dataclass(frozen=True, slots=True, kw_only=True)
class InOwnUnits(InWords):
    """A reading in the reader's units: what is kept in C or L/min in F or US gal/min, all else as it is kept.

    ``end`` makes it an end of an interval, rounded outward; it then stands without its unit.
    """

    number: float
    unit: str
    places: int
    end: Literal["low", "high"] | None = None

    def shown(self, reader: Reader) -> str:
        """Return it in the reader's units."""
        number, unit, places = self.number, self.unit, self.places
        if reader.units == "us" and unit == "C":
            number, unit = 1.8 * number + 32, "F"  # NIST SP 811, B.8
        elif reader.units == "us" and unit == "L/min":
            number, unit, places = number / _GALLON_L["us"], "US gal/min", places + 1
        if self.end is not None:
            return (lower_end if self.end == "low" else upper_end)(number, places).shown(reader)
        return f"{format_number(number, places).shown(reader)} {unit}"
