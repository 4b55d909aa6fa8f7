"""What a study promises: honest intervals pass, too narrow ones and biased readings do not, each in 85 % of studies.

The rates themselves are measured over 1000 studies by ``python -m tests.benchmarks.study``; here so many studies are
drawn that a rate of three quarters would be noticed.
"""

import numpy as np
import pytest
from scipy.stats import binomtest

from stripread.study import FULL
from stripread.study.power import NARROW, SHARES, Shares, spread_of
from tests.benchmarks.study import CASES, WORLDS, demo_plan, measure_rates
from tests.listed import each

STUDIES = 150
PROMISED = 0.85


def refuted(good: int, promised: float = PROMISED) -> bool:
    """Tell whether so many good studies speak against the promise, at 1 %."""
    return binomtest(good, STUDIES, promised, alternative="less").pvalue < 0.01


def test_the_test_itself_notices_a_rate_of_three_quarters() -> None:
    assert refuted(round(0.75 * STUDIES))
    assert not refuted(round(0.85 * STUDIES))


@pytest.mark.slow
@each("world", WORLDS)
def test_honest_intervals_pass(world: str) -> None:
    rates = measure_rates(CASES["honest intervals"], WORLDS[world], studies=STUDIES, seed=31)
    assert not refuted(rates.outcomes["pass"]), rates


@pytest.mark.slow
@each("world", WORLDS)
def test_intervals_a_third_too_narrow_fail(world: str) -> None:
    rates = measure_rates(CASES["a third too narrow"], WORLDS[world], studies=STUDIES, seed=32)
    assert not refuted(rates.outcomes["fail"]), rates


@pytest.mark.slow
@each("case", ["bias of +15 %", "bias of -15 %"])
def test_a_bias_of_15_percent_fails(case: str) -> None:
    for shares in WORLDS.values():
        rates = measure_rates(CASES[case], shares, studies=STUDIES, seed=33)
        assert not refuted(rates.outcomes["fail"]), rates


def test_the_calculated_chances_are_those_of_drawn_scores() -> None:
    """Without a truth that is uncertain itself, scores are normal with the stated correlation."""
    plan, strength_of = demo_plan(FULL, seed=34)
    kinds = {one.name: one.kind for one in plan.strengths}
    rows = [
        (s.code, p.phone, p.light) for s in plan.strips for p in s.photos if kinds[strength_of[s.code]] == "strength"
    ]
    strips, places = [row[0] for row in rows], [row[1:] for row in rows]
    spread = spread_of(strips, places)
    root = np.linalg.cholesky(SHARES.correlation(strips, places))
    scores = np.random.default_rng(35).standard_normal((4000, len(rows))) @ root.T
    rms = np.sqrt((scores**2).mean(axis=1))
    criterion = next(one for one in plan.criteria if one.name == "spread")
    assert np.mean(rms > criterion.limit) == pytest.approx(criterion.by_chance, abs=0.02)
    assert np.mean(rms / NARROW > criterion.limit) == pytest.approx(criterion.catches, abs=0.02)
    assert spread.exceeds(criterion.limit) == pytest.approx(criterion.by_chance, abs=0.01)


def test_independent_photos_give_the_chi_square_of_the_textbooks() -> None:
    """95 % of chi-square with 10 degrees of freedom: 18.307 (any table)."""
    alone = spread_of(list(range(10)), [0] * 10, shares=Shares(photo=1.0, strip=0.0, place=0.0, lot=0.0))
    assert 10 * alone.limit(0.05) ** 2 == pytest.approx(18.307, rel=0.02)
