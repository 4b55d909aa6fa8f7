"""What a study promises: honest intervals pass, too narrow ones and biased readings do not, each in 85 % of studies.

The rates themselves are measured over 1000 studies by ``python -m tests.benchmarks.study``; here so many studies are
drawn that a rate of three quarters would be noticed.
"""

import numpy as np
import pytest
from scipy.stats import binomtest

from stripread.study import FULL
from stripread.study.power import ALONE, NARROW, Scored, Shares
from stripread.study.power import WORLDS as WORLDS_OF_PLANS
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


def scored(plan, strength_of) -> Scored:
    by_name = {one.name: one for one in plan.strengths}
    rows = [(strip, photo) for strip in plan.strips for photo in strip.photos]
    rows = [row for row in rows if by_name[strength_of[row[0].code]].kind == "strength"]
    return Scored(
        strip=[strip.code for strip, _ in rows],
        place=[(photo.phone, photo.light) for _, photo in rows],
        u=np.array([by_name[strength_of[strip.code]].expected_u for strip, _ in rows]),
    )


@each("shares", WORLDS_OF_PLANS)
def test_the_calculated_chances_hold_for_drawn_errors(shares: Shares) -> None:
    """Errors drawn one by one, and their scores made as a table makes them, against the sum of chi-squares."""
    plan, strength_of = demo_plan(FULL, seed=34)
    made = scored(plan, strength_of)
    rng, u = np.random.default_rng(35), made.u
    root = np.linalg.cholesky(shares.correlation(made.strip, made.place) + 1e-12 * np.eye(len(u)))
    limit = next(one.limit for one in plan.criteria if one.name == "spread")
    place = WORLDS_OF_PLANS.index(shares)
    for width, drawn in ((1.0, made.spread().honest[place]), (NARROW, made.spread().narrow[place])):
        over = 0
        for _ in range(1500):
            errors = u * (root @ rng.standard_normal(len(u))) + made.u_truth * rng.standard_normal()
            over += made.rms(errors / np.hypot(width * u, made.u_truth)) > limit
        assert over / 1500 == pytest.approx(float(np.mean(drawn > limit**2)), abs=0.035)


def test_independent_photos_give_the_chi_square_of_the_textbooks() -> None:
    """95 % of chi-square with 10 degrees of freedom: 18.307 (any table)."""
    apart = Scored(strip=list(range(10)), place=list(range(10)), u=np.full(10, 0.1), u_truth=0.0)
    alone = apart.spread().honest[WORLDS_OF_PLANS.index(ALONE)]
    scores = np.random.default_rng(1).standard_normal((3000, 10))
    shared = np.array([apart.rms(one) ** 2 for one in scores])
    assert np.quantile(shared, 0.95) == pytest.approx(np.quantile(alone, 0.95), rel=0.05)
    assert np.quantile(alone, 0.95) == pytest.approx(18.307 / 10, rel=0.06)
