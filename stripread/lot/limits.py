"""Detection and quantification limits of one strip from its lot's curve.

Critical value and minimum detectable value: ISO 11843-1 and -2, DIN 32645 (as worked in the example of
``tests/reference``; the standards themselves were not at hand). They are defined on the signal, so both are sought by
how far colours lie apart and not by the slope at the blank, which is 0 or infinite where the Hill exponent is not 1.
Limit of quantification: DIN 32645, the concentration whose relative half-width of the two-sided interval is 1 / k.
"""

from collections.abc import Callable

import numpy as np

from stripread.geometry import Float
from stripread.lot.curve import CalibrationCurve, own_covariances

__all__ = ["critical_value", "limit_of_quantification", "minimum_detectable_value", "standard_uncertainty_at"]


def critical_value(curve: CalibrationCurve, measured: Float, *, t: float) -> float | None:
    """Concentration that a blank is read as, or higher, with probability alpha only; None above the top.

    Parameters
    ----------
    measured : ndarray (3, 3)
        Covariance of one strip's measured CIELAB but for scatter and curve, which are added here.
    t : float
        The one-sided quantile.
    """
    spread = _spread(curve, measured, 0.0)
    return _root(lambda c: _apart(curve, 0.0, c, spread) - t, 0.0, curve.top)


def minimum_detectable_value(curve: CalibrationCurve, measured: Float, *, t: float) -> float | None:
    """Concentration read as less than the critical value with probability beta = alpha; None above the top."""
    critical = critical_value(curve, measured, t=t)
    if critical is None:
        return None
    return _root(lambda c: _apart(curve, critical, c, _spread(curve, measured, c)) - t, critical, curve.top)


def limit_of_quantification(curve: CalibrationCurve, measured: Float, *, t: float, k: float) -> float | None:
    """Concentration c with t u(c) = c / k (``t`` two-sided); None above the top."""
    return _root(lambda c: c - k * t * standard_uncertainty_at(curve, measured, c), 0.0, curve.top)


def standard_uncertainty_at(curve: CalibrationCurve, measured: Float, concentration: float) -> float:
    """Return the standard uncertainty (k = 1) of what one strip dipped in a concentration is read as."""
    tangent = curve.tangent(np.array([concentration]))[0]
    return float((tangent @ np.linalg.solve(_spread(curve, measured, concentration), tangent)) ** -0.5)


def _spread(curve: CalibrationCurve, measured: Float, concentration: float) -> Float:
    spread: Float = measured + np.sum(list(own_covariances(curve, concentration).values()), axis=0)
    return spread


def _apart(curve: CalibrationCurve, first: float, second: float, spread: Float) -> float:
    """Distance of the colours of two concentrations in standard deviations."""
    step = np.diff(curve.lab(np.array([first, second])), axis=0)[0]
    return float(np.sqrt(step @ np.linalg.solve(spread, step)))


def _root(function: Callable[[float], float], start: float, top: float) -> float | None:
    """First concentration from start to top at which an at first negative function reaches zero."""
    from scipy.optimize import brentq

    below = start
    for step in range(1, 401):
        above = start + (top - start) * (step / 400) ** 2  # fine near the start
        if function(above) >= 0:
            return float(brentq(function, below, above))
        below = above
    return None
