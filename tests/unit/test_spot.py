"""A pad's own light under a lamp's spot: profiles with and without tails, most of the pad lit."""

import numpy as np
import pytest

from stripread.geometry import Float
from stripread.strip.spot import Base, fit_base
from tests.listed import each

NOISE = 0.004
Y, X = np.meshgrid((np.arange(7) + 0.5) / 7 - 0.5, (np.arange(7) + 0.5) / 7 - 0.5, indexing="ij")
PROFILES = {
    "sharp rim": lambda r: 1 / (1 + np.exp(8 * (r - 1.2))),
    "Gaussian": lambda r: np.exp(-(r**2) / 2),
    "exponential": lambda r: np.exp(-r),
    "Lorentzian": lambda r: 1 / (1 + r**2),
}


def cells(profile: str, width: float, *, seed: int, strength: float = 0.3) -> Float:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-0.3, 0.3, 2)
    distance = np.hypot((X - x) / width, (Y - y) / (0.8 * width))
    light: Float = 0.5 + strength * PROFILES[profile](distance) + NOISE * rng.standard_normal((7, 7))
    return light


def fitted(light: Float, sigma: float = NOISE) -> Base:
    base = fit_base(light, np.ones((7, 7), dtype=bool), sigma)
    assert base is not None
    return base


@pytest.mark.slow
@each("profile", PROFILES)
def test_the_base_is_within_its_uncertainty_whatever_the_tail(profile: str) -> None:
    z, darkest = [], []
    for seed in range(30):
        light = cells(profile, 0.2, seed=seed)
        base = fitted(light)
        z.append((base.light - 0.5) / base.u)
        darkest.append((np.sort(light, axis=None)[:9].mean() - 0.5) / base.u)
    assert np.mean(np.abs(z) < 2) >= 0.9
    if profile == "Lorentzian":  # where the pad is darkest its colour is not yet seen
        assert np.mean(np.square(darkest)) > 2 * np.mean(np.square(z))


def test_a_spot_wider_than_the_pad_leaves_its_base_unknown() -> None:
    narrow, wide = (np.median([fitted(cells("Gaussian", w, seed=s)).u for s in range(10)]) for w in (0.12, 0.6))
    assert wide > 4 * narrow
    assert wide > 0.02


def test_cells_that_saturate_do_not_count() -> None:
    light = cells("Gaussian", 0.2, seed=3, strength=0.8)
    usable = light < 0.9
    base = fit_base(np.minimum(light, 0.9), usable, NOISE)
    assert base is not None
    assert abs(base.light - 0.5) < 2 * base.u
    assert fit_base(light, np.arange(49).reshape(7, 7) < 10, NOISE) is None
