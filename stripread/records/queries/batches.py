"""What the record knows of batches: which one a sample is of, what it was read as, should be, and should still have."""

from dataclasses import replace
from datetime import datetime, timedelta

from stripread.check import Forecast, plain_unit
from stripread.errors import WaterError
from stripread.records.chain import entries as said
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.store import Records
from stripread.site import SampleType
from stripread.units import Measured
from stripread.water import COVERS, LossFit, Timed, fit_loss, mix, strength_at, time_until

__all__ = [
    "batch_forecast",
    "batch_of",
    "batch_readings",
    "expected_strength",
    "find_batch",
    "with_expected",
]

_OF_BATCH = 200  # the latest readings, and batches, that are looked at
_CLOCKS = timedelta(days=1)  # a phone may be set to another zone than whoever entered the batch
# Which entries make a batch of the kind that a sample type names.
_MADE_BY = {"concentrate": ("concentrate",), "stock": ("stock", "top-up")}


def batch_of(records: Records, sample: SampleType, *, at: datetime) -> str | None:
    """Return the latest batch made by then that a sample of this type is of; None where there is none."""
    kinds = () if sample.batch is None else _MADE_BY[sample.batch]
    made = [b.said for b in records.batches(limit=_OF_BATCH) if b.said.kind in kinds and b.said.made_at <= at]
    return max(made, key=lambda batch: batch.made_at).id if made else None


def find_batch(records: Records, name: str) -> said.Batch | None:
    """Return a batch of the record by its id; None where there is none, or it was withdrawn."""
    found = [entry for entry in records.entries(kind="batch", subject=name, limit=1) if not entry.withdrawn]
    return said.from_payload(said.Batch, found[0].payload) if found else None


def batch_readings(
    records: Records, batch: said.Batch, *, until: datetime | None = None
) -> list[tuple[datetime, Measured]]:
    """Return the valid readings of a batch with their times, the earliest first."""
    wanted = ReadingFilter(validity="valid", since=batch.made_at - _CLOCKS, until=until)
    found = records.readings(wanted, limit=_OF_BATCH)
    own = [r for r in reversed(found) if r.entry.payload.get("how", {}).get("batch") == batch.id]
    strengths = [(reading.when, _strength_read(reading)) for reading in own]
    return [(when, strength) for when, strength in strengths if strength is not None]


def _strength_read(reading: RecordedReading) -> Measured | None:
    """Return the number [mg/L] of the analyte that the sample is judged by, whether a strip or a meter gave it."""
    pad = reading.judged
    stated = None if pad is None or plain_unit(pad.unit) != "mg/l" else pad.stated
    return None if stated is None else stated.number


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


def _strength(records: Records, part: said.Part, *, at: datetime) -> Measured | None:
    batch = None if part.batch is None else find_batch(records, part.batch)
    if batch is None:
        return None
    # What was read later says nothing new of what was poured then, unless nothing was read before.
    fit = (_fit(records, batch, until=at) or _fit(records, batch)) if at >= batch.made_at else None
    if fit is not None:
        return strength_at(fit, _hours(batch, at), most_mg_per_l=_most(batch))
    if batch.expected_mg_per_l is None or batch.u_expected_mg_per_l is None:
        return None
    return Measured(batch.expected_mg_per_l, batch.u_expected_mg_per_l)


def _most(batch: said.Batch) -> float | None:
    """Return the most that a batch can have had when it was made, by what went in; None where nobody knows."""
    if batch.expected_mg_per_l is None or batch.u_expected_mg_per_l is None:
        return None
    return Measured(batch.expected_mg_per_l, batch.u_expected_mg_per_l).interval[1]


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
    return Forecast(value=now.value, u=now.u, made_at=batch.made_at, use_until=use_until, quantiles=now.quantiles)


def _fit(records: Records, batch: said.Batch, *, until: datetime | None = None) -> LossFit | None:
    """Return a batch's loss of strength by its own readings and its tank's cover; None where they are too few."""
    read = [Timed(_hours(batch, when), strength) for when, strength in batch_readings(records, batch, until=until)]
    try:
        return fit_loss(read, prior=COVERS.get(batch.cover or ""))
    except WaterError:
        return None


def _hours(batch: said.Batch, at: datetime) -> float:
    return (at - batch.made_at).total_seconds() / 3600
