"""Several strips of one sample held against each other."""

from collections.abc import Iterable, Sequence

import numpy as np

from stripread.check.expected import plain_number, reported
from stripread.colour import DEGREES_OF_FREEDOM
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, joined
from stripread.read import PadReading, Reading, light_correlation

__all__ = ["check_replicates", "check_second_strip", "check_strips"]

# Parts of u that strips of one lot on one card, dipped into one sample, have in common.
_SHARED = ("curve", "card_print", "chart_steps", "dilution")
_LATER = ("chart_steps", "dilution")  # came after the degrees of freedom were counted, and count as known
_LIGHT = "colour_correction"  # the part that they have in common as far as their lights are alike
_DISAGREE_P = 0.01  # chance that good replicates are called different


def check_replicates(readings: Sequence[PadReading], *, light: Float | None = None) -> Finding | None:
    """Tell whether one pad of several strips from one sample differs by more than chance.

    The sum of squares about the mean, by generalised least squares, is held against chi-square, or rather against F, as
    the uncertainties are estimates themselves. What the strips share (curve, print of the card, blocks of a chart, and
    of the colour correction as much as their photos' lights have in common) cannot part them and is left out.
    Readings that give no interval are left out.

    Parameters
    ----------
    light : ndarray (n, n) or None
        Correlation of the errors of the colour correction (`light_correlation`); None where it is unknown, and each
        photo is taken to be in a light of its own.

    Raises
    ------
    ValueError
        If the readings are not of one pad and unit.
    """
    from scipy.special import fdtri  # Fisher's quantile; scipy.stats has the same and takes long to import

    if len({(r.pad, r.unit) for r in readings}) > 1:
        raise ValueError("replicates must be readings of one pad in one unit")
    kept = [i for i, r in enumerate(readings) if r.interval is not None]
    if len(kept) < 2:
        return None
    good = [readings[i] for i in kept]
    alike = np.eye(len(good)) if light is None else light[np.ix_(kept, kept)]
    by_light = np.array([r.estimate.budget.get(_LIGHT, 0.0) for r in good])
    alone = np.array(
        [sum(u**2 for cause, u in r.estimate.budget.items() if cause not in (*_SHARED, _LIGHT)) for r in good]
    )
    # What all photos of a light err alike moves their mean and parts none of them.
    covariance = np.diag(alone) + alike * np.outer(by_light, by_light)
    inverse = np.linalg.inv(covariance)
    values = np.array([r.estimate.value for r in good])
    off = values - inverse.sum(axis=0) @ values / inverse.sum()
    more = len(good) - 1
    others = (alike.sum(axis=1) - 1) / more
    freedom = min(_own_freedom(r, float(own), float(1 - o)) for r, own, o in zip(good, alone, others, strict=True))
    if off @ inverse @ off / more <= fdtri(more, freedom, 1 - _DISAGREE_P):
        return None
    largest = float(np.sqrt((alone + (1 - others) * by_light**2).max()))
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


def _own_freedom(reading: PadReading, alone: float, apart: float) -> float:
    """Return the degrees of freedom of a reading's own variance: ``alone``, and ``apart`` of that of the light.

    Welch-Satterthwaite (JCGM 100:2008 G.4.1), backwards from those of the whole uncertainty: only what is the strip's
    own or the light's has finite ones.
    """
    budget = reading.estimate.budget
    whole = sum(u**2 for cause, u in budget.items() if cause not in _LATER)
    by_light = budget.get(_LIGHT, 0.0) ** 2
    of_light = by_light**2 / DEGREES_OF_FREEDOM
    of_strip = max(whole**2 / reading.estimate.degrees_of_freedom - of_light, 0.0)
    return float((alone + apart * by_light) ** 2 / max(of_strip + apart**2 * of_light, 1e-300))


def check_second_strip(first: Reading, second: Reading) -> list[Finding]:
    """Hold the pads of two strips of one lot against each other; tell where not one of them can be."""
    pairs = list(zip(first.pads, second.pads, strict=True))
    if all(one.interval is None or other.interval is None for one, other in pairs):
        return [make_finding("replicates_not_compared", Message("One of the two strips gives no number."))]
    return check_strips((first, second), pairs)


def check_strips(readings: Sequence[Reading], pads: Iterable[Sequence[PadReading]]) -> list[Finding]:
    """Hold each pad of several strips against itself; ``pads`` has one reading of each strip in their order."""
    found = []
    for pad in pads:
        light = light_correlation(readings, np.mean([reading.lab for reading in pad], axis=0))
        found.append(check_replicates(pad, light=light))
    return [finding for finding in found if finding is not None]
