"""Days and times as people type them, on the clock of the machine; what is not clear is refused, never guessed.

``2026-11-20 7:30``, ``20 Nov 7:30``, ``20 de noviembre de 2026 16:00``, ``Nov 20, 4:30 pm``, ``7:30``, ``yesterday
16:00``; a day ``2026-11-20``; a month ``2026-04`` or ``Apr 2026`` where a span of time is asked for. Months as Unicode
CLDR names them in English and Spanish (by Babel), or the first three letters or more. ``20/11/2026`` is refused, as it
is written in two orders.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import NoReturn

from stripread.errors import WrongUsageError
from stripread.i18n import LANGUAGES, Message, Shown, Verbatim

__all__ = ["CLOCKS", "Moment", "parse_day", "parse_moment", "parse_period"]

CLOCKS = timedelta(minutes=5)  # two clocks may differ by so much: what has happened is not later than that
_YEARS = (2000, 2100)
_LEAP = 8  # years back to look for a 29 February
_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_ISO_MOMENT = re.compile(
    r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?)\s*(Z|[+-]\d\d:?\d\d)?", re.IGNORECASE
)
_MONTH = r"(?P<month>[A-Za-zé]{3,10})\.?"
_DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th|º|\.)?"
_YEAR = r"(?P<year>\d{4})"
_SEP, _OF = r"(?:\s*,\s*|\s+|-)", r"(?:\s+de\s+|\s+del\s+|\s+of\s+|\s*,\s*|\s+|-)"
_WORDS = (
    re.compile(rf"{_DAY}{_OF}{_MONTH}(?:{_OF}{_YEAR})?", re.IGNORECASE),
    re.compile(rf"{_MONTH}{_SEP}{_DAY}(?:{_SEP}{_YEAR})?", re.IGNORECASE),
)
_CLOCK = re.compile(
    r"(?:^|(?<=[\s,T]))(?:(?:at|a las?)\s+)?(?P<hour>\d{1,2})(?::(?P<minute>\d\d)(?::(?P<second>\d\d))?)?"
    r"\s*(?P<half>[ap]\.?\s?m\.?)?(?P<h>\s?h)?$",
    re.IGNORECASE,
)
_DAYS_AGO = {"today": 0, "hoy": 0, "yesterday": 1, "ayer": 1}
_NOON = time(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A time that was typed, and what had to be assumed of it.

    Attributes
    ----------
    at : datetime
        With a zone: the one that was typed, else the machine's.
    zoned : bool
        Whether a zone was typed.
    notes : tuple of Message
        What was assumed.
    """

    at: datetime
    zoned: bool = False
    notes: tuple[Message, ...] = ()


def parse_moment(text: str, *, now: datetime, name: Shown | None = None, to_the_minute: bool = False) -> Moment:
    """Read when something happened.

    A day alone is taken as its noon, or as now where that is still to come: half a day is the most by which it errs.
    Without a year it is the latest one that is past; a time of day alone is today's.

    Parameters
    ----------
    to_the_minute : bool
        Refuse a day alone.

    Raises
    ------
    WrongUsageError
        If it is no time, may be read in two ways, is not from 2000 to 2100, or lies ahead by over five minutes.
    """
    what = Message("%(what)s as 2026-05-31 14:30, 31 May 14:30 or 14:30", what=name or Message("a time"))
    words, now = text.strip(), now.astimezone()
    notes: list[Message] = []
    if (whole := _ISO_MOMENT.fullmatch(words)) is not None:
        at = _read_iso(f"{whole[1]}T{whole[2]}{whole[3] or ''}", text, what)
    else:
        before, clock = _clock(words, text, what)
        days = _days(before, now, text, what) if before else [now.date()]
        if clock is None and (to_the_minute or not before):
            _refuse(text, what, Message("Add the time of day."))
        here = now.replace(tzinfo=None)
        limit = datetime.combine(here, time.max) if clock is None else here + CLOCKS
        possible = [datetime.combine(day, clock or _NOON) for day in days]
        at = next((one for one in possible if one <= limit), possible[0])
        if len(days) > 1:
            notes.append(Message("no year was given: taken as %(day)s, the latest that is past", day=at.date()))
        if clock is None:
            at = min(at, here.replace(microsecond=0)) if at.date() == here.date() else at
            notes.append(Message("no time of day was given: taken as %(time)s", time=at.strftime("%H:%M")))
    _check_year(at.date(), text, what)
    local = at.astimezone()
    if at.tzinfo is None:
        if local.replace(tzinfo=None) != at:
            _refuse(text, what, Message("The clocks went forward then, and left it out: correct it."))
        if local.utcoffset() != at.replace(fold=1).astimezone().utcoffset():
            notes.append(Message("the clocks went back then: taken as the first of the two"))
    if local > now + CLOCKS:
        raise WrongUsageError(
            expected=Message("a time that is past"),
            found=Verbatim(repr(text)),
            remedy=Message("Correct it."),
        )
    return Moment(at=local, zoned=at.tzinfo is not None, notes=tuple(notes))


def parse_day(text: str, *, name: Shown) -> date:
    """Read a day with its year, as ``2027-05-31`` or ``31 May 2027``; it may lie ahead.

    Raises
    ------
    WrongUsageError
        If it is no day, or not from 2000 to 2100.
    """
    what = Message("%(what)s as 2027-05-31 or 31 May 2027", what=name)
    found = _days(text.strip(), None, text, what)[0]
    _check_year(found, text, what)
    return found


def parse_period(text: str, *, now: datetime) -> tuple[datetime, datetime]:
    """Read a span of time: a day, a month ``2026-04`` or ``Apr 2026``, a year, or a single time, which has no length.

    Returns
    -------
    tuple of datetime
        Its start, and its end, which is no longer in it.

    Raises
    ------
    WrongUsageError
        If it is none of these, or not from 2000 to 2100.
    """
    what = Message("a day as 2026-05-31 or 31 May, a month as 2026-05 or May 2026, or a time as 2026-05-31 14:30")
    words, now = text.strip(), now.astimezone()
    if (whole := _ISO_MOMENT.fullmatch(words)) is not None:
        at = _read_iso(f"{whole[1]}T{whole[2]}{whole[3] or ''}", text, what).astimezone()
        return at, at
    if (month := _month_of(words)) is not None:
        year, number = month
        first = _made(year, number or 1, 1, text, what)
        _check_year(first, text, what)
        after = date(year + (number in (None, 12)), 1 if number in (None, 12) else (number or 0) + 1, 1)
    else:
        before, clock = _clock(words, text, what)
        days = _days(before, now, text, what) if before else []
        if not days:
            _refuse(text, what)
        first = next((day for day in days if day <= now.date()), days[0])
        _check_year(first, text, what)
        if clock is not None:
            at = datetime.combine(first, clock).astimezone()
            return at, at
        after = first + timedelta(days=1)
    return _midnight(first), _midnight(after)


def _month_of(words: str) -> tuple[int, int | None] | None:
    """Return the year and month of ``2026-04`` or ``Apr 2026``; no month for ``2026``."""
    if (found := re.fullmatch(r"(\d{4})(?:-(\d{1,2}))?", words)) is not None:
        return int(found[1]), None if found[2] is None else int(found[2])
    if (found := re.fullmatch(rf"{_MONTH}{_OF}{_YEAR}", words, re.IGNORECASE)) is not None:
        number = _months().get(found["month"].casefold())
        return None if number is None else (int(found["year"]), number)
    return None


def _days(words: str, now: datetime | None, text: str, what: Shown) -> list[date]:
    """Return the day that is meant; without a year those of several years, the latest first."""
    if now is not None and words.casefold() in _DAYS_AGO:
        return [now.date() - timedelta(days=_DAYS_AGO[words.casefold()])]
    if (found := _ISO.fullmatch(words)) is not None:
        return [_made(int(found[1]), int(found[2]), int(found[3]), text, what)]
    if re.fullmatch(r"\d{1,4}[/.]\d{1,2}(?:[/.]\d{2,4})?", words):
        _refuse(
            text, what, Message("Day and month stand in two orders in the world: write it as 2026-05-31 or 31 May.")
        )
    for pattern in _WORDS:
        if (found := pattern.fullmatch(words)) is None:
            continue
        month, day = _months().get(found["month"].casefold()), int(found["day"])
        if month is None:
            break
        if found["year"] is not None:
            return [_made(int(found["year"]), month, day, text, what)]
        if now is None:
            _refuse(text, what, Message("Add the year."))
        years = range(now.year, now.year - _LEAP - 1, -1)
        days = [made for year in years if (made := _maybe(year, month, day)) is not None]
        if not days:
            _refuse(text, what)
        return days
    return _refuse(text, what)


def _clock(words: str, text: str, what: Shown) -> tuple[str, time | None]:
    """Cut the time of day off; None where there is none."""
    found = _CLOCK.search(words)
    if found is None or (found["minute"] is None and found["half"] is None):
        return words, None
    hour, minute, second = int(found["hour"]), int(found["minute"] or 0), int(found["second"] or 0)
    if found["half"] is not None:
        if not 1 <= hour <= 12 or found["h"]:
            _refuse(text, what)
        hour = hour % 12 + (12 if found["half"][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second > 59:
        _refuse(text, what)
    return re.sub(r"[\s,]+$|(?<=\d)T$", "", words[: found.start()]), time(hour, minute, second)


@cache
def _months() -> dict[str, int]:
    """Return the months by their names and the beginnings of these that belong to one month alone."""
    from babel.dates import get_month_names

    found: dict[str, set[int]] = {}
    for language in LANGUAGES:
        for width in ("wide", "abbreviated"):
            for number, name in get_month_names(width, locale=language).items():
                word = name.casefold().rstrip(".")
                for letters in range(3, len(word) + 1):
                    found.setdefault(word[:letters], set()).add(number)
    return {word: next(iter(numbers)) for word, numbers in found.items() if len(numbers) == 1}


def _maybe(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _made(year: int, month: int, day: int, text: str, what: Shown) -> date:
    found = _maybe(year, month, day)
    if found is None:
        _refuse(text, what)
    return found


def _read_iso(words: str, text: str, what: Shown) -> datetime:
    try:
        return datetime.fromisoformat(words.upper())
    except ValueError:
        _refuse(text, what)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time.min).astimezone()


def _check_year(day: date, text: str, what: Shown) -> None:
    if not _YEARS[0] <= day.year <= _YEARS[1]:
        first, last = _YEARS
        raise WrongUsageError(
            expected=Message("%(what)s, from %(first)s to %(last)s", what=what, first=first, last=last),
            found=Verbatim(repr(text)),
            remedy=Message("Correct it."),
        )


def _refuse(text: str, what: Shown, remedy: Shown | None = None) -> NoReturn:
    raise WrongUsageError(
        expected=what,
        found=Verbatim(repr(text)),
        remedy=remedy or Message("Correct it."),
    )
