"""The mean of an area, and whether its stated covariance tells the truth."""

import numpy as np
import pytest

from stripread.colour import block_mean, keep_typical
from stripread.geometry import Float
from tests.listed import each

COLOUR = np.array([0.5, 0.3, 0.2])


def grid(rows: int, columns: int) -> Float:
    y, x = np.mgrid[:rows, :columns]
    return np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)


def smooth_noise(rng: np.random.Generator, rows: int, columns: int, *, reach: int) -> Float:
    """Noise whose neighbours are alike over ``reach`` pixels, unit scatter, shape (rows * columns, 3)."""
    coarse = rng.standard_normal((-(-rows // reach), -(-columns // reach), 3))
    return np.kron(coarse, np.ones((reach, reach, 1)))[:rows, :columns].reshape(-1, 3)


def left_out(pixels: Float) -> float:
    return 1 - float(keep_typical(pixels.T, rounds=1).mean())


def test_the_mean_is_not_rounded() -> None:
    mean, covariance = block_mean(np.tile(COLOUR, (100, 1)).T, grid(10, 10))
    np.testing.assert_allclose(mean, COLOUR, rtol=1e-12)
    np.testing.assert_allclose(covariance, 0, atol=1e-20)


@each("reach", [1, 3])
def test_the_stated_covariance_is_that_of_repeated_means(reach: int) -> None:
    rng = np.random.default_rng(5)
    places = grid(30, 36)
    mix = np.array([[1, 0.5, 0], [0, 1, 0.3], [0, 0, 1]]) * 0.01
    means, stated = [], []
    for _ in range(600):
        pixels = COLOUR + smooth_noise(rng, 30, 36, reach=reach) @ mix
        mean, covariance = block_mean(pixels.T, places)
        means.append(mean)
        stated.append(covariance)
    true, mean_stated = np.cov(np.array(means).T), np.mean(stated, axis=0)
    # 600 repeats know a variance to 6 % (k = 1); structure that spans two blocks is seen only in part
    least = 0.85 if reach == 1 else 0.65
    assert (least < np.diag(mean_stated) / np.diag(true)).all()
    assert (np.diag(mean_stated) / np.diag(true) < 1.2).all()
    assert mean_stated[0, 1] == pytest.approx(true[0, 1], rel=0.4)
    naive = 0.01**2 / len(places)
    if reach == 3:
        assert mean_stated[0, 0] > 4 * naive


def test_a_slope_of_light_is_not_taken_for_noise() -> None:
    places = grid(30, 30)
    rng = np.random.default_rng(6)
    noise = 0.005 * rng.standard_normal((900, 3))
    slope = 0.05 * (places[:, :1] / 29 - 0.5) * COLOUR
    flat, u_flat = block_mean((COLOUR + noise).T, places)
    sloped, u_sloped = block_mean((COLOUR + slope + noise).T, places)
    np.testing.assert_allclose(sloped, flat, atol=1e-4)
    assert u_sloped[0, 0] < 1.5 * u_flat[0, 0]


def test_specks_are_left_out_and_counted() -> None:
    rng = np.random.default_rng(7)
    pixels = COLOUR + 0.01 * rng.standard_normal((1000, 3))
    pixels[::10] = 0.02
    assert left_out(pixels) == pytest.approx(0.1, abs=0.01)
    assert not keep_typical(pixels.T, rounds=1)[::10].any()


def test_rounding_to_eight_bits_is_no_speck() -> None:
    pixels = np.tile(COLOUR, (400, 1))
    pixels[::9] *= 1.01  # one code up in a flat area
    assert left_out(pixels) == 0


def test_a_handful_of_pixels_still_gives_a_covariance() -> None:
    rng = np.random.default_rng(8)
    _, covariance = block_mean((COLOUR + 0.01 * rng.standard_normal((6, 3))).T, grid(2, 3))
    assert covariance[0, 0] > 0
