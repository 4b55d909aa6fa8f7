"""JCGM 100:2008 (GUM), example H.3: a thermometer's calibration line with the covariance of its parameters.

Read in GTC's documentation, Suncal's tests and R package propagate; the figures after the printed ones are recomputed.
"""

import numpy as np
import pytest
from published import columns, fit_polynomial

from stripread.calibrate.fit import Fit


@pytest.fixture(scope="module")
def fit() -> Fit:
    reading, correction = columns("gum_h3_thermometer.csv")
    return fit_polynomial(reading - 20.0, correction, np.array([-0.1, 0.01]))


def test_line(fit: Fit) -> None:
    intercept, slope = fit.parameters
    assert intercept == pytest.approx(-0.1712, abs=5e-5)
    assert slope == pytest.approx(0.00218, abs=5e-6)
    assert intercept == pytest.approx(-0.171203790, abs=5e-10)
    assert slope == pytest.approx(0.0021826977, abs=5e-11)


def test_standard_uncertainties_and_correlation(fit: Fit) -> None:
    u = np.sqrt(np.diag(fit.covariance))
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert u == pytest.approx([0.002877598, 0.0006679388], rel=2e-7)
    assert fit.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert fit.residual_sum_of_squares == pytest.approx(0.00011009658, abs=5e-12)
    assert fit.degrees_of_freedom == 9


def test_correction_at_30_degrees_uses_the_covariance(fit: Fit) -> None:
    at = np.array([1.0, 10.0])
    assert at @ fit.parameters == pytest.approx(-0.1494, abs=5e-5)
    u = np.sqrt(at @ fit.covariance @ at)
    assert u == pytest.approx(0.0041, abs=5e-5)
    # Without the covariance it would be nearly twice that.
    assert np.sqrt(at**2 @ np.diag(fit.covariance)) > 0.007


def test_predicted_corrections(fit: Fit) -> None:
    """The printed line at the printed temperatures, recomputed."""
    reading, correction = columns("gum_h3_thermometer.csv")
    predicted = [-0.1679, -0.1668, -0.1657, -0.1646, -0.1635, -0.1625, -0.1614, -0.1603, -0.1592, -0.1581, -0.1570]
    np.testing.assert_allclose(correction - fit.residuals, predicted, atol=5e-5)
    np.testing.assert_allclose(fit.parameters[0] + fit.parameters[1] * (reading - 20), predicted, atol=5e-5)
