"""From what a strip says of a diluted sample to the sample itself: value, uncertainty and interval times the factor."""

import math
from dataclasses import replace

from stripread.lot import Estimate
from stripread.units import K95
from stripread.water import SampleDilution

__all__ = ["undiluted"]


def undiluted(estimate: Estimate, dilution: SampleDilution) -> Estimate:
    """Return the estimate of the sample of which a diluted part was read.

    The standard uncertainty follows from the law of propagation (JCGM 100:2008, 5.1.2); the budget names the factor's
    part ``dilution``. On the logarithmic scale, where a product is a sum, an end's distance is the root of the sum of
    squares of the strip's own and the factor's: it keeps its side, and Student's t of its own. An end that is zero or
    open stays so. That is the method of variance estimates recovery (Zou and Donner 2008, Statistics in Medicine 27,
    1693; cited from memory).
    """
    factor, value = dilution.factor, estimate.value
    by_factor = factor * value * dilution.relative_u
    own = factor * estimate.standard_uncertainty
    return replace(
        estimate,
        value=factor * value,
        standard_uncertainty=math.hypot(own, by_factor),
        low=_end(estimate.low, value, dilution),
        high=_end(estimate.high, value, dilution),
        budget={**{cause: factor * u for cause, u in estimate.budget.items()}, "dilution": by_factor},
        rival=None if estimate.rival is None else factor * estimate.rival,
    )


def _end(end: float | None, value: float, dilution: SampleDilution) -> float | None:
    """Return an end of the sample's interval: the strip's times the factor, moved outward by what that may be off."""
    if end is None or end <= 0 or value <= 0:
        return None if end is None else dilution.factor * end
    reach = math.hypot(math.log(end / value), K95 * dilution.relative_u)
    return dilution.factor * value * math.exp(reach if end >= value else -reach)
