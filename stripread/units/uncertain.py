"""A number with its uncertainty, and how uncertainty goes through a formula.

Propagation is done here and not by a package of its own: every result is one plain function of inputs that are
independent, so that the sum of squares below is all there is to it, and what two inputs share is never lost on the way.
Where an input does not lie evenly about its value, as a strength that is aged by an unsure loss, its distribution is
carried on instead (JCGM 101): a sum of squares would put the result's end where no mass balance allows it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from stripread.geometry import Float

__all__ = [
    "COVERAGE",
    "K95",
    "Difference",
    "Measured",
    "coverage_factor",
    "difference",
    "freedom_of_factor",
    "propagate",
]

COVERAGE = 0.95
K95 = 1.959964  # the normal distribution's factor for 95 %
QUANTILES = 401  # equally probable values that stand for a distribution that is not even. Ours: a tail of 2.5 % has ten
_DRAWS = 9 * QUANTILES  # of each input, stratified: ends agree with plain draws within 2 % of the interval's width
_SEED = 101  # of the order in which the inputs' values meet: the same question has the same answer
_TAIL = 0.025
_SIGMA = 0.158655  # below one standard deviation of a normal distribution
_EVEN = 1e-6  # of an interval's width, by which its halves may differ


@dataclass(frozen=True, slots=True)
class Measured:
    """An estimate, its standard uncertainty and its 95 % interval.

    Attributes
    ----------
    value, u : float
        Estimate and standard uncertainty (k = 1); the unit is in the name of whatever holds it.
    ends : (low, high) or None
        The 95 % interval where it does not lie evenly about the value; None as a ``high`` is an end that is not known.
    floor : float
        Least value that is possible: no strength or volume is less than nothing. -inf where there is none.
    degrees_of_freedom : float
        Effective, of ``u``; infinite where it is known well, or nobody said.
    ceiling : float
        Greatest value that is possible: no mixture is stronger than its strongest part. inf where there is none.
    quantiles : tuple of `QUANTILES` float, or None
        Values that are equally probable, in rising order, where the distribution is known and is not an even one; then
        ``u`` is half of its central 68 %.
    """

    value: float
    u: float = 0.0
    ends: tuple[float, float | None] | None = None
    floor: float = 0.0
    degrees_of_freedom: float = math.inf
    ceiling: float = math.inf
    quantiles: tuple[float, ...] | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        """Refuse what is no number."""
        if not math.isfinite(self.value) or not (math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a value of {self.value} with a standard uncertainty of {self.u}")

    @property
    def interval(self) -> tuple[float, float | None]:
        """The 95 % interval: as given, or by Student's t, cut off at floor and ceiling."""
        if self.ends is not None:
            return self.ends
        reach = coverage_factor(self.degrees_of_freedom) * self.u
        low, high = min(self.floor, self.value), max(self.ceiling, self.value)
        return max(self.value - reach, low), min(self.value + reach, high)

    @property
    def even(self) -> bool:
        """Whether it lies evenly about its value, so that ``u`` says all of it."""
        if self.quantiles is not None or self.ends is None:
            return self.quantiles is None
        low, high = self.ends
        return high is not None and abs(high + low - 2 * self.value) <= _EVEN * (high - low)

    def scaled(self, factor: float) -> "Measured":
        """Return it times a number known exactly, 0 or more, as for a change of unit."""
        ends = None
        if self.ends is not None:
            low, high = self.ends
            ends = (factor * low, None if high is None else factor * high)
        floor, ceiling = (x if math.isinf(x) else factor * x for x in (self.floor, self.ceiling))
        quantiles = None if self.quantiles is None else tuple(factor * x for x in self.quantiles)
        return Measured(factor * self.value, factor * self.u, ends, floor, self.degrees_of_freedom, ceiling, quantiles)

    def drawn(self) -> "Float":
        """Return equally probable values of its distribution, in rising order; shape (_DRAWS,)."""
        import numpy as np

        return _quantiles(self, np.arange(_DRAWS))

    @classmethod
    def from_quantiles(
        cls, quantiles: "Float", *, value: float | None = None, floor: float = 0.0, ceiling: float = math.inf
    ) -> "Measured":
        """Return what equally probable values say, in rising order: an estimate (their median), u and interval.

        Values that are infinite leave the interval's upper end open.
        """
        import numpy as np

        at = np.clip(np.asarray(quantiles, dtype=float), floor, ceiling)
        low, minus, median, plus, high = (
            float(at[round(share * (len(at) - 1))]) for share in (_TAIL, _SIGMA, 0.5, 1 - _SIGMA, 1 - _TAIL)
        )
        middle = median if value is None else value
        u = (plus - minus) / 2 if math.isfinite(plus) else middle - minus
        most = max(high, middle) if math.isfinite(high) else None
        picked = at[((np.arange(QUANTILES) + 0.5) / QUANTILES * len(at)).astype(int)]
        return cls(middle, u, (min(low, middle), most), floor, math.inf, ceiling, tuple(map(float, picked)))


def coverage_factor(degrees_of_freedom: float) -> float:
    """Return the factor on a standard uncertainty for 95 %, Student's t."""
    if math.isinf(degrees_of_freedom):
        return K95
    from scipy.special import stdtrit  # scipy.stats has the same and takes long to import

    return float(stdtrit(degrees_of_freedom, (1 + COVERAGE) / 2))


def freedom_of_factor(factor: float) -> float:
    """Return the degrees of freedom whose `coverage_factor` is so large: 1 at least, infinite from 10 000 on."""
    least, most = 1.0, 1e4
    if factor <= coverage_factor(most):
        return math.inf
    for _ in range(40):
        half = math.sqrt(least * most)
        least, most = (half, most) if coverage_factor(half) > factor else (least, half)
    return least


def propagate(
    function: Callable[..., float],
    *inputs: Measured,
    floor: float = 0.0,
    ceiling: float = math.inf,
    curved: bool = False,
) -> Measured:
    """Return a function of independent inputs with its uncertainty.

    To first order where all inputs are even. Where one is not, their distributions are put through the function: the
    estimate is still that of the inputs' estimates, u and the interval are those of the values that come out.

    Parameters
    ----------
    function : callable
        Takes the values of the inputs, in their order; numbers, or arrays of them. Smooth near them.
    floor, ceiling : float
        Least and greatest value that the result can have.
    curved : bool
        The function is not nearly straight within the inputs' uncertainties: even ones are put through it as well.

    References
    ----------
    .. [1] JCGM 100:2008, the law of propagation of uncertainty, the derivatives taken numerically; tests hold it to
       products of powers and to drawn inputs.
    .. [2] JCGM 101:2008, propagation of distributions; here each input's values are stratified, and meet those of the
       others in an order that is drawn with a fixed seed (a Latin hypercube). Tests hold it to plain draws.
    """
    values = [one.value for one in inputs]
    if curved or not all(one.even for one in inputs):
        return Measured.from_quantiles(
            _put_through(function, inputs), value=float(function(*values)), floor=floor, ceiling=ceiling
        )
    variance = fourth = 0.0
    for index, one in enumerate(inputs):
        if one.u == 0:
            continue
        step = min(one.u, 1e-4 * abs(one.value)) or one.u  # short: a divisor must not reach zero on the way
        up, down = list(values), list(values)
        up[index] += step
        down[index] -= step
        part = ((function(*up) - function(*down)) / (2 * step) * one.u) ** 2
        variance += part
        fourth += part**2 / one.degrees_of_freedom
    freedom = variance**2 / fourth if fourth > 0 else math.inf  # Welch-Satterthwaite, JCGM 100:2008 G.4.1
    return Measured(function(*values), math.sqrt(variance), floor=floor, degrees_of_freedom=freedom, ceiling=ceiling)


def _put_through(function: Callable[..., float], inputs: tuple[Measured, ...]) -> "Float":
    """Return the function's values for the inputs' distributions, in rising order; shape (_DRAWS,)."""
    import numpy as np

    order = np.random.default_rng(_SEED)
    drawn = [_quantiles(one, order.permutation(_DRAWS)) for one in inputs]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        results = np.broadcast_to(np.asarray(function(*drawn), dtype=float), (_DRAWS,))
    return np.sort(np.nan_to_num(results, nan=math.inf, posinf=math.inf, neginf=-math.inf))


def _quantiles(one: Measured, index: "NDArray[np.integer]", count: int = _DRAWS) -> "Float":
    """Return the values at the middles of ``count`` equally probable parts of a distribution, by their index.

    An interval that is not even stands for two halves of normal distributions that meet at the value.
    """
    import numpy as np
    from scipy.special import ndtri, stdtrit

    share = (index + 0.5) / count
    if one.quantiles is not None:
        return np.asarray(np.interp(share, (np.arange(QUANTILES) + 0.5) / QUANTILES, one.quantiles))
    steps = ndtri(share) if math.isinf(one.degrees_of_freedom) else stdtrit(one.degrees_of_freedom, share)
    below = above = one.u
    if one.ends is not None:
        low, high = one.ends
        below, above = (one.value - low) / K95, one.u if high is None else (high - one.value) / K95
    drawn = one.value + np.where(steps < 0, below, above) * steps
    return np.asarray(np.clip(drawn, min(one.floor, one.value), max(one.ceiling, one.value)))


@dataclass(frozen=True, slots=True)
class Difference:
    """How far two estimates lie apart: second minus first.

    Attributes
    ----------
    value, u : float
        The difference and its standard uncertainty.
    z : float or None
        Difference over its uncertainty, or where that is not even the normal deviate of the same probability; None
        where nothing is uncertain.
    probability : float
        Of a difference at least as large, to either side, if both tell of the same true value.
    """

    value: float
    u: float
    z: float | None
    probability: float


def difference(first: Measured, second: Measured) -> Difference:
    """Return how far two independent estimates of one thing lie apart.

    The probability is Student's, with the effective degrees of freedom of both (Welch-Satterthwaite). Where one does
    not lie evenly about its value, it is twice the smaller share of pairs of their values that lie the other way round.
    """
    apart, u = second.value - first.value, math.hypot(first.u, second.u)
    if u == 0:
        return Difference(apart, 0.0, None, float(apart == 0))
    if not (first.even and second.even):
        return _uneven_difference(first, second, apart, u)
    fourth = first.u**4 / first.degrees_of_freedom + second.u**4 / second.degrees_of_freedom
    if fourth == 0:
        return Difference(apart, u, apart / u, math.erfc(abs(apart) / (u * math.sqrt(2))))
    from scipy.special import stdtr  # scipy.stats has the same and takes long to import

    return Difference(apart, u, apart / u, 2 * float(stdtr(u**4 / fourth, -abs(apart / u))))


def _uneven_difference(first: Measured, second: Measured, apart: float, u: float) -> Difference:
    import numpy as np
    from scipy.special import ndtri

    index = np.arange(QUANTILES)
    one, other = _quantiles(first, index, QUANTILES), _quantiles(second, index, QUANTILES)
    pairs = other - one[:, None]
    least = 0.5 / QUANTILES**2  # beyond which pairs tell nothing
    share = max(min(float(np.mean(pairs < 0)), float(np.mean(pairs > 0))), least)
    return Difference(apart, u, -math.copysign(float(ndtri(share)), apart), min(2 * share, 1.0))
