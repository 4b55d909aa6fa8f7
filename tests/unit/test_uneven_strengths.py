"""Strengths whose distribution is not even, as of a stock that has aged, and what follows: held to plain draws."""

import math

import numpy as np
import pytest

from stripread.units import Measured, difference, propagate
from stripread.water import COVERS, Timed, fit_loss, mix, recipe_finding, strength_at
from tests.listed import each

GALLON = 3.785411784
DRAWS = 200_000


def aged(hours, *, read=546.0, u=33.0, cover="open"):
    """Draw a strength read at 0 h and aged by the cover's loss, as a person with a spreadsheet would."""
    rng = np.random.default_rng(5)
    prior = COVERS[cover]
    half_life = prior.half_life * prior.factor ** rng.normal(size=DRAWS)
    return (read + u * rng.normal(size=DRAWS)) * 0.5 ** (hours / half_life)


def fitted(hours, *, read=546.0, u=33.0, cover="open"):
    return strength_at(fit_loss([Timed(0.0, Measured(read, u))], prior=COVERS[cover]), hours)


@each("hours", [6.0, 24.0, 72.0])
def test_a_stock_of_an_aged_concentrate_has_the_interval_of_plain_draws(hours):
    rng = np.random.default_rng(6)
    v, w = (x * GALLON * (1 + 0.02 * rng.normal(size=DRAWS)) for x in (1.0, 1.5))
    low, high = np.quantile(aged(hours) * v / (v + w), (0.025, 0.975))
    made = mix((Measured(GALLON, 0.02 * GALLON), fitted(hours)), (Measured(1.5 * GALLON, 0.03 * GALLON), Measured(0.0)))
    width = high - low
    assert made.interval[0] == pytest.approx(low, abs=0.03 * width)
    assert made.interval[1] == pytest.approx(high, abs=0.03 * width)
    # 1 gal of 546 in 2.5 gal is 218 mg/L, and the reading's 95 % lets it be 12 % more: no loss makes it stronger
    assert made.interval[1] <= (546 + 2 * 33) / 2.5 * 1.05


@each("hours", [0.5, 12.0, 200.0])
def test_an_aged_strength_stays_under_its_start(hours):
    start, later = fitted(0.0), fitted(hours)
    assert later.value < start.value
    assert later.interval[1] <= start.interval[1]
    assert max(later.quantiles) <= max(start.quantiles)


def test_a_concentrate_read_late_was_never_stronger_than_what_went_in():
    """Read as 200 mg/L after 48 h in an open tank: by its loss alone it could have begun at thousands."""
    fit = fit_loss([Timed(48.0, Measured(200.0, 12.0))], prior=COVERS["open"])
    most = 546 + 1.96 * 44  # of the sachets in it
    early = strength_at(fit, 1.0, most_mg_per_l=most)
    assert early.interval[1] <= most
    assert early.interval[1] < strength_at(fit, 1.0).interval[1]
    stock = mix((Measured(1.0, 0.02), early), (Measured(1.5, 0.03), Measured(0.0)))
    assert stock.interval[1] <= most / 2.5 * 1.05


def test_what_went_in_does_not_overrule_readings_that_contradict_it():
    fit = fit_loss([Timed(0.0, Measured(700.0, 20.0))], prior=COVERS["sealed"])
    assert strength_at(fit, 1.0, most_mg_per_l=500.0).interval == pytest.approx(strength_at(fit, 1.0).interval)


@each(("reading", "u"), [(40.0, 3.0), (120.0, 7.0), (200.0, 12.0), (235.0, 12.0)])
def test_recipe_and_reading_are_held_against_each_other_by_the_distribution_itself(reading, u):
    rng = np.random.default_rng(7)
    stock = aged(24.0) / 2.5
    read = reading + u * rng.normal(size=DRAWS)
    chance = 2 * min(np.mean(read < stock), np.mean(read > stock))
    made = mix((Measured(1.0), fitted(24.0)), (Measured(1.5), Measured(0.0)))
    found = difference(made, Measured(reading, u))
    assert found.probability == pytest.approx(chance, abs=0.01)
    assert (recipe_finding(made, Measured(reading, u)) is not None) == (chance < 0.05)


def test_a_reading_over_what_went_in_is_found_however_unsure_the_loss():
    """About 137 mg/L is left of 218, give or take 60; 280 is more than was ever in it."""
    made = mix((Measured(1.0), fitted(24.0)), (Measured(1.5), Measured(0.0)))
    assert recipe_finding(made, Measured(280.0, 14.0)).code == "recipe_mismatch"


def test_an_interval_that_is_not_even_goes_through_a_product_as_two_halves():
    given = Measured(0.4, 0.077, (0.35, 0.65))
    doubled = propagate(lambda c, v: c * v, given, Measured(2.0))
    assert doubled.value == pytest.approx(0.8)
    assert doubled.interval == pytest.approx((0.70, 1.30), rel=0.01)


def test_a_mixture_is_never_stronger_than_its_strongest_part():
    unsure = mix((Measured(2.0, 2.0), Measured(500.0, 10.0)), (Measured(1.0, 1.0), Measured(0.0)))
    assert unsure.interval[1] == pytest.approx(500 + 1.96 * 10, rel=1e-4)


def test_a_ceiling_cuts_off_the_interval_and_never_the_value():
    assert Measured(0.97, 0.05, ceiling=1.0).interval[1] == 1.0
    assert Measured(1.2, 0.05, ceiling=1.0).interval[1] == 1.2
    assert Measured(0.97, 0.05, ceiling=1.0).scaled(100).interval[1] == pytest.approx(100.0)


def test_the_same_question_has_the_same_answer():
    once, again = (mix((Measured(1.0, 0.02), fitted(24.0)), (Measured(1.5, 0.03), Measured(0.0))) for _ in range(2))
    assert once == again


def test_an_end_beyond_all_numbers_is_left_open():
    found = propagate(lambda x: 1 / np.maximum(x - 0.3, 0.0), Measured(1.0, 0.4, (0.0, 1.5)))
    assert found.interval[1] is None
    assert math.isfinite(found.u)
