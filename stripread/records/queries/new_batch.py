"""A batch about to be entered: completed by what site and record know, and refused where it cannot have been so."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

from stripread.errors import RecordsError
from stripread.i18n import Message, Number
from stripread.records.chain.entries import Batch, Entry, Part, Stamp, from_payload, to_payload
from stripread.records.queries.batches import find_batch
from stripread.records.queries.strengths import as_expected, entered_strength, with_expected
from stripread.records.queries.tanks import batch_left
from stripread.records.store import Records
from stripread.site import Site
from stripread.units import Measured, propagate

__all__ = ["complete_batch", "correct_batch", "enter_batch"]

_CLOCKS = timedelta(minutes=5)  # clocks may differ by so much


def complete_batch(records: Records, site: Site, batch: Batch) -> Batch:
    """Return a batch with its tank's cover, where it says none, and what mass balance gives."""
    tank = site.supply.tanks.get(batch.tank or "")
    if batch.cover is None and tank is not None:
        batch = replace(batch, cover=tank.cover)
    return with_expected(records, batch)


def enter_batch(records: Records, site: Site, batch: Batch, stamp: Stamp) -> Entry:
    """Enter a batch that is complete.

    Raises
    ------
    RecordsError
        If it lies ahead, is older than what it is made of, takes more of that than there was, or cannot be entered
        (`Records.add_batch`).
    """
    if batch.made_at > stamp.at + _CLOCKS:
        raise RecordsError(
            expected=Message("a time when it was made, until now"),
            found=Message("%(when)s, which lies ahead", when=_minute(batch)),
            remedy=Message("Correct the time."),
        )
    _check_parts(records, site, batch)
    return records.add_batch(batch, stamp)


def correct_batch(
    records: Records, site: Site, entry: Entry, *, changes: Mapping[str, Any], why: str, stamp: Stamp
) -> Entry:
    """Correct fields of a batch; what was derived from a volume is derived again.

    Raises
    ------
    RecordsError
        If a strength is put in by hand without a note that says where it is from, or the batch cannot have been so.
    """
    by_hand = "expected_mg_per_l" in changes
    if by_hand and not changes.get("note"):
        raise RecordsError(
            expected=Message("a note that says where the strength is from"),
            found=Message("a strength put in the place of what the recipe gives, without one"),
            remedy=Message("Add --set note=..., or correct the volumes: the strength then follows."),
        )
    old = from_payload(Batch, entry.payload)
    new = from_payload(Batch, {**entry.payload, **changes})
    if by_hand:
        derived = {"expected_by_hand": True, "expected_interval": None}
    else:
        _check_parts(records, site, new, but=old)
        again = to_payload(_derived(records, old, new))
        derived = {key: again[key] for key in _DERIVED if again[key] != entry.payload.get(key)}
    return records.correct(entry.seq, why=why, changes={**derived, **changes}, stamp=stamp)


_DERIVED = ("expected_mg_per_l", "u_expected_mg_per_l", "expected_interval")


def _derived(records: Records, old: Batch, new: Batch) -> Batch:
    """Return a corrected batch with the strength that follows from its volumes."""
    before = entered_strength(old)
    if new.parts or before is None or new.expected_by_hand or old.water_l <= 0 or new.water_l <= 0:
        return with_expected(records, new)
    # The same mass in other water: the part of its uncertainty that was the water's is taken out and put in anew.
    was, now = (one.u_water_l / one.water_l for one in (old, new))
    share = max((before.u / before.value) ** 2 - was**2, 0.0) if before.value > 0 else 0.0
    mass, water = before.value * old.water_l, Measured(new.water_l, now * new.water_l)
    strength = propagate(lambda given, litres: given / litres, Measured(mass, mass * share**0.5), water)
    return as_expected(new, strength)


def _check_parts(records: Records, site: Site, batch: Batch, *, but: Batch | None = None) -> None:
    """Refuse parts that there cannot have been; ``but`` is the batch as it stands in the record so far."""
    for part in batch.parts:
        made_of = None if part.batch is None else find_batch(records, part.batch)
        if made_of is not None:
            had = 0.0 if but is None else sum(one.volume_l for one in but.parts if one.batch == part.batch)
            _check_part(records, site, batch, made_of, replace(part, volume_l=part.volume_l - had))


def _check_part(records: Records, site: Site, batch: Batch, made_of: Batch, part: Part) -> None:
    if made_of.made_at > batch.made_at:
        raise RecordsError(
            expected=Message("a time after %(made)s, when %(batch)s was made", made=_minute(made_of), batch=made_of.id),
            found=Message("%(made)s for %(batch)s, which is made of it", made=_minute(batch), batch=batch.id),
            remedy=Message("Correct one of the two times."),
        )
    left = batch_left(records, made_of, at=batch.made_at, site=site).volume_l
    most = left.interval[1]
    if most is not None and part.volume_l > max(most, 1.001 * left.value, 0.0):
        raise RecordsError(
            expected=Message(
                "at most the %(left)s L that are left of %(batch)s", left=Number(left.value, ".3g"), batch=made_of.id
            ),
            found=Message("%(volume)s L taken from it", volume=Number(part.volume_l, ".3g")),
            remedy=Message("Correct the volume, or first what was entered of %(batch)s.", batch=made_of.id),
        )


def _minute(batch: Batch) -> str:
    return batch.made_at.isoformat(sep=" ", timespec="minutes")[:16]
