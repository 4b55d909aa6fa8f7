"""What a point has read over time, whether it rises or falls, and what happened meanwhile."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Literal

from stripread.check import Method
from stripread.records.chain.entries import Batch, Note
from stripread.records.queries.events import noted_events, when_noted
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.queries.tanks import batch_in_tank, feeding, line_of
from stripread.records.store import Records
from stripread.site import Site

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
    """Readings of one point and analyte that hold now, the earliest first, and events from the first to the last.

    ``analytes`` are all that were read at the point in that time, the most frequent first.
    """

    point: str
    readings: tuple[RecordedReading, ...]
    events: tuple[Event, ...]
    analytes: tuple[str, ...] = ()


def trend_of(
    records: Records,
    site: Site,
    point: str,
    *,
    since: datetime | None,
    until: datetime | None,
    analyte: str | None = None,
) -> Trend:
    """Return the trend of a point; of more than 2000 readings the latest.

    Parameters
    ----------
    analyte : str or None
        That the main pad measures; None for the one that the sample of the latest reading is judged by, if there is
        any of it.
    """
    found = tuple(reversed(records.readings(ReadingFilter(point=point, since=since, until=until), limit=_MOST)))
    counts = Counter(reading.main.analyte for reading in found)
    analytes = tuple(name for name, _ in counts.most_common())
    shown = analyte or _main_analyte(found)
    readings = tuple(r for r in found if shown is None or r.main.analyte.casefold() == shown.casefold())
    if not readings:
        return Trend(point=point, readings=(), events=(), analytes=analytes)
    first, last = readings[0].when, readings[-1].when
    reaches = _reaching(records, site, point, at=last)
    events = [
        Event(at=made.said.made_at, kind="stock", words=made.said.id)
        for made in records.batches(limit=_EVENTS)
        if made.said.kind != "concentrate" and first <= made.said.made_at <= last and reaches.stock(made.said)
    ]
    events += [
        Event(at=s.said.since, kind="injector", words=f"{s.said.injector} 1:{s.said.ratio:g} {s.said.convention}")
        for s in records.injector_settings(limit=_EVENTS)
        if first <= s.said.since <= last and reaches.injector(s.said.injector)
    ]
    events += [
        Event(at=when_noted(n), kind="event", words=f"{n.said.type}: {n.said.text}")
        for n in noted_events(records)
        if first <= when_noted(n) <= last and reaches.event(n.said)
    ]
    lots = pairwise(r for r in readings if r.method.is_strip)
    events += [Event(at=b.when, kind="lot", words=b.lot or "?") for a, b in lots if a.lot != b.lot]
    in_order = tuple(sorted(events, key=lambda event: event.at))
    return Trend(point=point, readings=readings, events=in_order, analytes=analytes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reaching:
    """Which tanks and injectors bear on a point; None: it is not known, so all of them may."""

    tanks: frozenset[str] | None
    injectors: frozenset[str] | None
    line: str | None = None

    def stock(self, batch: Batch) -> bool:
        """Tell whether a batch may have reached the point."""
        return self.tanks is None or batch.tank is None or batch.tank in self.tanks

    def injector(self, name: str) -> bool:
        """Tell whether an injector may dose the point's water."""
        return self.injectors is None or name in self.injectors

    def event(self, note: Note) -> bool:
        """Tell whether an event may bear on the point: one on its line, in a tank that reaches it, or of neither."""
        if note.line is not None:
            return note.line == self.line
        return note.tank is None or self.tanks is None or note.tank in self.tanks


def _reaching(records: Records, site: Site, name: str, *, at: datetime) -> _Reaching:
    """Return what reaches a point: of an outlet its line's injectors and their tanks, of a tank's point that tank."""
    point = next((one.said for one in records.points() if one.said.name == name), None)
    if point is None:
        return _Reaching(tanks=None, injectors=None)
    if point.before_injector:
        return _Reaching(tanks=frozenset(), injectors=frozenset())
    own = point.tank or (name if batch_in_tank(records, name, at=at) is not None else None)
    if own is not None:
        return _Reaching(tanks=frozenset((own,)), injectors=frozenset())
    drawn = [one for one in feeding(records, site, point, at=at) if one.injector is not None]
    tanks = frozenset(one.tank for one in drawn if one.tank is not None)
    return _Reaching(
        tanks=tanks if drawn and all(one.tank is not None for one in drawn) else None,
        injectors=frozenset(one.injector for one in drawn if one.injector is not None) if drawn else None,
        line=line_of(site, point),
    )


def _main_analyte(readings: Sequence[RecordedReading]) -> str | None:
    """Return the analyte of the latest reading that its sample is judged by, else that of the latest strip, else any.

    Readings come the earliest first.
    """
    judged = (r.judged.analyte for r in reversed(readings) if r.judged is not None and r.judged is r.main)
    strips = (r.main.analyte for r in reversed(readings) if r.method.is_strip)
    others = (r.main.analyte for r in reversed(readings))
    return next(judged, None) or next(strips, None) or next(others, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where the latest readings go, all of one lot, or by one instrument.

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
    method: Method = field(default_factory=Method)


def course_of(readings: Sequence[RecordedReading]) -> Course | None:
    """Tell whether the latest readings rise or fall; None where they are too few, or too scattered to tell.

    A straight line by least squares through the valid ones of one analyte, sample type and means (strips of one lot,
    or one instrument): between two of them lies what both calibrations are off. It is the latest means that has enough
    of them. What chance explains follows from their scatter about the line, and from their stated uncertainty where
    that is larger.

    Parameters
    ----------
    readings : sequence of RecordedReading
        The latest first.
    """
    from scipy.special import stdtrit

    used = next((alike for alike in _alike(readings) if len(alike) >= _FEWEST), None)
    if used is None:
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
    return Course(word=word, change=change, shows=shows, unit=last.unit, count=count, since=used[-1].when,
                  method=used[0].method)  # fmt: skip


def _alike(readings: Sequence[RecordedReading]) -> Iterator[list[RecordedReading]]:
    """Yield, by each means, the valid readings with a number that may be held against each other: of its latest lot."""
    told = [r for r in readings if r.validity == "valid" and r.main.value is not None and r.main.u is not None]
    for method in dict.fromkeys(r.method for r in told):
        own = [r for r in told if r.method == method]
        yield [r for r in own if _what(r) == _what(own[0])]


def _what(reading: RecordedReading) -> tuple[str | None, ...]:
    return reading.lot, reading.sample, reading.main.analyte, reading.main.unit
