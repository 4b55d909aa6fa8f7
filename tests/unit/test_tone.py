import numpy as np
import pytest
from scipy.interpolate import BSpline

from stripread.colour import tone_basis
from stripread.colour.tone import scatter_by_place

LOW, HIGH, INTERVALS = 0.05, 0.90, 7
KNOTS = LOW + (HIGH - LOW) / INTERVALS * np.arange(-3, INTERVALS + 4)
SPLINES = BSpline(KNOTS, np.eye(INTERVALS + 3), 3)


def test_basis_is_that_of_cubic_splines_on_even_knots() -> None:
    codes = np.linspace(LOW, HIGH, 1001)
    np.testing.assert_allclose(tone_basis(LOW, HIGH, codes), SPLINES(codes), atol=1e-14)


def test_basis_goes_on_straight_beyond_the_codes_that_were_seen() -> None:
    for end, codes in ((LOW, np.array([-0.2, 0.0, 0.04])), (HIGH, np.array([0.91, 1.0, 1.3]))):
        straight = SPLINES(end) + np.multiply.outer(codes - end, SPLINES(end, nu=1))
        np.testing.assert_allclose(tone_basis(LOW, HIGH, codes), straight, atol=1e-13)


def test_each_channel_has_its_own_ends() -> None:
    low, high = np.array([0.05, 0.1, 0.2]), np.array([0.9, 0.8, 1.0])
    codes = np.random.default_rng(1).uniform(0, 1, (20, 3))
    together = tone_basis(low, high, codes)
    assert together.shape == (20, 3, INTERVALS + 3)
    for c in range(3):
        np.testing.assert_array_equal(together[:, c], tone_basis(low[c], high[c], codes[:, c]))


def neutrals(count: int, scatter: float, *, noise: float = 0.0065, tinted: bool = False, seed: int = 1) -> float:
    """Scatter found in residuals of ``scatter`` alike in all channels, or of opposite sign in two of them."""
    rng = np.random.default_rng(seed)
    channels = np.array([1.0, 0.0, -1.0]) if tinted else np.ones(3)
    residual = scatter * rng.normal(size=(count, 1)) * channels + noise * rng.normal(size=(count, 1))
    return scatter_by_place(residual, np.full((count, 3), 0.9), np.full(count, noise**2))


def test_scatter_by_place_is_what_the_print_does_not_explain() -> None:
    found = [neutrals(56, 0.02, seed=seed) for seed in range(50)]
    assert np.mean(found) == pytest.approx(0.02, rel=0.1)


def test_the_print_s_own_noise_is_seldom_taken_for_a_phone_s_doing() -> None:
    found = np.array([neutrals(56, 0.0, seed=seed) for seed in range(200)])
    assert np.mean(found > 0) < 0.25  # one standard error is passed by chance in 16 of 100
    assert found.max() < 0.0065


def test_colour_that_changes_by_place_is_no_change_of_light() -> None:
    assert neutrals(56, 0.02, tinted=True) < 0.003
