"""The rules that look back call good water and good lots bad as rarely as they say, whatever the errors have in common.

The tables with more cases: ``python -m tests.benchmarks.control_rules`` and ``python -m tests.benchmarks.replicates``.
"""

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from stripread.check.conformity import probability_within
from stripread.check.history_rules import drift_at_point, jump_at_point
from stripread.check.replicates import check_replicates
from stripread.units import Measured, difference
from tests.benchmarks.control_rules import CHECKS, called_at, checks_of_a_lot, rate_at_point, score
from tests.listed import each

LOT_STATED, POINT_STATED = 0.07, 0.01  # docs/reference/findings.md


def lots_called(share: float, *, lots: int, shift: Any = 0.0, **more: Any) -> float:
    rng = np.random.default_rng([21, int(100 * share)])
    return sum(called_at(checks_of_a_lot(rng, share, **more) + shift) is not None for _ in range(lots)) / lots


@each("share", [0.0, 0.25, 0.4, 0.6])
def test_good_lots_are_called_drifting_as_rarely_whatever_their_checks_have_in_common(share: float) -> None:
    called = lots_called(share, lots=600)
    assert LOT_STATED / 1.5 - 0.02 < called < 1.5 * LOT_STATED, called  # 600 lots: 7 +- 1.0 %


def test_uncertainties_known_from_few_strips_make_no_drift() -> None:
    assert lots_called(0.25, lots=300, freedom=10.0) < 1.5 * LOT_STATED + 0.015
    assert lots_called(0.25, lots=300, freedom=14.0, one=True) < 1.5 * LOT_STATED + 0.015


@each(("share", "least"), [(0.0, 0.85), (0.4, 0.85), (0.6, 0.93)])
def test_a_lot_that_moves_by_two_uncertainties_is_found(share: float, least: float) -> None:
    assert lots_called(share, lots=100, shift=2.0 * (np.arange(CHECKS) >= 8)) > least


def test_a_score_is_as_rare_as_its_students_t() -> None:
    assert norm.sf(score(3.0, 1.0, 8.0)) == pytest.approx(student.sf(3.0, 8.0), rel=1e-3)
    assert norm.cdf(score(-2.0, 0.5, 5.0)) == pytest.approx(student.cdf(-4.0, 5.0), rel=1e-3)
    assert score(0.0, 1.0, 8.0) == 0.0


@each("rho", [0.0, 0.3, 0.6])
def test_good_water_is_no_jump_after_few_readings_or_many_nor_when_it_remembers(rho: float) -> None:
    rates = [rate_at_point(jump_at_point, count, rho, runs=400) for count in (5, 10, 20, 40)]
    assert np.mean(rates) < 1.5 * POINT_STATED + 0.003, rates  # 1600 readings: 1 +- 0.25 %


@each("when", ["irregular", "censored"])
def test_neither_irregular_times_nor_gaps_make_a_jump(when: str) -> None:
    rates = [rate_at_point(jump_at_point, count, 0.6, runs=400, when=when) for count in (5, 20)]
    assert np.mean(rates) < 1.5 * POINT_STATED + 0.006, rates  # 800 readings: 1 +- 0.35 %


@each("rho", [0.0, 0.3, 0.6])
def test_steady_water_that_remembers_is_no_drift(rho: float) -> None:
    rates = [rate_at_point(drift_at_point, count, rho, runs=400) for count in (10, 20, 40)]
    assert np.mean(rates) < 1.5 * POINT_STATED + 0.004, rates  # 1200 readings: 1 +- 0.3 %


def test_what_jumps_or_creeps_far_is_found() -> None:
    jump = rate_at_point(jump_at_point, 20, 0.3, runs=100, change=lambda share: np.where(share == 1, 6.0, 0.0))
    creep = rate_at_point(drift_at_point, 40, 0.3, runs=100, change=lambda share: 4.0 * share)
    assert jump > 0.95
    assert creep > 0.85


def _pads(values: Any, *, own: float, light: float, freedom: float) -> Any:
    budget = {"strip_to_strip": own, "colour_correction": light}
    u = float(np.hypot(own, light))
    effective = u**4 / (own**4 / freedom + light**4 / 8)
    return [
        SimpleNamespace(
            pad="a", unit="mg/L", lab=np.zeros(3), interval=(v - u, v + u), value=v, limit=None, censored=None,
            estimate=SimpleNamespace(value=v, budget=budget, degrees_of_freedom=effective),
        )
        for v in map(float, values)
    ]  # fmt: skip


@each("alike", [0.0, 0.7, 1.0])
def test_replicates_of_one_light_are_held_to_what_they_do_not_share(alike: float) -> None:
    """Two strips, whose light's error is as large as their own and as alike as is stated; apart or not."""
    rng = np.random.default_rng(int(31 + 10 * alike))
    correlation = np.array([[1.0, alike], [alike, 1.0]])
    runs, own, light, freedom = 4000, 0.02, 0.02, 14.0
    called = found = not_known = 0
    for _ in range(runs):
        stated = own * np.sqrt(rng.chisquare(freedom) / freedom), light * np.sqrt(rng.chisquare(8) / 8)
        values = 0.3 + rng.multivariate_normal(np.zeros(2), light**2 * correlation) + own * rng.normal(size=2)
        pads = _pads(values, own=stated[0], light=stated[1], freedom=freedom)
        called += check_replicates(cast(Any, pads), light=correlation) is not None
        apart = _pads(values + np.array([0.0, 0.12]), own=stated[0], light=stated[1], freedom=freedom)
        found += check_replicates(cast(Any, apart), light=correlation) is not None
        not_known += check_replicates(cast(Any, apart)) is not None
    assert 0.01 / 1.5 - 0.003 < called / runs < 0.015 + 0.002, called / runs  # 1 +- 0.16 %
    if alike == 1.0:
        assert found > 1.3 * not_known  # what the lights share hides no difference


def test_a_conformance_probability_is_right_as_often_as_it_says() -> None:
    """Where it says 95 to 97 %, the true value is within the limit in so many cases: u is an estimate of 5 freedoms.

    True values are spread evenly, so that the estimate alone tells of them.
    """
    rng = np.random.default_rng(5)
    truth = rng.uniform(-30, 30, 200_000)
    stated = np.sqrt(rng.chisquare(5, truth.size) / 5)
    value = truth + rng.normal(size=truth.size)
    near = np.abs(value) < 6
    said = np.array(
        [
            probability_within(float(v), float(u), None, 0.0, degrees_of_freedom=5.0)
            for v, u in zip(value[near], stated[near], strict=True)
        ]
    )
    sure = (said > 0.95) & (said < 0.97)
    assert abs(float(np.mean(truth[near][sure] <= 0)) - 0.96) < 0.02


def test_recipe_and_reading_that_agree_are_called_apart_as_often_as_stated() -> None:
    rng = np.random.default_rng(6)
    runs = 20_000
    stated = np.sqrt(rng.chisquare(6, runs) / 6)
    reading = rng.normal(size=runs)
    called = np.mean(
        [
            difference(Measured(0.0, 0.0), Measured(float(x), float(u), degrees_of_freedom=6.0)).probability < 0.01
            for x, u in zip(reading, stated, strict=True)
        ]
    )
    assert 0.008 < called < 0.012  # 1 +- 0.07 %; the normal distribution would call 4 %
