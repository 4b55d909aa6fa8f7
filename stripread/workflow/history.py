"""What the record tells a reading before it is judged: the facts that the rules which look back are given."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from stripread.check import (
    SAME_SAMPLE,
    History,
    Line,
    Method,
    PastReading,
    Point,
    Recipe,
    clock_may_be_right,
    clock_step,
)
from stripread.i18n import Joined, Message, Shown, joined
from stripread.read import Limit, Reading
from stripread.records import (
    Batch,
    ReadingFilter,
    RecordedReading,
    Records,
    batch_forecast,
    batch_of,
    batch_readings,
    expected_strength,
    find_batch,
    from_payload,
    line_of,
    lot_scores,
    noted_events,
    open_events,
    when_noted,
)
from stripread.records import Point as PointEntry
from stripread.site import load_site
from stripread.units import Volume
from stripread.water import of_example
from stripread.workflow.sample import SampleContext

__all__ = ["history_for", "history_for_entered", "with_batch", "with_batch_at"]

_SAME_POINT, _ON_LINE = 60, 60  # the latest readings that are looked at
_LATELY = timedelta(hours=3)
_STRIP = Method()


def with_batch(records: Records, context: SampleContext, reading: Reading, *, now: datetime) -> SampleContext:
    """Return a sample with its batch: where nobody said, the latest one when its photo was taken.

    That may be long before the photo came. Where the camera's clock is wrong (`clock_wrong`), it is the latest one now.
    """
    taken = taken_when(reading.taken_at, now)
    return with_batch_at(records, context, at=taken if clock_may_be_right(taken, now=now) else now)


def with_batch_at(records: Records, context: SampleContext, *, at: datetime) -> SampleContext:
    """Return a sample with its batch: where nobody said, the latest one at a time."""
    if context.batch:
        return context
    point = None if context.point is None else _point(records, context.point)
    return replace(context, batch=batch_of(records, context.sample, at=at, point=point))


def taken_when(taken_at: datetime | None, now: datetime) -> datetime:
    """Return when a photo was taken, in the zone of ``now`` where the phone noted none; ``now`` where it is unknown."""
    if taken_at is None:
        return now
    return taken_at if taken_at.tzinfo is not None else taken_at.replace(tzinfo=now.tzinfo)


def history_for(
    records: Records, reading: Reading, context: SampleContext, *, now: datetime, again: bool = False
) -> History:
    """Gather what the rules may look back on; what the record does not know is left empty.

    Parameters
    ----------
    now : datetime
        When the reading is judged, with a zone.
    again : bool
        Whether a photo of the record is read again, and so is in it by right.
    """
    return _history(
        records,
        context,
        now=now,
        at=taken_when(reading.taken_at, now),
        photos={} if again else _used(records, reading.photo_sha256),
        checks=lot_scores(records, reading.lot),
        # A photo of the page's queue is entered under the time at which it came.
        clock=None if again or context.job is not None else _clock(records, now),
    )


def _clock(records: Records, now: datetime) -> Shown | None:
    """Say how the clock stands to the last entry, where it did not run on."""
    last = records.entries(superseded=True, limit=1)
    return clock_step(last[0].at, now) if last else None


def history_for_entered(
    records: Records, context: SampleContext, method: Method, *, analyte: str, now: datetime, at: datetime
) -> History:
    """Gather what the rules may look back on of one analyte that was read at a time by other means than a strip."""
    return _history(records, context, now=now, at=at, method=method, analyte=analyte)


def _history(
    records: Records,
    context: SampleContext,
    *,
    now: datetime,
    at: datetime,
    method: Method = _STRIP,
    analyte: str | None = None,
    photos: Mapping[str, Shown] | None = None,
    checks: tuple[float, ...] | None = None,
    clock: Shown | None = None,
) -> History:
    point = None if context.point is None else _point(records, context.point)
    batch = None if context.batch is None else find_batch(records, context.batch)
    return History(
        now=now,
        at=at,
        point=None if point is None else _known(point),
        flushed_s=context.flushed_s,
        method=method,
        same_point=_same_point(records, context, method, at=at, analyte=analyte),
        lately=_lately(records, at=at),
        other_methods=_other_methods(records, context, method, at=at),
        photos=photos or {},
        checks=checks,
        recipe=None if batch is None else _recipe(records, batch, at=at),
        forecast=None if batch is None else batch_forecast(records, batch, context.sample, at=at),
        line=None if point is None else _line(records, point, context, method, at=at),
        clock_step=clock,
        not_over=None if point is None else _not_over(records, point, at=at),
    )


def _not_over(records: Records, point: PointEntry, *, at: datetime) -> Shown | None:
    """Return the latest event of a point's line, or of no line, whose checks were not all ticked by then."""
    if point.before_injector or not noted_events(records):
        return None
    site = load_site(records.folder)
    line = line_of(site, point)
    if line is None:
        return None
    own = [one for one in open_events(records, site.events, until=at) if one.note.said.line in (None, line)]
    if not own:
        return None
    return Message(
        "%(type)s of %(when)s: not ticked yet: %(checks)s",
        type=Message(own[-1].note.said.type or "event"),
        when=when_noted(own[-1].note).isoformat(sep=" ", timespec="minutes")[:16],
        checks=", ".join(own[-1].missing),
    )


def _used(records: Records, photo_sha256: str) -> dict[str, Shown]:
    """Tell where a photo was used before; empty where it was not."""
    found = [e for e in records.with_file(photo_sha256) if e.kind == "reading" and not e.withdrawn]
    words = joined(
        Message("entry %(seq)s (%(point)s)", seq=e.seq, point=e.payload.get("point") or Message("no point"))
        for e in found
    )
    return {photo_sha256: words} if found else {}


def _known(point: PointEntry) -> Point:
    flush_s = 60.0 * (point.flush_min or 0.0)
    return Point(name=point.name, flush_s=flush_s, before_injector=point.before_injector)


def _point(records: Records, name: str) -> PointEntry | None:
    found = [entry for entry in records.entries(kind="point", subject=name, limit=1) if not entry.withdrawn]
    return from_payload(PointEntry, found[0].payload) if found else None


def _same_point(
    records: Records, context: SampleContext, method: Method, *, at: datetime, analyte: str | None
) -> tuple[PastReading, ...]:
    """Return earlier readings by the same means: what two means are off by must not look like a jump or a drift."""
    if context.point is None:
        return ()
    wanted = ReadingFilter(point=context.point, sample=context.sample.name, analyte=analyte, method=method.by, until=at)
    found = records.readings(wanted, limit=_SAME_POINT)
    return tuple(past for r in reversed(found) for past in _past(r))


def _lately(records: Records, *, at: datetime) -> tuple[PastReading, ...]:
    """Return the strips of the last hours; whoever holds a meter may have a strip lying beside it."""
    wanted = ReadingFilter(method="strip", since=at - _LATELY, until=at)
    return tuple(past for r in records.readings(wanted) for past in _past(r))


def _other_methods(
    records: Records, context: SampleContext, method: Method, *, at: datetime
) -> tuple[PastReading, ...]:
    """Return good readings of this very sample by other means, the nearest in time first."""
    if context.point is None:
        return ()
    wanted = ReadingFilter(
        point=context.point, sample=context.sample.name, validity="valid", since=at - SAME_SAMPLE,
        until=at + SAME_SAMPLE,
    )  # fmt: skip
    found = [r for r in records.readings(wanted, limit=_SAME_POINT) if r.method.by != method.by]
    return tuple(past for r in sorted(found, key=lambda r: abs(r.when - at)) for past in _past(r))


def _past(reading: RecordedReading) -> Iterable[PastReading]:
    for index, pad in enumerate(reading.pads):
        yield PastReading(
            name=f"entry {reading.entry.seq}",
            at=reading.when,
            point=reading.point,
            sample=reading.sample,
            analyte=pad.analyte,
            unit=pad.unit,
            value=pad.value,
            u=pad.u,
            valid=reading.validity == "valid",
            interval=None if pad.value is None and pad.limit_value is None else (pad.low, pad.high),
            censored="below" if pad.censored == "below" else "above" if pad.censored == "above" else None,
            limit=None if pad.limit_value is None else _limit(reading, index, pad.limit_value),
            degrees_of_freedom=pad.degrees_of_freedom,
            method=reading.method,
        )


def _limit(reading: RecordedReading, index: int, value: float) -> Limit:
    """Return a pad's bound with its name, which only the payload has."""
    said = reading.entry.payload["pads"][index].get("limit") or {}
    return Limit(name=str(said.get("name", "LOQ")), value=value)


def _recipe(records: Records, batch: Batch, *, at: datetime) -> Recipe | None:
    """Return what a batch should be until it is read first: later it is its own readings that predict it."""
    if batch_readings(records, batch, until=at):
        return None
    strength = expected_strength(records, batch)
    if strength is None:
        return None
    return Recipe(
        value=strength.value,
        u=strength.u,
        words=_made_of(batch),
        degrees_of_freedom=strength.degrees_of_freedom,
        quantiles=strength.quantiles,
    )


def _made_of(batch: Batch) -> Message:
    if not batch.parts and of_example(batch.source):
        return Message("%(batch)s by an invented sachet's example figures", batch=batch.id)
    if not batch.parts:
        return Message("%(batch)s as it was made", batch=batch.id)
    parts = tuple(
        Message("%(volume)s of %(batch)s", volume=Volume(part.volume_l), batch=part.batch or Message("a solution"))
        for part in batch.parts
    )
    return Message(
        "%(batch)s, %(parts)s in %(volume)s of water",
        batch=batch.id,
        parts=Joined(parts, ", ", Message("and")),
        volume=Volume(batch.water_l),
    )


def _line(records: Records, point: PointEntry, context: SampleContext, method: Method, *, at: datetime) -> Line | None:
    """Return the outlet before this one as it was read today, and what was left between both on earlier days.

    All by the same means, of the analyte that the sample is judged by.
    """
    if point.line is None or point.order is None:
        return None
    others = [p.said for p in records.points() if p.said.line == point.line and p.said.order is not None]
    nearer = [p for p in others if p.order is not None and p.order < point.order]
    if not nearer:
        return None
    before = max(nearer, key=lambda p: p.order or 0)
    analyte = context.sample.main.analyte.casefold()
    alike = ReadingFilter(method=method.by, until=at)
    upstream = _by_day(records.readings(replace(alike, point=before.name), limit=_ON_LINE), analyte)
    today = upstream.pop(at.date(), None)
    if today is None:
        return None
    here = _by_day(records.readings(replace(alike, point=point.name), limit=_ON_LINE), analyte)
    days = [(day, upstream[day]) for day in sorted(upstream) if day in here]
    usual = [(here[day].value or 0.0) / first.value for day, first in days if first.value]
    return Line(before=today, usual_left=tuple(usual))


def _by_day(readings: Sequence[RecordedReading], analyte: str) -> dict[date, PastReading]:
    """Return the latest valid reading of an analyte on each day, by its date."""
    found: dict[date, PastReading] = {}
    for reading in reversed(readings):
        past = next((one for one in _past(reading) if one.analyte.casefold() == analyte), None)
        if past is not None and past.valid and past.value is not None:
            found[reading.when.date()] = past
    return found
