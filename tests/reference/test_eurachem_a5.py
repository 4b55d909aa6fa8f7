"""EURACHEM/CITAC QUAM:2012.P1, example A5: cadmium by a calibration line, read backwards.

Data, line, c0 and u(c0) read in the documentation of GTC (CITAC_A5); correlation of the data and S
recomputed from the data. The line goes through the product's fit and its inversion.
"""

import numpy as np
import pytest
from published import NOTHING_ELSE, SignalOnLightness, columns, fit_polynomial, signal
from scipy.stats import t as student

from stripread.calibrate.fit import Fit
from stripread.lot import invert_curve

ABSORBANCE = np.mean([0.0712, 0.0716])


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fit_polynomial(*columns("eurachem_a5_cadmium_calibration.csv"), np.array([0.01, 0.2]))


@pytest.fixture(scope="module")
def line(fit: Fit) -> SignalOnLightness:
    return SignalOnLightness(
        coefficients=fit.parameters,
        covariance=fit.covariance,
        reading_variance=fit.residual_sd**2,
        degrees_of_freedom=fit.degrees_of_freedom,
        low=0.0,
        top=0.9,
    )


def test_line(fit: Fit) -> None:
    u = np.sqrt(np.diag(fit.covariance))
    assert fit.parameters == pytest.approx([0.0087, 0.2410], abs=5e-5)
    assert u == pytest.approx([0.0029, 0.0050], abs=5e-5)
    assert fit.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.87038, abs=1e-5)  # -0.870388 in full
    assert fit.residual_sd == pytest.approx(0.005486, abs=5e-7)
    assert fit.degrees_of_freedom == 13


def test_concentration_and_its_standard_uncertainty(line: SignalOnLightness) -> None:
    estimate = invert_curve(line, signal(ABSORBANCE), NOTHING_ELSE, {}, strips=2)
    assert estimate.value == pytest.approx(0.26, abs=0.005)
    assert estimate.standard_uncertainty == pytest.approx(0.018, abs=5e-4)
    assert estimate.value == pytest.approx(0.2601659751, abs=1e-8)
    assert estimate.standard_uncertainty == pytest.approx(0.0178446111, abs=1e-9)


def test_interval_has_the_degrees_of_freedom_of_the_line(line: SignalOnLightness) -> None:
    estimate = invert_curve(line, signal(ABSORBANCE), NOTHING_ELSE, {}, strips=2)
    half = student.ppf(0.975, 13) * 0.0178446111
    assert estimate.degrees_of_freedom == pytest.approx(13.0, abs=1e-6)
    assert (estimate.low, estimate.high) == pytest.approx((0.2601659751 - half, 0.2601659751 + half), abs=1e-6)
