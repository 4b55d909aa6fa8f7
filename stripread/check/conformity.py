"""Whether a concentration is within its expected range, as far as its uncertainty lets us say."""

import math
from typing import Literal

from stripread.units import COVERAGE, Measured

__all__ = ["RangeState", "judged_state", "measured_within", "probability_within", "range_state"]

RangeState = Literal["within", "below", "above", "undecided"]


def probability_within(
    value: float,
    standard_uncertainty: float,
    low: float | None,
    high: float | None,
    *,
    degrees_of_freedom: float = math.inf,
) -> float:
    """Return the probability that the true value lies from ``low`` to ``high``, by Student's t about the estimate.

    Parameters
    ----------
    value, standard_uncertainty : float
        The estimate, k = 1; same unit as the limits. An uncertainty of 0 makes the answer 0 or 1.
    low, high : float or None
        Limits, themselves within the range; None or infinite where there is none.
    degrees_of_freedom : float
        Effective, of the uncertainty; infinite makes the distribution normal.

    Raises
    ------
    ValueError
        If the uncertainty is negative, or the limits are exchanged.

    References
    ----------
    .. [1] JCGM 106:2012, conformance probability; tests hold it to its example 9.5.4 as Suncal quotes it. Student's t
       for an uncertainty that is itself an estimate: JCGM 100:2008, G.3.
    """
    below = -math.inf if low is None else low
    above = math.inf if high is None else high
    if not standard_uncertainty >= 0:
        raise ValueError(f"a standard uncertainty of {standard_uncertainty}")
    if below > above:
        raise ValueError(f"a range from {low} to {high}")
    if standard_uncertainty == 0:
        return float(below <= value <= above)
    if not math.isinf(degrees_of_freedom):
        from scipy.special import stdtr  # scipy.stats has the same and takes long to import

        over, under = (above - value) / standard_uncertainty, (below - value) / standard_uncertainty
        return float(stdtr(degrees_of_freedom, over) - stdtr(degrees_of_freedom, under))
    scale = standard_uncertainty * math.sqrt(2)
    return 0.5 * (math.erf((above - value) / scale) - math.erf((below - value) / scale))


def measured_within(number: Measured, low: float | None, high: float | None) -> float:
    """Return `probability_within` of a number with its uncertainty, by its own distribution where that is not even."""
    if number.even:
        freedom = number.degrees_of_freedom
        return probability_within(number.value, number.u, low, high, degrees_of_freedom=freedom)
    below, above = -math.inf if low is None else low, math.inf if high is None else high
    drawn = number.drawn()
    return float(((drawn >= below) & (drawn <= above)).mean())


def judged_state(number: Measured, low: float | None, high: float | None) -> RangeState:
    """Say where a number lies to a range: a side has it with a probability of 95 % or more, else it is undecided.

    Where the range is so narrow that the number is hardly within (under 5 %) and yet no side has 95 %, the side is
    undecided.
    """
    below = -math.inf if low is None else low
    above = math.inf if high is None else high
    sides: tuple[tuple[RangeState, float | None, float | None], ...] = (
        ("within", below, above), ("below", None, below), ("above", above, None)
    )  # fmt: skip
    sure = (state for state, least, most in sides if measured_within(number, least, most) >= COVERAGE)
    return next(sure, "undecided")


def range_state(interval: tuple[float | None, float | None], low: float | None, high: float | None) -> RangeState:
    """Say where a whole interval lies: inside the range, wholly to one side of it, or across a limit.

    Parameters
    ----------
    interval : (low or None, high or None)
        Coverage interval of the concentration; None where it has no end that is known.
    low, high : float or None
        Limits, themselves within the range; None or infinite where there is none.
    """
    least = -math.inf if interval[0] is None else interval[0]
    most = math.inf if interval[1] is None else interval[1]
    below = -math.inf if low is None else low
    above = math.inf if high is None else high
    if most < below:
        return "below"
    if least > above:
        return "above"
    return "within" if below <= least and most <= above else "undecided"
