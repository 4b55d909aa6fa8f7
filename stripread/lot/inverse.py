"""From a pad's colour to a concentration: the curve inverted by generalised least squares, with its interval.

The squared distance chi2(c) = (lab - curve(c))' V^-1 (lab - curve(c)) is least at the estimate; V adds up what pixels,
colour correction, curve and strip-to-strip scatter leave uncertain. The interval holds every c whose chi2 exceeds the
least by no more than t^2 (profile likelihood; t of Student for the effective degrees of freedom, JCGM 100:2008 G.4).
For a straight line it is the inverse prediction of the textbooks (Massart et al. 1997, chapter 8).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.lot.curve import CalibrationCurve, own_covariances

__all__ = ["COVERAGE", "Estimate", "invert_curve"]

COVERAGE = 0.95
# A second minimum counts as about equally good while its chi2 is within this of the best; 5.99 is the 95 % point of
# chi-square with 2 degrees of freedom, for the two directions across a curve.
_RIVAL_CHI2 = 5.99
# The nearest place is sought among so many between two neighbours, again and again. 128^-3 of a step of the grid is
# about as near as rounding of chi2 lets it be told, and many places take hardly longer than one.
_POINTS, _NARROWED = 257, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A concentration and how far to trust it.

    Attributes
    ----------
    value, standard_uncertainty : float
        k = 1. Units of the curve.
    low, high : float or None
        95 % interval; None where the curve ends before the interval does (low: never below the lowest calibrator
        but for a blank; high: far over the top calibrator).
    zero_distance : float or None
        How far the colour lies from the blank's along the curve, in standard deviations of a blank; None where the
        scale has no zero.
    chi2, delta_e : float
        Squared distance of the colour to the curve in units of its uncertainty (2 degrees of freedom), and in
        Delta E*ab.
    degrees_of_freedom : float
        Effective, of the standard uncertainty.
    budget : mapping
        Contribution of each cause to the standard uncertainty; their squares add up.
    rival : float or None
        Another concentration that fits about as well.
    """

    value: float
    standard_uncertainty: float
    low: float | None
    high: float | None
    chi2: float
    delta_e: float
    degrees_of_freedom: float
    budget: Mapping[str, float]
    rival: float | None
    zero_distance: float | None = None


def invert_curve(
    curve: CalibrationCurve,
    lab: Float,
    causes: Mapping[str, Float],
    degrees_of_freedom: Mapping[str, float],
    *,
    strips: float = 1,
) -> Estimate:
    """Find the concentration whose colour on the curve is nearest to a pad's.

    Parameters
    ----------
    lab : ndarray (3,)
        Corrected CIELAB (D50, 2 degree).
    causes : mapping of name to ndarray (3, 3)
        Covariances of ``lab`` by cause, independent of each other. The curve's own and the strip-to-strip scatter are
        added here under the names ``curve``, ``stock`` and ``strip_to_strip``.
    degrees_of_freedom : mapping of name to float
        How well each cause is known; those not named count as exactly known.
    strips : float
        Strips averaged in ``lab``; the strip-to-strip scatter is divided by it.
    """
    from scipy.special import stdtrit  # Student's quantile; scipy.stats has the same and takes long to import

    grid = curve.grid(top=curve.end)
    path = curve.lab(grid)
    measured = np.sum(list(causes.values()), axis=0)
    # V at the estimate itself, found by starting from the nearest point in plain Delta E and repeating once.
    best = float(grid[np.argmin(np.sum((path - lab) ** 2, axis=1))])
    for _ in range(2):
        own = own_covariances(curve, best, strips=strips)
        total = measured + np.sum(list(own.values()), axis=0)
        inverse = np.linalg.inv(total)
        chi2 = _squares(lab - path, inverse)
        index = int(np.argmin(chi2))
        low, high = grid[max(index - 1, 0)], grid[min(index + 1, len(grid) - 1)]
        for _ in range(_NARROWED):
            points = np.linspace(low, high, _POINTS)
            squares = _squares(lab - curve.lab(points), inverse)
            nearest = int(np.argmin(squares))
            low, high = points[max(nearest - 1, 0)], points[min(nearest + 1, _POINTS - 1)]
        best, least = float(points[nearest]), float(squares[nearest])
    tangent = curve.tangent(np.array([best]))[0]
    information = float(tangent @ inverse @ tangent)
    gain = inverse @ tangent / information
    budget = {
        name: float(np.sqrt(max(gain @ covariance @ gain, 0.0))) for name, covariance in {**causes, **own}.items()
    }
    u = information**-0.5
    # Welch-Satterthwaite, JCGM 100:2008 G.4.1. The curve is as well known as the scatter that it was fitted with: one
    # estimate behind both, whose error they share.
    lots_own = (budget["strip_to_strip"] ** 2 + budget["curve"] ** 2) ** 2 / max(curve.scatter.degrees_of_freedom, 1)
    terms = lots_own + sum(budget[name] ** 4 / nu for name, nu in degrees_of_freedom.items())
    effective = u**4 / max(terms, 1e-300)
    reach = float(stdtrit(effective, (1 + COVERAGE) / 2)) ** 2
    low, high = _interval(grid, chi2 - least, best, reach)
    return Estimate(
        value=best,
        standard_uncertainty=u,
        low=curve.low if low is None and curve.low == 0 else low,
        high=high,
        chi2=least,
        delta_e=float(np.linalg.norm(lab - curve.lab(np.array([best]))[0])),
        degrees_of_freedom=effective,
        budget=budget,
        rival=_rival(grid, chi2, least, best, reach),
        zero_distance=_zero_distance(curve, lab, path, measured, strips) if curve.low == 0 else None,
    )


def _zero_distance(curve: CalibrationCurve, lab: Float, path: Float, measured: Float, strips: float) -> float:
    """Return by how much the blank fits worse than the best place on the curve, weighed as a blank is.

    The root of a difference of chi2: of blanks, half stay at 0, and it exceeds a normal's upper quantiles as often as
    a normal variable does, which is how ISO 11843 sets the critical value.
    """
    inverse = np.linalg.inv(measured + np.sum(list(own_covariances(curve, 0.0, strips=strips).values()), axis=0))
    chi2 = _squares(lab - path, inverse)
    return float(np.sqrt(max(chi2[0] - chi2.min(), 0.0)))


def _squares(off: Float, inverse: Float) -> Float:
    """Squared lengths (n,) of departures (n, 3) in units of their uncertainty, whose inverse covariance is (3, 3)."""
    squares: Float = ((off @ inverse) * off).sum(axis=1)
    return squares


def _interval(grid: Float, rise: Float, best: float, reach: float) -> tuple[float | None, float | None]:
    """Find the ends where chi2 has risen by ``reach`` on either side of the estimate; None where it never does."""
    right = np.searchsorted(grid, best)

    def crossing(points: Float, heights: Float) -> float | None:
        points, heights = np.concatenate([[best], points]), np.concatenate([[0.0], heights])
        over = np.nonzero(heights > reach)[0]
        if len(over) == 0:
            return None
        k = int(over[0])
        # chi2 is nearly a parabola, so its square root is nearly straight.
        a, b = np.sqrt(max(heights[k - 1], 0.0)), np.sqrt(heights[k])
        share = (np.sqrt(reach) - a) / (b - a)
        return float(points[k - 1] + share * (points[k] - points[k - 1]))

    return crossing(grid[:right][::-1], rise[:right][::-1]), crossing(grid[right:], rise[right:])


def _rival(grid: Float, chi2: Float, least: float, best: float, reach: float) -> float | None:
    """Return another local minimum about as good as the best, with a barrier between them."""
    inner = np.r_[True, chi2[1:] < chi2[:-1]] & np.r_[chi2[:-1] < chi2[1:], True]
    for index in np.nonzero(inner)[0]:
        between = (grid > min(best, grid[index])) & (grid < max(best, grid[index]))
        barrier = chi2[between].max(initial=-np.inf)
        if chi2[index] - least < _RIVAL_CHI2 and barrier - least > max(reach, _RIVAL_CHI2) * 1.5:
            return float(grid[index])
    return None
