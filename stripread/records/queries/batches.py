"""The batches of the record and their readings."""

import math
from datetime import datetime, timedelta

from stripread.check import plain_unit
from stripread.records.chain import entries as said
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.store import Records
from stripread.units import Measured

__all__ = ["batch_readings", "find_batch", "latest_batches", "readings_of_batch", "strength_read", "warmth_of_batch"]

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


_SWING_C = 3.0  # of a tank between day and night, and from one weather to the next, about what was measured. Ours
_LIQUID_C = (0.0, 40.0)


def warmth_of_batch(records: Records, batch: said.Batch, *, until: datetime | None = None) -> Measured | None:
    """Return the temperature [C] that was measured in a batch, mean of its valid readings; None where there is none."""
    wanted = ReadingFilter(validity="valid", analyte="temperature", since=batch.made_at - _CLOCKS, until=until)
    found = records.readings(wanted, limit=_OF_BATCH)
    own = (r.main for r in found if r.entry.payload.get("how", {}).get("batch") == batch.id)
    read = [pad for pad in own if pad.value is not None and pad.unit == "C"]
    usable = [pad for pad in read if pad.value is not None and _LIQUID_C[0] <= pad.value <= _LIQUID_C[1]]
    if not usable:
        return None
    mean = sum(pad.value or 0.0 for pad in usable) / len(usable)
    u = max(pad.u or 0.0 for pad in usable)  # one thermometer: it does not average out
    return Measured(mean, math.hypot(u, _SWING_C))


def strength_read(reading: RecordedReading) -> Measured | None:
    """Return the number [mg/L] of the analyte that the sample is judged by, whether a strip or a meter gave it."""
    pad = reading.judged
    stated = None if pad is None or plain_unit(pad.unit) != "mg/l" else pad.stated
    return None if stated is None else stated.number
