"""When each point is to be read, as the site file says: on which days, before what time, and by whom."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time

from stripread.files import TomlTable
from stripread.i18n import Message

__all__ = ["PointSchedule", "Schedule", "parse_schedule"]

_WEEK = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DAILY, _WEEKDAYS = frozenset(range(7)), frozenset(range(5))


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSchedule:
    """When a point is due: on days of the week (0 is Monday), before each of some times; none: at any time of the day.

    ``who`` is to read it, where the site says.
    """

    point: str
    days: frozenset[int] = _DAILY
    before: tuple[time, ...] = ()
    who: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The points' schedules by name, and the days on which nothing is due."""

    points: Mapping[str, PointSchedule]
    closed_days: frozenset[int] = frozenset()
    closed_dates: frozenset[date] = frozenset()

    def is_open(self, day: date) -> bool:
        """Tell whether anything can be due on a day."""
        return day.weekday() not in self.closed_days and day not in self.closed_dates

    def due_on(self, point: str, day: date) -> PointSchedule | None:
        """Return a point's schedule where it is due on a day."""
        known = self.points.get(point)
        return known if known is not None and self.is_open(day) and day.weekday() in known.days else None


def parse_schedule(top: TomlTable) -> Schedule | None:
    """Return the schedule of a site file; None where it has none.

    Raises
    ------
    SiteError
        If a day or time is none, or a key is misspelt.
    """
    if "schedule" not in top.data:
        return None
    table = top.table("schedule", Message("a table [schedule]"))
    table.no_other_keys({"closed", "point"})
    days, dates = _closed(table)
    points = {}
    if "point" in table.data:
        named = table.table("point", Message("tables [schedule.point.NAME]"))
        for name in named.data:
            points[name] = _point(name, named.table(name, Message("a table")))
    return Schedule(points=points, closed_days=days, closed_dates=dates)


def _closed(table: TomlTable) -> tuple[frozenset[int], frozenset[date]]:
    days, dates = set(), set()
    for word in _list(table, "closed"):
        if isinstance(word, date):
            dates.add(word)
        elif isinstance(word, str) and word.casefold() in _WEEK:
            days.add(_WEEK.index(word.casefold()))
        elif isinstance(word, str) and (found := _date(word)) is not None:
            dates.add(found)
        else:
            raise table.wrong("closed", Message("days of the week and dates, as sunday and 2026-05-01"))
    return frozenset(days), frozenset(dates)


def _point(name: str, table: TomlTable) -> PointSchedule:
    table.no_other_keys({"on", "before", "who"})
    on = table.data.get("on", "daily")
    words = {"daily": _DAILY, "weekdays": _WEEKDAYS}
    if isinstance(on, str) and on in words:
        days = words[on]
    elif isinstance(on, list) and on and all(isinstance(day, str) and day.casefold() in _WEEK for day in on):
        days = frozenset(_WEEK.index(day.casefold()) for day in on)
    else:
        raise table.wrong("on", Message('"daily", "weekdays", or a list of days of the week'))
    times = [_time(word) for word in _list(table, "before")]
    if None in times or times != sorted(set(times), key=str):
        raise table.wrong("before", Message('times of the day in their order, as ["10:00", "16:00"]'))
    return PointSchedule(
        point=name,
        days=days,
        before=tuple(one for one in times if one is not None),
        who=table.text("who") if "who" in table.data else None,
    )


def _list(table: TomlTable, key: str) -> list[object]:
    value = table.data.get(key, [])
    return value if isinstance(value, list) else [value]


def _time(word: object) -> time | None:
    found = re.fullmatch(r"(\d{1,2}):(\d\d)", word) if isinstance(word, str) else None
    if found is None or int(found[1]) > 23 or int(found[2]) > 59:
        return None
    return time(int(found[1]), int(found[2]))


def _date(word: str) -> date | None:
    try:
        return date.fromisoformat(word)
    except ValueError:
        return None
