"""Durations: ``1 h 30 min`` as people type it, and hours as they are shown."""

import re
from typing import Literal

from stripread.i18n import Joined, Message, Number, Shown
from stripread.units.numbers import NUMBER
from stripread.units.rounding import lower_end, plain, upper_end

__all__ = ["in_parts", "tell_hours"]

_SECONDS = {"d": 86_400, "h": 3600, "min": 60, "s": 1}
_WORDS = {
    "d": "d day days día días dia dias", "h": "h hr hrs hour hours hora horas",
    "min": "m min mins minute minutes minuto minutos", "s": "s sec secs second seconds segundo segundos",
}  # fmt: skip
_UNIT = {word: unit for unit, words in _WORDS.items() for word in words.split()}
_ANY = "|".join(sorted(_UNIT, key=len, reverse=True))
_PART = re.compile(rf"({NUMBER})\s*({_ANY})(?![a-záéíóú])\.?\s*(?:,|and\b|y\b)?\s*", re.IGNORECASE)
_REST = re.compile(r"(\d\d)")  # 1h30
_DAYS_FROM, _WHOLE_HOURS_TO, _MINUTES_TO = 72.0, 240.0, 2.0  # h; ours: as people say them


def in_parts(text: str) -> tuple[float, ...] | None:
    """Return the hours of a duration of several parts, as ``1h30``, ``1 h 30 min`` or ``2 days 4 h``.

    Returns
    -------
    tuple of float, or None
        One number; none where the parts make no sense together, as ``1 h 90 min``. None for what has not several parts.
    """
    text = text.strip()
    found, at = [], 0
    while (part := _PART.match(text, at)) is not None:
        found.append((part[1], _UNIT[part[2].casefold()]))
        at = part.end()
    if (rest := _REST.fullmatch(text, at)) is not None and found:
        if found[-1][1] != "h":
            return ()
        found.append((rest[1], "min"))
    elif at < len(text):
        return () if len(found) > 1 or (found and re.match(r"\d", text[at:])) else None
    if len(found) < 2:
        return None
    seconds, before = 0.0, None
    for place, (number, unit) in enumerate(found):
        value, own = float(number), _SECONDS[unit]
        whole = place == len(found) - 1 or number.isdigit()
        if not whole or value < 0 or (before is not None and (own >= before or value * own >= before)):
            return ()
        seconds, before = seconds + value * own, own
    return (seconds / 3600,)


def tell_hours(hours: float, *, digits: int = 3, end: Literal["lower", "upper"] | None = None) -> Shown:
    """Return a duration in words: seconds, minutes, hours or days, with so many digits or to the unit.

    Three digits are within half a percent: 1.5 h is 90 min, never 2 h. As an ``end`` of an interval it is rounded
    outward.
    """
    size = abs(hours)

    def number(value: float) -> Number:
        if end is not None:
            return (lower_end if end == "lower" else upper_end)(value, digits=digits)
        return plain(value, digits)

    if 0 < size < 1 / 60:
        return Joined((number(3600 * hours), "s"))
    if 0 < size < _MINUTES_TO and not hours.is_integer():
        return Joined((number(60 * hours), "min"))
    if size < _DAYS_FROM or (size < _WHOLE_HOURS_TO and hours.is_integer() and hours % 24):
        return Joined((number(hours), "h"))
    return Message("%(days)s days", days=number(hours / 24))
