"""A number with its uncertainty, and how uncertainty goes through a formula.

Linear propagation is done here and not by a package of its own: every result is one plain function of inputs that are
independent, so that the sum of squares below is all there is to it, and what two inputs share is never lost on the way.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

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
    """

    value: float
    u: float = 0.0
    ends: tuple[float, float | None] | None = None
    floor: float = 0.0
    degrees_of_freedom: float = math.inf

    def __post_init__(self) -> None:
        """Refuse what is no number."""
        if not math.isfinite(self.value) or not (math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a value of {self.value} with a standard uncertainty of {self.u}")

    @property
    def interval(self) -> tuple[float, float | None]:
        """The 95 % interval: as given, or by Student's t, cut off at the floor."""
        if self.ends is not None:
            return self.ends
        reach = coverage_factor(self.degrees_of_freedom) * self.u
        return max(self.value - reach, min(self.floor, self.value)), self.value + reach

    def scaled(self, factor: float) -> "Measured":
        """Return it times a number known exactly, 0 or more, as for a change of unit."""
        ends = None
        if self.ends is not None:
            low, high = self.ends
            ends = (factor * low, None if high is None else factor * high)
        floor = self.floor if math.isinf(self.floor) else factor * self.floor
        return Measured(factor * self.value, factor * self.u, ends, floor, self.degrees_of_freedom)


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


def propagate(function: Callable[..., float], *inputs: Measured, floor: float = 0.0) -> Measured:
    """Return a function of independent inputs with its standard uncertainty, to first order.

    Parameters
    ----------
    function : callable
        Takes the values of the inputs, in their order. Smooth near them.
    floor : float
        Least value that the result can have.

    References
    ----------
    .. [1] JCGM 100:2008, the law of propagation of uncertainty, the derivatives taken numerically; tests hold it to
       products of powers and to drawn inputs.
    """
    values = [one.value for one in inputs]
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
    return Measured(function(*values), math.sqrt(variance), floor=floor, degrees_of_freedom=freedom)


@dataclass(frozen=True, slots=True)
class Difference:
    """How far two estimates lie apart: second minus first.

    Attributes
    ----------
    value, u : float
        The difference and its standard uncertainty.
    z : float or None
        Difference over its uncertainty; None where nothing is uncertain.
    probability : float
        Of a difference at least as large, to either side, if both tell of the same true value.
    """

    value: float
    u: float
    z: float | None
    probability: float


def difference(first: Measured, second: Measured) -> Difference:
    """Return how far two independent estimates of one thing lie apart.

    The probability is Student's, with the effective degrees of freedom of both (Welch-Satterthwaite).
    """
    apart, u = second.value - first.value, math.hypot(first.u, second.u)
    if u == 0:
        return Difference(apart, 0.0, None, float(apart == 0))
    fourth = first.u**4 / first.degrees_of_freedom + second.u**4 / second.degrees_of_freedom
    if fourth == 0:
        return Difference(apart, u, apart / u, math.erfc(abs(apart) / (u * math.sqrt(2))))
    from scipy.special import stdtr  # scipy.stats has the same and takes long to import

    return Difference(apart, u, apart / u, 2 * float(stdtr(u**4 / fourth, -abs(apart / u))))
