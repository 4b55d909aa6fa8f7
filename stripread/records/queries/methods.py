"""One sample read by two means, such as a strip and a meter: the pairs among readings, and how far they differ."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from stripread.check import DIFFER, SAME_SAMPLE, plain_unit, probability_alike, zeta_score
from stripread.records.queries.readings import RecordedPad, RecordedReading

__all__ = ["MethodPair", "method_pairs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodPair:
    """Two good readings of one analyte of one sample by two means; the strip, or else the earlier one, is the first.

    Attributes
    ----------
    zeta : float or None
        Second minus first over the standard uncertainty of the difference; None where one is but a bound.
    differ : bool
        Whether they cannot both be right (`check.methods`).
    """

    first: RecordedReading
    second: RecordedReading
    pads: tuple[RecordedPad, RecordedPad]
    zeta: float | None
    differ: bool


def method_pairs(readings: Sequence[RecordedReading]) -> tuple[MethodPair, ...]:
    """Return the pairs among readings, which come the earliest first: each with the nearest before it by each means."""
    return tuple(pair for index in range(len(readings)) for pair in _pairs_of(readings, index))


def _pairs_of(readings: Sequence[RecordedReading], index: int) -> Iterator[MethodPair]:
    one, found = readings[index], set[tuple[str, str]]()
    for before in range(index - 1, -1, -1):
        other = readings[before]
        if one.when - other.when > SAME_SAMPLE:
            return
        good = one.validity != "invalid" and other.validity != "invalid" and one.point is not None
        alike = (one.point, one.sample) == (other.point, other.sample) and one.method.by != other.method.by
        for pad in other.pads if good and alike else ():
            own = next((p for p in one.pads if _same(p, pad)), None)
            key = (other.method.by, pad.analyte.casefold())
            if own is not None and key not in found and own.stated is not None and pad.stated is not None:
                found.add(key)
                yield _pair((other, pad), (one, own))


def _same(one: RecordedPad, other: RecordedPad) -> bool:
    return (one.analyte.casefold(), plain_unit(one.unit)) == (other.analyte.casefold(), plain_unit(other.unit))


def _pair(early: tuple[RecordedReading, RecordedPad], late: tuple[RecordedReading, RecordedPad]) -> MethodPair:
    first, second = (late, early) if late[0].method.is_strip else (early, late)
    stated = first[1].stated, second[1].stated
    assert stated[0] is not None
    assert stated[1] is not None
    return MethodPair(
        first=first[0],
        second=second[0],
        pads=(first[1], second[1]),
        zeta=zeta_score(stated[0], stated[1]),
        differ=probability_alike(stated[0], stated[1]) < DIFFER,
    )
