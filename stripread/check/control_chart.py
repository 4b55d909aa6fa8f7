"""Control charts: individuals with moving range, EWMA and tabular CUSUM.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.4 (EWMA) and 6.3.2.3 (CUSUM).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["Cusum", "IndividualsChart", "cusum", "ewma", "ewma_reach", "individuals_chart"]

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


def ewma(values: Sequence[float], *, target: float, weight: float) -> Float:
    """Exponentially weighted moving averages (n,) after each value; the average starts at the target.

    ``weight`` is that of the newest value, over 0 and up to 1.
    """
    level, levels = target, []
    for value in values:
        level += weight * (value - level)
        levels.append(level)
    return np.array(levels, dtype=np.float64)


def ewma_reach(sigma: float, *, weight: float, after: int | None = None) -> float:
    """How far the average may lie from its target: three of its standard deviations.

    ``after`` counts the values so far, whose average scatters less than that of many; None for many.
    """
    share = weight / (2 - weight)
    if after is not None:
        share *= 1 - (1 - weight) ** (2 * after)
    return float(_LIMIT * sigma * np.sqrt(share))


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
        up = max(0.0, up + value - target - allowance)
        down = max(0.0, down + target - allowance - value)
        high.append(up)
        low.append(down)
    sums_high, sums_low = np.array(high, dtype=np.float64), np.array(low, dtype=np.float64)
    return Cusum(high=sums_high, low=sums_low, signals=(sums_high > limit) | (sums_low > limit))
