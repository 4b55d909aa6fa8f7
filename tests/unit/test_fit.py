import numpy as np
import pytest

from stripread.calibrate.fit import complex_step_jacobian, fit_parameters

X = np.linspace(0, 4, 15)


def decay(b):
    return b[0] * np.exp(-b[1] * X)


def test_complex_step_is_exact_to_rounding():
    b = np.array([3.0, 0.7])
    exact = np.stack([np.exp(-0.7 * X), -3.0 * X * np.exp(-0.7 * X)], axis=-1)
    np.testing.assert_allclose(complex_step_jacobian(decay, b), exact, rtol=1e-14)


def test_exact_signal_gives_its_parameters_back():
    fit = fit_parameters(decay, decay(np.array([3.0, 0.7])), np.ones(15), np.array([1.0, 0.1]))
    assert fit.parameters == pytest.approx([3.0, 0.7], rel=1e-9)
    assert fit.residual_sum_of_squares < 1e-20


def test_slope_in_closed_form_changes_nothing():
    noisy = decay(np.array([3.0, 0.7])) + 0.05 * np.random.default_rng(0).standard_normal(15)

    def slope(b):
        return np.stack([np.exp(-b[1] * X), -b[0] * X * np.exp(-b[1] * X)], axis=-1)

    plain = fit_parameters(decay, noisy, np.ones(15), np.array([1.0, 0.1]))
    given = fit_parameters(decay, noisy, np.ones(15), np.array([1.0, 0.1]), slope=slope)
    assert given.parameters == pytest.approx(plain.parameters, rel=1e-8)
    assert given.covariance == pytest.approx(plain.covariance, rel=1e-6)


def test_residuals_are_measured_minus_predicted_and_weighted():
    fit = fit_parameters(lambda b: b[0] * np.ones(3), np.array([1.0, 2.0, 6.0]), np.array([1.0, 2.0, 1.0]), np.ones(1))
    mean = (1 + 4 * 2 + 6) / 6
    assert fit.parameters == pytest.approx([mean])
    assert fit.residuals == pytest.approx([1 - mean, 2 * (2 - mean), 6 - mean])
    assert fit.unscaled_covariance == pytest.approx(np.array([[1 / 6]]))
    assert fit.degrees_of_freedom == 2


def test_whitening_matrix_uses_the_correlation_of_the_data():
    """Two readings with a common error: the difference is known better than either."""
    covariance = np.array([[1.0, 0.9], [0.9, 1.0]])
    whiten = np.linalg.cholesky(np.linalg.inv(covariance)).T
    fit = fit_parameters(lambda b: b, np.array([4.0, 5.0]), whiten, np.ones(2))
    assert fit.unscaled_covariance == pytest.approx(covariance)


def test_start_of_zero_is_no_obstacle():
    fit = fit_parameters(lambda b: b[0] + b[1] * X, 2 - 3 * X, np.ones(15), np.zeros(2))
    assert fit.parameters == pytest.approx([2.0, -3.0])


def test_step_that_overflows_is_taken_back():
    """From b2 = 1 the first step of this set goes where exp overflows (NIST's BoxBOD, start 1)."""
    x = np.array([1.0, 2, 3, 5, 7, 10])
    y = np.array([109.0, 149, 149, 191, 213, 224])
    fit = fit_parameters(lambda b: b[0] * (1 - np.exp(-b[1] * x)), y, np.ones(6), np.array([1.0, 1.0]))
    assert fit.parameters == pytest.approx([213.80940889, 0.54723748542], rel=1e-6)


def test_start_without_a_finite_prediction_is_refused():
    with pytest.raises(ValueError, match="not finite at the start"), np.errstate(all="ignore"):
        fit_parameters(lambda b: np.log(b[0]) * X, X, np.ones(15), np.array([-1.0]))
