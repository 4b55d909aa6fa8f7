"""NIST/SEMATECH e-Handbook of Statistical Methods 4.6.1: a load cell's curved calibration, and its inverse.

Data, straight line, quadratic and the inverted load read in pages pmd611 and pmd61a; the limits of the load
recomputed, by inverting the quadratic's prediction band.
"""

import numpy as np
import pytest
from published import NOTHING_ELSE, SignalOnLightness, columns, fit_polynomial, signal

from stripread.lot import invert_curve

LOAD, DEFLECTION = columns("nist_load_cell.csv")
QUADRATIC = fit_polynomial(LOAD, DEFLECTION, np.array([1e-3, 1e-6, -1e-15]))


def test_straight_line() -> None:
    fit = fit_polynomial(LOAD, DEFLECTION, np.array([1e-3, 1e-6]))
    u = np.sqrt(np.diag(fit.covariance))
    assert fit.parameters == pytest.approx([6.150e-03, 7.221e-07], rel=1e-4)  # half the last digit of the second
    assert u == pytest.approx([7.132e-04, 3.969e-10], rel=1e-4)
    assert fit.residual_sd == pytest.approx(0.002171, abs=5e-7)
    assert fit.degrees_of_freedom == 38


def test_quadratic() -> None:
    """The page prints -0.316081e-14 and 0.673618e-3, which a fit in full precision misses by two in the last digit."""
    b = QUADRATIC.parameters
    assert b == pytest.approx([6.735658e-4, 7.320592e-7, -3.160819e-15], rel=2e-7)
    assert b == pytest.approx([0.673618e-3, 0.732059e-6, -0.316081e-14], rel=1e-4)
    assert QUADRATIC.residual_sd == pytest.approx(2.051774e-4, abs=5e-11)
    assert QUADRATIC.degrees_of_freedom == 37


def curve(**changes) -> SignalOnLightness:
    return SignalOnLightness(
        coefficients=QUADRATIC.parameters,
        covariance=QUADRATIC.covariance,
        reading_variance=QUADRATIC.residual_sd**2,
        degrees_of_freedom=37,
        low=0.0,
        top=3.0e6,
        **changes,
    )


def test_load_of_a_new_deflection() -> None:
    estimate = invert_curve(curve(), signal(1.239722), NOTHING_ELSE, {})
    assert estimate.value == pytest.approx(1705106, abs=0.5)
    assert estimate.value == pytest.approx(1705105.57, abs=0.05)
    # The page inverts the prediction band, whose width changes along the curve; ours holds it as it is at the
    # estimate. Over 600 pounds either way that is worth less than a pound.
    assert estimate.low == pytest.approx(1704513, abs=1.5)
    assert estimate.high == pytest.approx(1705698, abs=1.5)


def test_second_root_is_rejected_by_the_range() -> None:
    b = QUADRATIC.parameters
    roots = np.sort(np.roots([b[2], b[1], b[0] - 1.239722]).real)
    assert roots[1] > 100 * roots[0]
    estimate = invert_curve(curve(), signal(1.239722), NOTHING_ELSE, {})
    assert estimate.value == pytest.approx(roots[0], abs=0.05)
    assert estimate.rival is None
