"""Several strips of one sample held against each other."""

from collections.abc import Sequence

import numpy as np

from stripread.check.expected import plain_number, reported
from stripread.findings import Finding, make_finding
from stripread.i18n import Message, joined
from stripread.read import PadReading, Reading

__all__ = ["check_replicates", "check_second_strip"]

_SHARED = ("curve", "card_print")  # parts of the uncertainty that strips of one lot on one card have in common
_DISAGREE_P = 0.01  # chance that good replicates are called different


def check_replicates(readings: Sequence[PadReading]) -> Finding | None:
    """Tell whether one pad of several strips from one sample differs by more than chance.

    The weighted sum of squares about the weighted mean is held against chi-square, or rather against F with the
    fewest effective degrees of freedom of the strips, as their uncertainties are estimates themselves. What the strips
    share (curve, print of the card) cannot part them and is left out. Readings that give no interval are left out.

    Raises
    ------
    ValueError
        If the readings are not of one pad and unit.
    """
    from scipy.stats import f as fisher

    if len({(r.pad, r.unit) for r in readings}) > 1:
        raise ValueError("replicates must be readings of one pad in one unit")
    good = [r for r in readings if r.interval is not None]
    if len(good) < 2:
        return None
    values = np.array([r.estimate.value for r in good])
    parts = [[u for cause, u in r.estimate.budget.items() if cause not in _SHARED] for r in good]
    variances = np.array([float(np.sum(np.square(own))) for own in parts])
    weights = 1 / variances
    mean = float(weights @ values / weights.sum())
    squares = float(weights @ (values - mean) ** 2)
    more = len(good) - 1
    freedom = min(r.estimate.degrees_of_freedom for r in good)
    if squares / more <= fisher.ppf(1 - _DISAGREE_P, more, freedom):
        return None
    largest = float(np.sqrt(variances.max()))
    return make_finding(
        "replicates_disagree",
        Message(
            "%(count)s strips read %(readings)s; apart from what they share, each is good to about "
            "%(largest)s %(unit)s (k = 1).",
            count=len(good),
            readings=joined(reported(r) for r in good),
            largest=plain_number(largest),
            unit=good[0].unit,
        ),
    )


def check_second_strip(first: Reading, second: Reading) -> list[Finding]:
    """Hold the pads of two strips of one lot against each other; tell where not one of them can be."""
    pairs = list(zip(first.pads, second.pads, strict=True))
    if all(one.interval is None or other.interval is None for one, other in pairs):
        return [make_finding("replicates_not_compared", Message("One of the two strips gives no number."))]
    return [found for pair in pairs if (found := check_replicates(pair)) is not None]
