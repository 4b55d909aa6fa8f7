"""One sample read by two means, such as a strip and a meter: whether both can be right."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from stripread.check.case import ReadAnalyte, SampleCase
from stripread.check.expected import reported
from stripread.findings import Finding, make_finding
from stripread.i18n import Message, Number
from stripread.units import Measured, difference

__all__ = ["DIFFER", "SAME_SAMPLE", "Stated", "methods_differ", "plain_unit", "probability_alike", "zeta_score"]

SAME_SAMPLE = timedelta(minutes=30)
"""Ours: two readings of a point so near in time are of one sample; a strip waits, and a burette takes its time."""

DIFFER = 0.01
"""Chance that two good readings are called different: ours, as for replicates and a recipe that cannot be right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What a reading states of an analyte: a number, or that it lies under or over a bound."""

    number: Measured | None = None
    under: float | None = None
    over: float | None = None


def zeta_score(first: Stated, second: Stated) -> float | None:
    """Return second minus first over the uncertainty of the difference; None unless both are numbers.

    References
    ----------
    .. [1] ISO 13528, zeta score: (x1 - x2) / sqrt(u1^2 + u2^2), standard uncertainties. Its E_n is the same with
       expanded ones (k = 2), and so half of it.
    """
    if first.number is None or second.number is None:
        return None
    return difference(first.number, second.number).z


def probability_alike(first: Stated, second: Stated) -> float:
    """Return the probability of a difference at least as large, if both are right.

    A bound is taken as it stands: what lies on its right side agrees, whatever it is.
    """
    if first.number is not None and second.number is not None:
        return difference(first.number, second.number).probability
    if first.number is None and second.number is None:
        return float(not (_apart(first, second) or _apart(second, first)))
    number, bound = (first.number, second) if first.number is not None else (second.number, first)
    if number is None:  # for the type: one of both is a number here
        return 1.0
    if bound.under is not None and number.value > bound.under:
        return difference(Measured(bound.under), number).probability
    if bound.over is not None and number.value < bound.over:
        return difference(Measured(bound.over), number).probability
    return 1.0


def _apart(low: Stated, high: Stated) -> bool:
    return low.under is not None and high.over is not None and high.over > low.under


def methods_differ(case: SampleCase) -> Iterator[Finding]:
    """Tell of a reading by other means, of the same sample, that cannot be right beside this one."""
    history, own = case.history, _stated(case.pad)
    if history is None or own is None:
        return
    for other in history.other_methods:
        same = other.analyte.casefold() == case.pad.analyte.casefold()
        theirs = _stated(other)
        if not same or plain_unit(other.unit) != plain_unit(case.pad.unit) or theirs is None:
            continue
        if probability_alike(theirs, own) >= DIFFER:
            continue
        score = zeta_score(theirs, own)
        words = {
            "reading": reported(case.pad), "method": history.method.words, "other": other.method.words,
            "before": reported(other), "name": other.name, "minutes": _minutes(history.at, other.at),
        }  # fmt: skip
        yield make_finding(
            "methods_differ",
            Message("%(reading)s by %(method)s; %(before)s by %(other)s (%(name)s, %(minutes)s min apart).", **words)
            if score is None
            else Message(
                "%(reading)s by %(method)s; %(before)s by %(other)s (%(name)s, %(minutes)s min apart): they lie "
                "%(zeta)s standard uncertainties of their difference apart.",
                **words,
                zeta=Number(abs(score), ".1f"),
            ),
        )
        return


def _minutes(one: datetime, other: datetime) -> Number:
    return Number(abs((one - other).total_seconds()) / 60, ".0f")


def _stated(pad: ReadAnalyte) -> Stated | None:
    if pad.value is not None and pad.standard_uncertainty is not None:
        return Stated(number=Measured(pad.value, pad.standard_uncertainty, degrees_of_freedom=pad.degrees_of_freedom))
    return None if pad.limit is None else _bound(pad.censored, pad.limit.value)


def _bound(censored: str | None, limit: float) -> Stated | None:
    if not math.isfinite(limit) or censored is None:
        return None
    return Stated(under=limit) if censored == "below" else Stated(over=limit)


def plain_unit(unit: str) -> str:
    """One spelling a unit; mg/L and ppm count as one, as is common practice in dilute water."""
    plain = unit.strip().casefold()
    return "mg/l" if plain == "ppm" else plain
