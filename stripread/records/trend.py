"""What a point has read over time, and what happened meanwhile."""

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from stripread.records.queries import RecordedReading
from stripread.records.store import Records

__all__ = ["Event", "Trend", "trend_of"]

_MOST = 2000  # readings; a plot of more shows nothing
_EVENTS = 500


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
    readings = tuple(reversed(records.readings(point=point, since=since, until=until, limit=_MOST)))
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
