import numpy as np
from scipy.interpolate import BSpline

from stripread.colour.tone import tone_basis

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
