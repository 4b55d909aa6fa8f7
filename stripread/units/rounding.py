"""Numbers for people: never more digits than the interval bears, and no interval narrower than it was computed."""

import math
from collections.abc import Callable

from stripread.i18n import Message, Number, Shown, Verbatim

__all__ = [
    "bound",
    "counted",
    "format_interval",
    "format_number",
    "lower_end",
    "places_for",
    "plain",
    "probability_in_words",
    "two_digits",
    "upper_end",
]

_NOISE = 1e-9  # of the last digit: what the arithmetic of floats leaves of 0.3 is not rounded up to 0.4


def places_for(half_width: float) -> int:
    """Return the decimal place to round to: two digits of a half-width that starts with 1 or 2, else one.

    JCGM 100:2008, 7.2.6 asks for at most two digits of an uncertainty. Negative places round to tens.
    """
    if not (math.isfinite(half_width) and half_width > 0):
        return 3
    exponent = math.floor(math.log10(half_width))
    leading = round(half_width / 10**exponent, 6)  # 0.3 is not to become 2.9999
    return (1 if leading < 3 else 0) - exponent


def format_number(number: float, places: int) -> Number:
    """Return a number rounded to a decimal place."""
    return Number(round(number, places) + 0.0, f".{max(places, 0)}f")  # + 0.0: no minus zero


def lower_end(number: float, places: int | None = None, *, digits: int = 3) -> Number:
    """Return the lower end of an interval, or a bound from below, rounded down; see ``upper_end``."""
    return _outward(number, places, digits, math.floor)


def upper_end(number: float, places: int | None = None, *, digits: int = 3) -> Number:
    """Return the upper end of an interval, or a bound from above, rounded up: nothing that was in it falls out.

    Parameters
    ----------
    places : int or None
        Decimal place to round to; None for so many digits, or to the unit where that is finer.
    """
    return _outward(number, places, digits, math.ceil)


def bound(number: float, censored: str) -> Number:
    """Return the limit of a reading that is ``below`` it, or above, with two digits, rounded to the safe side."""
    return upper_end(number, digits=2) if censored == "below" else lower_end(number, digits=2)


def _outward(number: float, places: int | None, digits: int, whole: Callable[[float], int]) -> Number:
    if not math.isfinite(number):
        return Number(number, "g")
    to = places
    if to is None:
        to = max(digits - 1 - math.floor(math.log10(abs(number))), 0) if number else 0
    steps = number * 10.0**to
    nearest = round(steps)
    if abs(steps - nearest) > _NOISE * max(abs(steps), 1.0):
        nearest = whole(steps)
    # + 0.0: no minus zero. Without a place asked for, no zeros at the end.
    return Number(round(nearest / 10.0**to, to) + 0.0, "g" if places is None and to else f".{max(to, 0)}f")


def format_interval(interval: tuple[float | None, float | None], places: int) -> Message:
    """Return the interval in words, its ends rounded outward; an end that is None is open."""
    low, high = interval
    if low is None and high is None:
        return Message("no end found within the lot's curve")
    if low is None:
        return Message("up to %(high)s", high=upper_end(high or 0.0, places))
    if high is None:
        return Message("%(low)s and over", low=lower_end(low, places))
    return Message("%(low)s to %(high)s", low=lower_end(low, places), high=upper_end(high, places))


def plain(number: float, digits: int = 3) -> Number:
    """Return a number with so many digits or to the unit, whichever is finer, and never as 1e+03."""
    return Number(number, ".0f" if number >= 10**digits - 0.5 else f".{digits}g")


def two_digits(number: float) -> Number:
    """Return a number with two digits, without an exponent where it is a hundred or more."""
    return Number(float(f"{number:.2g}"), "g")


def counted(number: int, what: str) -> str:
    """Return a number of things: 1 photo, 2 photos."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def probability_in_words(probability: float) -> Shown:
    """Return a probability to the per cent, and no nearer to certainty than the distributions behind it are known."""
    if probability < 0.01:
        return Message("under %(bound)s", bound="1 %")
    if probability > 0.99:
        return Message("over %(bound)s", bound="99 %")
    return Verbatim(f"{100 * probability:.0f} %")
