"""Warmth in generation and loss: by Arrhenius' law, wide where nobody measured it."""

import math

import numpy as np
import pytest

from stripread.errors import WaterError
from stripread.units import Measured
from stripread.water import COVERS, Timed, actual_yield, cover_prior, expected_generation, fit_loss, load_sachet
from tests.listed import each

EXAMPLE = load_sachet("example")
WATER = Measured(20.0)
CURVE = ([0, 1, 2, 4, 8, 12, 24], [0, 0.22, 0.39, 0.62, 0.85, 0.94, 1.0])


def factor(celsius, activation=50.0):
    """By hand: exp(-E/R (1/T - 1/T0)), the curve's own 20 C as T0."""
    return math.exp(-activation / 8.314463e-3 * (1 / (celsius + 273.15) - 1 / 293.15))


def made(celsius, *, u=0.0, hours=12.0):
    return expected_generation(
        EXAMPLE, water_l=WATER, hours=hours, temperature_c=None if celsius is None else Measured(celsius, u)
    )


@each("celsius", [5.0, 12.0, 20.0, 28.0])
def test_the_curve_goes_by_slower_in_cold_water(celsius):
    share = np.interp(12 * factor(celsius), *CURVE)
    assert made(celsius).strength_mg_per_l.value == pytest.approx(450 * share, rel=1e-6)


def test_cold_water_in_winter_gives_a_third_less_and_says_how_unsure_that_is():
    """A wide activation energy: 20 to 80 kJ/mol at 5 C are factors from 0.6 to 0.2."""
    cold = made(5.0).share
    assert cold.value == pytest.approx(0.62, abs=0.02)
    ends = [np.interp(12 * factor(5.0, e), *CURVE) for e in (50 + 1.96 * 20, 50 - 1.96 * 20)]
    assert cold.interval[0] == pytest.approx(ends[0], abs=0.08)
    assert cold.interval[1] == pytest.approx(ends[1], abs=0.08)


def test_plain_draws_give_the_same_interval_where_nobody_told_the_temperature():
    rng = np.random.default_rng(8)
    n = 200_000
    warm, activation, off = 20 + 7.5 * rng.normal(size=n), 50 + 20 * rng.normal(size=n), rng.normal(size=n)
    passed = 12 * np.exp(-activation / 8.314463e-3 * (1 / (warm + 273.15) - 1 / 293.15))
    us = np.interp(passed, CURVE[0], [0, 0.05, 0.06, 0.06, 0.05, 0.03, 0.01])
    share = np.clip(np.interp(passed, *CURVE) + off * us, 0, 1)
    low, high = made(None).share.interval
    assert low == pytest.approx(np.quantile(share, 0.025), abs=0.03)
    assert high == pytest.approx(np.quantile(share, 0.975), abs=0.01)
    assert made(None).share.u > 3 * made(20.0).share.u


def test_a_known_temperature_like_that_of_the_file_changes_nothing():
    """The answer of the curve itself: 0.94 with u 0.03, and 8 % of the yield."""
    strength = made(20.0).strength_mg_per_l
    assert strength.value == pytest.approx(450 * 0.94)
    assert strength.u == pytest.approx(450 * 0.94 * math.hypot(0.03 / 0.94, 0.08), rel=1e-3)


def test_a_share_is_never_over_all_and_a_mixture_never_over_the_yield():
    warm = made(35.0, u=5.0, hours=20.0)
    assert warm.share.interval[1] <= 1.0
    assert warm.share.interval[0] > 0.9


def test_cold_water_may_be_left_longer_than_the_curve_and_warm_water_not():
    assert made(5.0, hours=36.0).share.value == pytest.approx(np.interp(36 * factor(5.0), *CURVE))
    with pytest.raises(WaterError, match="ends at 24 h"):
        made(30.0, hours=36.0)
    with pytest.raises(WaterError, match="ends at 24 h"):
        made(None, hours=36.0)


def test_no_water_at_sixty_degrees():
    with pytest.raises(WaterError, match="0 to 40 C"):
        made(60.0)


def test_a_weak_reading_in_cold_water_is_no_weak_sachet():
    reading = Measured(450 * np.interp(12 * factor(5.0), *CURVE), 15.0)
    said = [
        actual_yield(EXAMPLE, water_l=WATER, hours=12.0, reading_mg_per_l=reading, temperature_c=warmth)
        for warmth in (Measured(20.0), Measured(5.0, 1.0))
    ]
    assert said[0].difference.probability < 0.05
    assert said[1].difference.probability > 0.5
    assert said[1].share_of_stated.value == pytest.approx(1.0, rel=0.01)


@each("cover", sorted(COVERS))
def test_a_stock_lasts_longer_in_the_cold(cover):
    cold, warm = cover_prior(cover, Measured(5.0, 1.0)), cover_prior(cover, Measured(30.0, 1.0))
    assert cold.half_life == pytest.approx(COVERS[cover].half_life / factor(5.0))
    assert warm.half_life == pytest.approx(COVERS[cover].half_life / factor(30.0))


def test_what_the_season_does_is_in_the_cover_s_factor_until_the_temperature_is_known():
    """At 20 C the season's 7.5 C, 0.07 of ln k a degree, go out of the factor of 3; farther away E's own u comes in."""
    assert cover_prior("open") == COVERS["open"]
    per_degree = 50 / 8.314463e-3 / 293.15**2
    rest = math.log(3) ** 2 - (7.5 * per_degree) ** 2
    assert cover_prior("open", Measured(20.0)).factor == pytest.approx(math.exp(math.sqrt(rest)))
    away = 20 / 8.314463e-3 * (1 / 278.15 - 1 / 293.15)
    assert cover_prior("open", Measured(5.0)).factor == pytest.approx(math.exp(math.sqrt(rest + away**2)))


def test_a_forecast_in_winter_reaches_further():
    one = [Timed(0.0, Measured(220.0, 11.0))]
    cold, any_season = (fit_loss(one, prior=cover_prior("covered", t)) for t in (Measured(5.0, 1.0), None))
    assert cold.half_life.value > 2 * any_season.half_life.value
