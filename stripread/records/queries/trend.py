"""What a point has read over time, whether it rises or falls, and what happened meanwhile."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.store import Records

__all__ = ["Course", "Event", "Trend", "course_of", "trend_of"]

_MOST = 2000  # readings; a plot of more shows nothing
_EVENTS = 500
_FEWEST = 5  # readings that a course is told from: ours, as in `check.history_rules`
_TAIL = 0.00135  # of either side beyond three standard deviations of a normal distribution: as in `check.history_rules`
_SHOWS = 0.5  # ours: where not even a change by half of the level would show, "steady" would say nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that may have changed what is read: a new stock, another lot, another setting."""

    at: datetime
    kind: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Readings of one point that hold now, the earliest first, and events between the first and the last of them."""

    point: str
    readings: tuple[RecordedReading, ...]
    events: tuple[Event, ...]


def trend_of(records: Records, point: str, *, since: datetime | None, until: datetime | None) -> Trend:
    """Return the trend of a point; of more than 2000 readings the latest."""
    readings = tuple(reversed(records.readings(ReadingFilter(point=point, since=since, until=until), limit=_MOST)))
    if not readings:
        return Trend(point=point, readings=(), events=())
    first, last = readings[0].when, readings[-1].when
    events = [
        Event(at=made.said.made_at, kind="stock", words=made.said.id)
        for made in records.batches(limit=_EVENTS)
        if made.said.kind != "concentrate" and first <= made.said.made_at <= last
    ]
    events += [
        Event(at=s.said.since, kind="injector", words=f"{s.said.injector} 1:{s.said.ratio:g} {s.said.convention}")
        for s in records.injector_settings(limit=_EVENTS)
        if first <= s.said.since <= last
    ]
    lots = pairwise(readings)
    events += [Event(at=b.when, kind="lot", words=b.lot or "?") for a, b in lots if a.lot != b.lot]
    return Trend(point=point, readings=readings, events=tuple(sorted(events, key=lambda event: event.at)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where the latest readings go, all of one lot.

    Attributes
    ----------
    word : str
        ``steady`` is that no change shows, where one by half of the level would.
    change : float
        From the first to the last of them, by a straight line through all; in ``unit``.
    shows : float
        A change larger than this is none of chance.
    """

    word: Literal["rising", "falling", "steady"]
    change: float
    shows: float
    unit: str
    count: int
    since: datetime


def course_of(readings: Sequence[RecordedReading]) -> Course | None:
    """Tell whether the latest readings rise or fall; None where they are too few, or too scattered to tell.

    A straight line by least squares through the valid ones of the latest one's analyte and lot: between two lots lies
    what both calibrations are off. What chance explains follows from their scatter about the line, and from their
    stated uncertainty where that is larger.

    Parameters
    ----------
    readings : sequence of RecordedReading
        The latest first.
    """
    from scipy.special import stdtrit

    used = _alike(readings)
    if len(used) < _FEWEST:
        return None
    last, count = used[0].main, len(used)
    days = [(one.when - used[0].when).total_seconds() / 86_400 for one in used]
    values = [one.main.value or 0.0 for one in used]
    mean_day, level = sum(days) / count, sum(values) / count
    spread = sum((day - mean_day) ** 2 for day in days)
    if spread == 0:
        return None
    slope = sum((day - mean_day) * (value - level) for day, value in zip(days, values, strict=True)) / spread
    off = [value - level - slope * (day - mean_day) for day, value in zip(days, values, strict=True)]
    scatter = -float(stdtrit(count - 2, _TAIL)) * math.sqrt(sum(d**2 for d in off) / (count - 2))
    stated = 3.0 * math.sqrt(sum((one.main.u or 0.0) ** 2 for one in used) / count)
    span = max(days) - min(days)
    change, shows = slope * span, max(scatter, stated) / math.sqrt(spread) * span
    if abs(change) <= shows and (level <= 0 or shows > _SHOWS * level):
        return None
    word: Literal["rising", "falling", "steady"] = "steady"
    if abs(change) > shows:
        word = "rising" if change > 0 else "falling"
    return Course(word=word, change=change, shows=shows, unit=last.unit, count=count, since=used[-1].when)


def _alike(readings: Sequence[RecordedReading]) -> list[RecordedReading]:
    """Return the valid readings with a number that may be held against each other: of the latest such one's lot."""
    told = [r for r in readings if r.validity == "valid" and r.main.value is not None and r.main.u is not None]
    return [
        r
        for r in told
        if (r.lot, r.sample, r.main.analyte, r.main.unit)
        == (told[0].lot, told[0].sample, told[0].main.analyte, told[0].main.unit)
    ]
