"""Massart et al. (1997), Handbook of Chemometrics and Qualimetrics, Part A, chapter 8: inverse prediction.

Book values and data read in R package chemCal (massart97ex1, massart97ex3 and their tests). The lines go through the
product's fit, the readings through its inversion. It holds V fixed at the estimate, as the book's formula does, so on
a straight line its interval is the book's.
"""

import numpy as np
import pytest
from published import NOTHING_ELSE, SignalOnLightness, columns, fit_polynomial, signal

from stripread.lot import invert_curve
from tests.listed import each


def line_of(fit, reading_variance: float) -> SignalOnLightness:
    # The book lets the line run on beyond its last level, 50.
    return SignalOnLightness(
        coefficients=fit.parameters,
        covariance=fit.covariance,
        reading_variance=reading_variance,
        degrees_of_freedom=fit.degrees_of_freedom,
        low=-10.0,
        top=60.0,
    )


def check(line: SignalOnLightness, y: float, readings: int, printed: tuple[float, float], computed) -> None:
    """Against x0 and the half-width as printed, to a decimal, and x0, s(x0), half-width in full."""
    estimate = invert_curve(line, signal(y), NOTHING_ELSE, {}, strips=readings)
    x0, s, half_width = computed  # seven digits each: half of the last is 5e-7 of the value at worst
    assert estimate.value == pytest.approx(x0, rel=5e-7)
    assert estimate.standard_uncertainty == pytest.approx(s, rel=5e-7)
    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.value == pytest.approx(printed[0], abs=0.05)
    assert (estimate.high - estimate.low) / 2 == pytest.approx(printed[1], abs=0.05)
    assert (estimate.high - estimate.low) / 2 == pytest.approx(half_width, rel=1e-6)
    assert estimate.high - estimate.value == pytest.approx(estimate.value - estimate.low, rel=1e-6)


@each(
    ("y", "readings", "printed", "computed"),
    [
        (15.0, 1, (6.1, 4.9), (6.093810, 1.767278, 4.906751)),
        (90.0, 1, (43.9, 4.9), (43.939830, 1.767747, 4.908053)),
        (90.0, 5, (43.9, 3.2), (43.939830, 1.141204, 3.168489)),
    ],
)
def test_example_1_unweighted(y, readings, printed, computed) -> None:
    fit = fit_polynomial(*columns("massart_1997_example1.csv"), np.array([1.0, 1.0]))
    assert fit.parameters == pytest.approx([2.923810, 1.981714], abs=5e-7)
    assert fit.residual_sd == pytest.approx(2.991162, abs=5e-7)
    check(line_of(fit, fit.residual_sd**2), y, readings, printed, computed)


@each(
    ("y", "weight", "printed", "computed"),
    [
        (15.0, 1.67, (5.9, 2.5), (5.865367, 0.8926109, 2.478285)),
        (90.0, 0.145, (44.1, 7.9), (44.06025, 2.829162, 7.855012)),
    ],
)
def test_example_3_weighted(y, weight, printed, computed) -> None:
    """On level means, with weights from standard deviations rounded to 2 decimals, themselves to 3, as in the book."""
    x, signals = columns("massart_1997_example3.csv")
    levels = np.unique(x)
    means = np.array([signals[x == level].mean() for level in levels])
    sds = np.array([signals[x == level].std(ddof=1) for level in levels]).round(2)
    weights = (1 / sds**2).round(3)
    assert weights == pytest.approx([1.984, 1.417, 1.262, 0.372, 0.199, 0.109], abs=1e-9)
    fit = fit_polynomial(levels, means, np.array([1.0, 1.0]), np.sqrt(weights))
    assert fit.parameters == pytest.approx([3.482683, 1.963614], abs=5e-7)
    check(line_of(fit, fit.residual_sd**2 / weight), y, 1, printed, computed)
