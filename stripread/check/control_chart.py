"""Control charts: individuals with moving range, tabular CUSUM, and one that learns its centre and spread on the way.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.3 (CUSUM).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["Cusum", "IndividualsChart", "cusum", "individuals_chart", "self_starting_cusum"]

# Of moving ranges of two: standard deviation = mean range / d2, upper limit of the range = D4 mean range. To the digits
# in print, so that limits agree with published ones.
_D2, _D4 = 1.128, 3.267
_LIMIT = 3.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsChart:
    """Centre and spread of single values in a row, all in their unit."""

    mean: float
    mean_range: float

    @property
    def sigma(self) -> float:
        """Standard deviation by the mean moving range: what changes from one value to the next."""
        return self.mean_range / _D2

    @property
    def limits(self) -> tuple[float, float]:
        """Lower and upper limit of the values."""
        return self.mean - _LIMIT * self.sigma, self.mean + _LIMIT * self.sigma

    @property
    def range_limit(self) -> float:
        """Upper limit of the moving range."""
        return _D4 * self.mean_range


def individuals_chart(values: Sequence[float]) -> IndividualsChart:
    """Return the chart of values in their order.

    Raises
    ------
    ValueError
        Fewer than two values.
    """
    if len(values) < 2:
        raise ValueError(f"{len(values)} values have no moving range")
    return IndividualsChart(mean=float(np.mean(values)), mean_range=float(np.mean(np.abs(np.diff(values)))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Sums (n,) of what values lie over and under their target, less an allowance; and where one passes its limit."""

    high: Float
    low: Float
    signals: NDArray[np.bool_]


def cusum(values: Sequence[float], *, target: float, allowance: float, limit: float) -> Cusum:
    """Return the tabular CUSUM; ``allowance`` (k) and ``limit`` (h) in the unit of the values."""
    up = down = 0.0
    high, low = [], []
    for value in values:
        up, down = _summed(up, down, value - target, allowance)
        high.append(up)
        low.append(down)
    return _cusum(high, low, limit)


def _summed(up: float, down: float, off: float, allowance: float) -> tuple[float, float]:
    return max(0.0, up + off - allowance), max(0.0, down - off - allowance)


def self_starting_cusum(values: Sequence[float], *, allowance: float, limit: float, least_spread: float) -> Cusum:
    """Return the CUSUM of what values depart from those before them, whose own mean and spread they are held against.

    The departure of each value from the mean of the earlier ones, over its spread, has Student's t distribution; it is
    put as the number that is as rare in a normal distribution. Such numbers are independent and standard normal
    whatever mean and spread the values have in common, and the sums are those of ``cusum``: a common error is no
    change. The first two values say nothing. Once the chart signals, no more is learnt, so that what changed stays
    a change until the values return.

    Parameters
    ----------
    least_spread : float
        Standard deviation under which that of the earlier values is by chance; in their unit.

    References
    ----------
    .. [1] Hawkins 1987, Self-starting cusum charts for location and scale, The Statistician 36, 299-315 (from memory).
    """
    from scipy.special import ndtri, stdtr  # scipy.stats has the same and takes long to import

    up = down = mean = squares = 0.0
    count = 0
    high, low = [], []
    for value in values:
        score = 0.0
        if count >= 2:
            freedom = count - 1
            spread = max(math.sqrt(squares / freedom), least_spread) * math.sqrt(1 + 1 / count)
            away = (value - mean) / spread
            # By the lower tail on either side, as a chance near 1 has no digits left.
            score = math.copysign(float(ndtri(max(stdtr(freedom, -abs(away)), 1e-300))), away)
        up, down = _summed(up, down, score, allowance)
        high.append(up)
        low.append(down)
        if max(up, down) <= limit:
            count += 1
            step = value - mean
            mean += step / count
            squares += step * (value - mean)
    return _cusum(high, low, limit)


def _cusum(high: Sequence[float], low: Sequence[float], limit: float) -> Cusum:
    sums_high, sums_low = np.array(high, dtype=np.float64), np.array(low, dtype=np.float64)
    return Cusum(high=sums_high, low=sums_low, signals=(sums_high > limit) | (sums_low > limit))
