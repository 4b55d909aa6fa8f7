"""Detection and quantification limits from how the uncertainty of an estimate depends on the concentration.

Critical value and minimum detectable value: ISO 11843-1 and -2, DIN 32645 (as worked in the example of
``tests/reference``; the standards themselves were not at hand). Limit of quantification: DIN 32645, the concentration
whose relative half-width of the two-sided interval is 1 / k.
"""

from collections.abc import Callable

import numpy as np

from stripread.geometry import Float
from stripread.lot.curve import CalibrationCurve

__all__ = ["critical_value", "limit_of_quantification", "minimum_detectable_value", "uncertainty_of_one_strip"]


def uncertainty_of_one_strip(curve: CalibrationCurve, measured: Float) -> Callable[[float], float]:
    """Return u(c), the standard uncertainty of the concentration that one strip dipped in c is read as.

    Parameters
    ----------
    measured : ndarray (3, 3)
        Covariance of the measured CIELAB but for scatter and curve, which are added here.
    """

    def u(concentration: float) -> float:
        here = np.array([concentration])
        tangent = curve.tangent(here)[0]
        spread = curve.scatter_at(here)[0] + curve.covariance_at(here)[0] + measured
        return float((tangent @ np.linalg.solve(spread, tangent)) ** -0.5)

    return u


def critical_value(u: Callable[[float], float], *, t: float) -> float:
    """Estimate that a blank exceeds with probability alpha only; ``t`` is the one-sided quantile."""
    return t * u(0.0)


def minimum_detectable_value(u: Callable[[float], float], *, t: float, top: float) -> float | None:
    """Concentration whose estimate falls under the critical value with probability beta = alpha; None above ``top``."""
    critical = critical_value(u, t=t)
    return _root(lambda c: c - t * u(c) - critical, top)


def limit_of_quantification(u: Callable[[float], float], *, t: float, k: float, top: float) -> float | None:
    """Concentration c with t u(c) = c / k (``t`` two-sided); None above ``top``."""
    return _root(lambda c: c - k * t * u(c), top)


def _root(function: Callable[[float], float], top: float) -> float | None:
    """First concentration from 0 to top at which an at first negative function reaches zero."""
    from scipy.optimize import brentq

    below = 0.0
    for step in range(1, 401):
        above = top * (step / 400) ** 2  # fine near zero
        if function(above) >= 0:
            return float(brentq(function, below, above))
        below = above
    return None
