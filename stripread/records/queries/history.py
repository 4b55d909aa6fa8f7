"""What the record knows that bears on a new reading: the facts that the rules which look back are given."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from stripread.check.history import Forecast, History, Line, PastReading, Point, Recipe
from stripread.errors import WaterError
from stripread.i18n import Joined, Message
from stripread.lot.lot import Lot
from stripread.lot.record import CheckRow, chart_scores, load_record
from stripread.records.chain import entries as said
from stripread.records.queries.readings import RecordedReading
from stripread.records.store import Records
from stripread.site import SampleType
from stripread.units import Measured
from stripread.units.amounts import Volume
from stripread.water.decay import COVERS, LossFit, Timed, fit_loss, strength_at, time_until
from stripread.water.dilution import mix

__all__ = [
    "Occasion",
    "batch_forecast",
    "batch_of",
    "batch_readings",
    "check_rows",
    "expected_strength",
    "find_batch",
    "history_of",
    "lot_scores",
    "taken_when",
    "with_expected",
]

_SAME_POINT, _OF_BATCH, _ON_LINE = 60, 200, 60  # the latest readings that are looked at
_LATELY = timedelta(hours=3)
_CLOCKS = timedelta(days=1)  # a phone may be set to another zone than whoever entered the batch
# Which batches a sample type is taken from, by the sample's name.
_MADE_BY = {"concentrate": ("concentrate",), "stock": ("stock", "top-up")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Occasion:
    """A reading about to be judged: where, of what, when, with which strip.

    Attributes
    ----------
    at, now : datetime
        When the sample was taken and when it is judged, both with a zone.
    flushed_s : float or None
    batch : str or None
        The batch that the sample is of (`batch_of`).
    again : bool
        Whether a photo of the record is read again, and so is in it by right.
    """

    point: str | None
    sample: SampleType
    lot: Lot
    photo_sha256: str
    at: datetime
    now: datetime
    flushed_s: float | None = None
    batch: str | None = None
    again: bool = False


def taken_when(taken_at: datetime | None, now: datetime) -> datetime:
    """Return when a photo was taken, in the zone of ``now`` where the phone noted none; ``now`` where it is unknown."""
    if taken_at is None:
        return now
    return taken_at if taken_at.tzinfo is not None else taken_at.replace(tzinfo=now.tzinfo)


def batch_of(records: Records, sample: SampleType, *, at: datetime) -> str | None:
    """Return the latest batch made by then that a sample of this type is of; None where there is none."""
    kinds = _MADE_BY.get(sample.name, ())
    made = [b.said for b in records.batches(limit=_OF_BATCH) if b.said.kind in kinds and b.said.made_at <= at]
    return max(made, key=lambda batch: batch.made_at).id if made else None


def history_of(records: Records, occasion: Occasion) -> History:
    """Gather what the rules may look back on; what the record does not know is left empty."""
    point = None if occasion.point is None else _point(records, occasion.point)
    batch = None if occasion.batch is None else find_batch(records, occasion.batch)
    return History(
        now=occasion.now,
        at=occasion.at,
        point=None if point is None else _known(point),
        flushed_s=occasion.flushed_s,
        same_point=_same_point(records, occasion),
        lately=tuple(
            past for r in records.readings(since=occasion.at - _LATELY, until=occasion.at) for past in _past(r)
        ),
        photos={} if occasion.again else _used(records, occasion.photo_sha256),
        checks=lot_scores(records, occasion.lot),
        recipe=None if batch is None else _recipe(records, batch, at=occasion.at),
        forecast=None if batch is None else batch_forecast(records, batch, occasion.sample, at=occasion.at),
        line=None if point is None else _line(records, point, occasion),
    )


def _used(records: Records, photo_sha256: str) -> dict[str, str]:
    """Tell where a photo was used before; empty where it was not."""
    found = [e for e in records.with_file(photo_sha256) if e.kind == "reading" and not e.withdrawn]
    words = ", ".join(f"entry {e.seq} ({e.payload.get('point') or 'no point'})" for e in found)
    return {photo_sha256: words} if found else {}


def _known(point: said.Point) -> Point:
    flush_s = 60.0 * (point.flush_min or 0.0)
    return Point(name=point.name, flush_s=flush_s, before_injector=point.before_injector)


def _point(records: Records, name: str) -> said.Point | None:
    found = [entry for entry in records.entries(kind="point", subject=name, limit=1) if not entry.withdrawn]
    return said.from_payload(said.Point, found[0].payload) if found else None


def find_batch(records: Records, name: str) -> said.Batch | None:
    """Return a batch of the record by its id; None where there is none, or it was withdrawn."""
    found = [entry for entry in records.entries(kind="batch", subject=name, limit=1) if not entry.withdrawn]
    return said.from_payload(said.Batch, found[0].payload) if found else None


def _same_point(records: Records, occasion: Occasion) -> tuple[PastReading, ...]:
    if occasion.point is None:
        return ()
    found = records.readings(point=occasion.point, sample=occasion.sample.name, until=occasion.at, limit=_SAME_POINT)
    return tuple(past for r in reversed(found) for past in _past(r))


def _past(reading: RecordedReading) -> Iterable[PastReading]:
    for pad in reading.pads:
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
        )


def lot_scores(records: Records, lot: Lot) -> tuple[float, ...] | None:
    """Scores of the lot's check standards in this calibration; None where the record keeps no checks at all."""
    if not records.check_standards(limit=1):
        return None
    rows = check_rows(records, lot.number)
    return tuple(chart_scores(rows, pad=lot.pads[0].pad, lot_sha256=lot.sha256))


def check_rows(records: Records, lot: str) -> list[CheckRow]:
    """Return the checks of a lot that the record knows of, the earliest first, from the lot's own file of checks."""
    own = [check.said for check in records.check_standards(lot=lot, limit=_OF_BATCH)]
    wanted = {(check.photo_sha256, check.lot_sha256, check.pad) for check in own}
    rows: list[CheckRow] = []
    for file in sorted({check.file for check in own}):
        rows += [r for r in load_record(records.folder / file) if (r.photo_sha256, r.lot_sha256, r.pad) in wanted]
    return sorted(rows, key=lambda row: row.when)


def batch_readings(
    records: Records, batch: said.Batch, *, until: datetime | None = None
) -> list[tuple[datetime, Measured]]:
    """Return the valid readings of a batch with their times, the earliest first."""
    found = records.readings(validity="valid", since=batch.made_at - _CLOCKS, until=until, limit=_OF_BATCH)
    return [
        (reading.when, Measured(reading.main.value, reading.main.u))
        for reading in reversed(found)
        if reading.entry.payload.get("how", {}).get("batch") == batch.id
        and reading.main.value is not None
        and reading.main.u is not None
    ]


def expected_strength(records: Records, batch: said.Batch) -> Measured | None:
    """Return what a batch must be by mass balance of its parts as they were when mixed, else as it was entered.

    What a part was then follows from its readings and what is lost in between (`water.decay`).
    """
    strengths = [_strength(records, part, at=batch.made_at) for part in batch.parts]
    known = [s for s in strengths if s is not None]
    if batch.parts and len(known) == len(strengths):
        parts = [
            (Measured(part.volume_l, part.u_volume_l), strength)
            for part, strength in zip(batch.parts, known, strict=True)
        ]
        return mix(*parts, (Measured(batch.water_l, batch.u_water_l), Measured(0.0)))
    if batch.expected_mg_per_l is None or batch.u_expected_mg_per_l is None:
        return None
    return Measured(batch.expected_mg_per_l, batch.u_expected_mg_per_l)


def with_expected(records: Records, batch: said.Batch) -> said.Batch:
    """Return a batch about to be entered with the strength that mass balance gives, where its parts are known."""
    strength = expected_strength(records, batch)
    if strength is None:
        return batch
    return replace(batch, expected_mg_per_l=strength.value, u_expected_mg_per_l=strength.u)


def _recipe(records: Records, batch: said.Batch, *, at: datetime) -> Recipe | None:
    """Return what a batch should be until it is read first: later it is its own readings that foretell it."""
    if batch_readings(records, batch, until=at):
        return None
    strength = expected_strength(records, batch)
    if strength is None:
        return None
    if not batch.parts:
        return Recipe(value=strength.value, u=strength.u, words=Message("%(batch)s as it was made", batch=batch.id))
    parts = [
        Message("%(volume)s of %(batch)s", volume=Volume(part.volume_l), batch=part.batch or Message("a solution"))
        for part in batch.parts
    ]
    words = Message(
        "%(batch)s, %(parts)s in %(volume)s of water",
        batch=batch.id,
        parts=Joined(tuple(parts), ", ", Message("and")),
        volume=Volume(batch.water_l),
    )
    return Recipe(value=strength.value, u=strength.u, words=words)


def _strength(records: Records, part: said.Part, *, at: datetime) -> Measured | None:
    batch = None if part.batch is None else find_batch(records, part.batch)
    if batch is None:
        return None
    # What was read later says nothing new of what was poured then, unless nothing was read before.
    fit = (_fit(records, batch, until=at) or _fit(records, batch)) if at >= batch.made_at else None
    if fit is not None:
        return strength_at(fit, _hours(batch, at))
    if batch.expected_mg_per_l is None or batch.u_expected_mg_per_l is None:
        return None
    return Measured(batch.expected_mg_per_l, batch.u_expected_mg_per_l)


def batch_forecast(records: Records, batch: said.Batch, sample: SampleType, *, at: datetime) -> Forecast | None:
    """Return what the batch should still have, by its own earlier readings and its tank's cover."""
    fit = None if at < batch.made_at else _fit(records, batch, until=at)
    if fit is None:
        return None
    now = strength_at(fit, _hours(batch, at))
    low = sample.main.low
    until = None if low <= 0 else time_until(fit, limit_mg_per_l=low).value
    # Weak from the start: it was never good.
    use_until = None if until is None or until > 24 * 365 else batch.made_at + timedelta(hours=max(until, 0.0))
    return Forecast(value=now.value, u=now.u, made_at=batch.made_at, use_until=use_until)


def _fit(records: Records, batch: said.Batch, *, until: datetime | None = None) -> LossFit | None:
    """Return a batch's loss of strength by its own readings and its tank's cover; None where they are too few."""
    read = [Timed(_hours(batch, when), strength) for when, strength in batch_readings(records, batch, until=until)]
    try:
        return fit_loss(read, prior=COVERS.get(batch.cover or ""))
    except WaterError:
        return None


def _hours(batch: said.Batch, at: datetime) -> float:
    return (at - batch.made_at).total_seconds() / 3600


def _line(records: Records, point: said.Point, occasion: Occasion) -> Line | None:
    """Return the outlet before this one as it was read today, and what was left between both on earlier days."""
    if point.line is None or point.order is None:
        return None
    others = [p.said for p in records.points() if p.said.line == point.line and p.said.order is not None]
    nearer = [p for p in others if p.order is not None and p.order < point.order]
    if not nearer:
        return None
    before = max(nearer, key=lambda p: p.order or 0)
    upstream = _by_day(records.readings(point=before.name, until=occasion.at, limit=_ON_LINE))
    today = upstream.pop(occasion.at.date(), None)
    if today is None:
        return None
    here = _by_day(records.readings(point=point.name, until=occasion.at, limit=_ON_LINE))
    days = [(day, upstream[day]) for day in sorted(upstream) if day in here]
    usual = [(here[day].value or 0.0) / first.value for day, first in days if first.value]
    return Line(before=today, usual_left=tuple(usual))


def _by_day(readings: Sequence[RecordedReading]) -> dict[date, PastReading]:
    """Return the latest valid reading of the main analyte on each day, by its date."""
    found: dict[date, PastReading] = {}
    for reading in reversed(readings):
        past = next(iter(_past(reading)))
        if past.valid and past.value is not None:
            found[reading.when.date()] = past
    return found
