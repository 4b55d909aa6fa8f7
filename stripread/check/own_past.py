"""What a row of earlier values lets expect: of the next one, and of a straight line through all of them.

Values near in time are alike: water that was strong yesterday is likely to be strong today. They are taken as a steady
mean and an error whose correlation falls with the time between, rho^(steps), a step being the usual time from one value
to the next (an AR(1) process, at irregular times too). Given rho, generalised least squares and Student's t are exact.
Rho cannot be known from few values. So it is not estimated: each of a row of rhos gives its t distribution, weighted by
how well it fits the values (the marginal likelihood with flat priors on mean and line and 1/sigma on the scatter), and
what is stated is the interval of the mixture.

Zellner and Tiao 1964 have this for the regression, Box and Tiao's book the priors (both from memory). How often it
errs: ``python -m tests.benchmarks.control_rules``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from stripread.geometry import Float

__all__ = ["CHANCE", "Expected", "expected_change", "expected_next", "steps_between"]

CHANCE = 0.01
"""Of good water called bad by one reading. Ours: as for replicates and a recipe that cannot be right."""

# Assumed before anything is known, each as likely: up to water that changes by half of its scatter in four readings.
_RHOS: Float = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75])
_NORMAL = 2.5758  # of the normal distribution for CHANCE, both sides together
_HALVED = 30  # times the place of an end is halved
_LEAST_STEP = 0.25  # of the mean time between values
_LEAST_SHARE = 0.05  # of a reading's uncertainty: values rounded to their digits may not scatter at all


@dataclass(frozen=True, slots=True)
class Expected:
    """The middle of what is expected, and the ends of the interval that is left by ``CHANCE`` only."""

    middle: float
    low: float
    high: float


def steps_between(times: Sequence[datetime]) -> Float:
    """Return rising times (n,) in steps: the mean time from one value to the next, and a quarter of it at least.

    What is measured twice at once is not the same twice, as each has its own error.
    """
    gaps = np.diff([time.timestamp() for time in times])
    usual = float(gaps.mean()) if len(gaps) else 0.0
    steps = np.maximum(gaps / usual, _LEAST_STEP) if usual > 0 else np.ones(len(gaps))
    return np.concatenate([[0.0], np.cumsum(steps)])


def expected_next(values: Sequence[float], steps: Float, *, u: float, u_more: float = 0.0) -> Expected:
    """Return what earlier values let expect of the next one.

    Parameters
    ----------
    values : sequence of n, three at least
        Oldest first.
    steps : ndarray (n + 1,)
        When, as ``steps_between`` gives them; the last one is the next value's.
    u : float
        Usual standard uncertainty of a value: if these scatter less, it is by chance.
    u_more : float
        By what the next one is more uncertain than usual, in quadrature.
    """
    past = np.asarray(values, dtype=np.float64)
    n = len(past)
    correlation = _correlation(steps)
    fit = _fit(past, np.ones((n, 1)), correlation[:, :-1, :-1], u=u)
    near = correlation[:, -1, :-1]
    share = (fit.inverse @ near[:, :, None])[:, :, 0]  # of each departure, what is left of it until the next value
    own = 1 - (share * near).sum(axis=1) + (1 - share.sum(axis=1)) ** 2 * fit.covariance[:, 0, 0]
    return _interval(
        fit.weights,
        fit.coefficients[:, 0] + (share * fit.residuals).sum(axis=1),
        np.hypot(np.sqrt(fit.variance * own), u_more),
        n - 1,
        least=_NORMAL * float(np.hypot(u * np.sqrt(1 + 1 / n), u_more)),
    )


def expected_change(values: Sequence[float], steps: Float, *, u: float) -> Expected:
    """Return by how much a straight line through values changes from the first to the last, with its interval.

    Parameters
    ----------
    values, steps : as for ``expected_next``, but of one length (n,), four at least
    """
    past = np.asarray(values, dtype=np.float64)
    n = len(past)
    line = (steps - steps.mean()) / (steps[-1] - steps[0])
    fit = _fit(past, np.stack([np.ones(n), line], axis=1), _correlation(steps), u=u)
    return _interval(
        fit.weights,
        fit.coefficients[:, 1],
        np.sqrt(fit.variance * fit.covariance[:, 1, 1]),
        n - 2,
        least=_NORMAL * u / float(np.sqrt(line @ line)),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """Generalised least squares at each of r rhos.

    Attributes
    ----------
    coefficients, covariance : ndarray (r, p), (r, p, p)
        The covariance is to be multiplied by the variance.
    residuals, inverse, variance : ndarray (r, n), (r, n, n), (r,)
    weights : ndarray (r,)
        How likely each rho is.
    """

    coefficients: Float
    covariance: Float
    residuals: Float
    inverse: Float
    variance: Float
    weights: Float


def _correlation(steps: Float) -> Float:
    """Correlation (r, n, n) of values at their times."""
    result: Float = _RHOS[:, None, None] ** np.abs(steps[:, None] - steps[None, :])
    return result


def _fit(values: Float, design: Float, correlation: Float, *, u: float) -> _Fit:
    inverse = np.asarray(np.linalg.inv(correlation), dtype=np.float64)
    weighted = design.T @ inverse
    information = weighted @ design
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    coefficients = (covariance @ weighted) @ values
    residuals = values - coefficients @ design.T
    freedom = len(values) - design.shape[1]
    squares = np.einsum("ri,rij,rj->r", residuals, inverse, residuals)
    squares = squares + freedom * max(_LEAST_SHARE * u, 1e-12) ** 2
    log_weights = -0.5 * (np.linalg.slogdet(correlation)[1] + np.linalg.slogdet(information)[1])
    log_weights = log_weights - 0.5 * freedom * np.log(squares)
    weights = np.exp(log_weights - log_weights.max())
    return _Fit(coefficients, covariance, residuals, inverse, squares / freedom, weights / weights.sum())


def _interval(weights: Float, middles: Float, scales: Float, freedom: int, *, least: float) -> Expected:
    """Return the interval of a mixture of t distributions, reaching ``least`` from its middle to each side."""
    from scipy.special import stdtr, stdtrit  # Student's t; scipy.stats has the same and takes long to import

    middle = float(weights @ middles)
    reach = stdtrit(freedom, 1 - CHANCE / 2) * scales

    def end(chance: float) -> float:
        low, high = float((middles - reach).min()), float((middles + reach).max())
        for _ in range(_HALVED):
            half = (low + high) / 2
            if float(weights @ stdtr(freedom, (half - middles) / scales)) < chance:
                low = half
            else:
                high = half
        return (low + high) / 2

    return Expected(middle, min(end(CHANCE / 2), middle - least), max(end(1 - CHANCE / 2), middle + least))
