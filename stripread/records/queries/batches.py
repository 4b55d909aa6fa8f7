"""The batches of the record and their readings."""

from datetime import datetime, timedelta

from stripread.check import plain_unit
from stripread.records.chain import entries as said
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.store import Records
from stripread.units import Measured

__all__ = ["batch_readings", "find_batch", "latest_batches", "readings_of_batch", "strength_read"]

_OF_BATCH = 200  # the latest readings, and batches, that are looked at
_CLOCKS = timedelta(days=1)  # a phone may be set to another zone than whoever entered the batch


def find_batch(records: Records, name: str) -> said.Batch | None:
    """Return a batch of the record by its id; None where there is none, or it was withdrawn."""
    found = [entry for entry in records.entries(kind="batch", subject=name, limit=1) if not entry.withdrawn]
    return said.from_payload(said.Batch, found[0].payload) if found else None


def latest_batches(records: Records, *, until: datetime) -> list[said.Batch]:
    """Return the batches made until then, the latest made first."""
    made = [b.said for b in records.batches(limit=_OF_BATCH) if b.said.made_at <= until]
    return sorted(made, key=lambda batch: batch.made_at, reverse=True)


def readings_of_batch(records: Records, batch: said.Batch, *, until: datetime | None = None) -> list[RecordedReading]:
    """Return the valid readings of a batch that give its strength, the earliest first."""
    wanted = ReadingFilter(validity="valid", since=batch.made_at - _CLOCKS, until=until)
    found = records.readings(wanted, limit=_OF_BATCH)
    own = (r for r in reversed(found) if r.entry.payload.get("how", {}).get("batch") == batch.id)
    return [reading for reading in own if strength_read(reading) is not None]


def batch_readings(
    records: Records, batch: said.Batch, *, until: datetime | None = None
) -> list[tuple[datetime, Measured]]:
    """Return the strengths [mg/L] that a batch was read as with their times, the earliest first."""
    strengths = [(r.when, strength_read(r)) for r in readings_of_batch(records, batch, until=until)]
    return [(when, strength) for when, strength in strengths if strength is not None]


def strength_read(reading: RecordedReading) -> Measured | None:
    """Return the number [mg/L] of the analyte that the sample is judged by, whether a strip or a meter gave it."""
    pad = reading.judged
    stated = None if pad is None or plain_unit(pad.unit) != "mg/l" else pad.stated
    return None if stated is None else stated.number
