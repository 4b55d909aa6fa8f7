"""DIN 32645, calibration example: critical value, detection and quantification limits (ISO 11843 is equivalent).

Read in R package chemCal (din32645 and its tests); the standard itself was not at hand. The line goes through the
product's fit, the limits through the functions that give a lot's LOD and LOQ.
"""

import numpy as np
import pytest
from published import NOTHING_ELSE, SignalOnLightness, columns, fit_polynomial, signal
from scipy.stats import t as student

from stripread.lot import invert_curve, limit_of_quantification, minimum_detectable_value
from stripread.lot.limits import critical_value, standard_uncertainty_at

FIT = fit_polynomial(*columns("din32645_example.csv"), np.array([1000.0, 1000.0]))
LINE = SignalOnLightness(
    coefficients=FIT.parameters,
    covariance=FIT.covariance,
    reading_variance=FIT.residual_sd**2,
    degrees_of_freedom=FIT.degrees_of_freedom,
    low=0.0,
    top=0.5,
)
NONE = np.zeros((3, 3))  # the line's residuals hold all that a reading adds


def test_line() -> None:
    assert FIT.parameters == pytest.approx([2480.866667, 9661.939394], abs=5e-7)
    assert FIT.residual_sd == pytest.approx(192.293924, abs=5e-7)
    assert FIT.degrees_of_freedom == 8


def test_critical_value() -> None:
    """alpha = 1 %, one-sided, one reading; printed as 0.07 by the standard."""
    found = critical_value(LINE, NONE, t=student.ppf(0.99, 8))
    assert found is not None
    assert found == pytest.approx(0.07, abs=0.005)
    assert found == pytest.approx(0.0698127, abs=5e-8)
    assert float(LINE.lab(np.array([found]))[0, 0]) == pytest.approx(3155.393, abs=5e-4)


def test_minimum_detectable_value_by_the_standards_shortcut_and_solved() -> None:
    """The standard takes twice the critical value, 0.14; we solve c = t (u(0) + u(c))."""
    t = student.ppf(0.99, 8)
    critical = critical_value(LINE, NONE, t=t)
    assert critical is not None
    twice = 2 * critical
    assert twice == pytest.approx(0.14, abs=0.005)
    assert twice == pytest.approx(0.1396254, abs=5e-8)
    solved = minimum_detectable_value(LINE, NONE, t=t)
    assert solved is not None
    u = [standard_uncertainty_at(LINE, NONE, x) for x in (0.0, solved)]
    assert solved == pytest.approx(t * sum(u), abs=1e-9)
    assert solved < twice  # the band narrows towards the mean of the calibrators


def test_minimum_detectable_value_at_five_percent() -> None:
    """alpha = beta = 5 %, solved; chemCal 0.08655484.

    chemCal searches by minimising a square, so its last digits are the search's: 1e-5. The equation itself holds to
    rounding.
    """
    t = student.ppf(0.95, 8)
    solved = minimum_detectable_value(LINE, NONE, t=t)
    assert solved is not None
    assert solved == pytest.approx(0.08655484, abs=1e-5)
    s, b = 192.293924, 9661.939394
    band = [t * s / b * np.sqrt(1 + 1 / 10 + (x - 0.275) ** 2 / 0.20625) for x in (0.0, solved)]
    assert solved == pytest.approx(sum(band), abs=1e-9)


def test_limit_of_quantification() -> None:
    """k = 3, two-sided 99 %; printed 0.212."""
    found = limit_of_quantification(LINE, NONE, t=student.ppf(0.995, 8), k=3.0)
    assert found == pytest.approx(0.212, abs=5e-4)
    assert found == pytest.approx(0.2119500, abs=5e-8)


def test_reading_backwards() -> None:
    """y = 3500: x0 = 0.1054792; 99 % half-width 0.0743426 (printed 0.07434). Our intervals are of 95 %."""
    estimate = invert_curve(LINE, signal(3500.0), NOTHING_ELSE, {})
    assert estimate.value == pytest.approx(0.1054792, abs=5e-8)
    assert student.ppf(0.995, 8) * estimate.standard_uncertainty == pytest.approx(0.0743426, abs=5e-8)
    assert estimate.high is not None
    half_width = (estimate.high - estimate.value) * student.ppf(0.995, 8) / student.ppf(0.975, 8)
    assert half_width == pytest.approx(0.07434, abs=5e-6)
