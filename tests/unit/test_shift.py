"""A condition's colours beside the lot's curve."""

import numpy as np
import pytest
from lot_series import PINK, known_curve

from stripread.lot import fit_shift, reacted_share, shifted_curve

CURVE = known_curve(PINK, top=3.0, u=1e-3)
AT = np.array([0.0, 0.3, 0.8, 1.5, 3.0])


def bend(c: np.ndarray) -> np.ndarray:
    share = reacted_share(c, *CURVE.parameters[:2])
    s = share / reacted_share(np.array([CURVE.top]), *CURVE.parameters[:2])
    return np.column_stack([0.4 + 0 * s, 0.3 - 1.0 * s, 0.8 * s])


def small(count: int) -> np.ndarray:
    return np.tile(1e-4 * np.eye(3), (count, 1, 1))


def test_a_smooth_shift_is_found_and_put_on_the_curve():
    shift = fit_shift(CURVE, AT, bend(AT), small(5))
    moved = shifted_curve(CURVE, [shift], np.array([1.0]))
    between = np.array([0.1, 0.5, 2.2])
    assert moved.lab(between) == pytest.approx(CURVE.lab(between) + bend(between), abs=0.02)


def test_half_the_weight_is_half_the_shift():
    shift = fit_shift(CURVE, AT, bend(AT), small(5))
    moved = shifted_curve(CURVE, [shift, shift], np.array([0.5, 0.0]))
    assert moved.lab(AT) == pytest.approx(CURVE.lab(AT) + bend(AT) / 2, abs=0.02)


def test_what_no_level_tells_stays_uncertain():
    few = fit_shift(CURVE, np.array([0.0, 0.3]), bend(np.array([0.0, 0.3])), small(2))
    many = fit_shift(CURVE, AT, bend(AT), small(5))
    u_few, u_many = (
        np.sqrt(shifted_curve(CURVE, [s], np.array([1.0])).covariance_at(np.array([3.0]))[0, 1, 1]) for s in (few, many)
    )
    assert u_few > 5 * u_many


def test_colours_that_no_smooth_shift_explains_widen_it():
    rough = bend(AT) + np.random.default_rng(2).normal(0, 0.5, (5, 3))
    smooth, bumpy = (fit_shift(CURVE, AT, d, small(5)).covariance for d in (bend(AT), rough))
    assert np.trace(bumpy) > 100 * np.trace(smooth)


def test_the_intervals_of_a_shift_hold_over_noise():
    rng, inside = np.random.default_rng(5), 0
    for _ in range(200):
        noise = rng.normal(0, 0.2, (5, 3))
        shift = fit_shift(CURVE, AT, bend(AT) + noise, np.tile(0.04 * np.eye(3), (5, 1, 1)))
        moved = shifted_curve(CURVE, [shift], np.array([1.0]))
        here = np.array([0.5])
        u = np.sqrt(moved.covariance_at(here)[0, 1, 1] - CURVE.covariance_at(here)[0, 1, 1])
        inside += abs(moved.lab(here) - CURVE.lab(here) - bend(here))[0, 1] < 1.96 * u
    assert inside >= 180  # the excess over the residuals only widens
