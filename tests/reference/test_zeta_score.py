"""Two means compared, against plain arithmetic on the formulas of ISO 13528 (zeta score, E_n) as published.

zeta = (x1 - x2) / sqrt(u1^2 + u2^2); E_n = (x1 - x2) / sqrt(U1^2 + U2^2), with U = 2 u. The numbers are made up.
"""

import math

import pytest

from stripread.check import DIFFER, Stated, probability_alike, zeta_score
from stripread.units import Measured

CASES = ((0.35, 0.030, 0.41, 0.020), (212.0, 11.0, 231.0, 4.0), (0.10, 0.01, 0.10, 0.02), (1.0, 0.3, 2.5, 0.4))


def stated(value: float, u: float, freedom: float = math.inf) -> Stated:
    return Stated(number=Measured(value, u, degrees_of_freedom=freedom))


@pytest.mark.parametrize("case", CASES)
def test_zeta_is_the_difference_over_the_root_of_the_summed_squares(case):
    x1, u1, x2, u2 = case
    by_hand = (x2 - x1) / math.sqrt(u1 * u1 + u2 * u2)
    assert zeta_score(stated(x1, u1), stated(x2, u2)) == pytest.approx(by_hand, rel=1e-12)
    e_n = (x2 - x1) / math.sqrt((2 * u1) ** 2 + (2 * u2) ** 2)
    assert by_hand == pytest.approx(2 * e_n, rel=1e-12)


def test_three_four_five_by_hand():
    assert zeta_score(stated(10.0, 0.3), stated(11.0, 0.4)) == pytest.approx(2.0)


@pytest.mark.parametrize(("zeta", "differ"), [(2.0, False), (2.57, False), (2.58, True), (3.0, True)])
def test_what_differs_is_beyond_the_normal_distributions_one_in_a_hundred(zeta, differ):
    chance = probability_alike(stated(1.0, 0.03), stated(1.0 + 0.05 * zeta, 0.04))  # their u together: 0.05
    assert chance == pytest.approx(math.erfc(zeta / math.sqrt(2)), rel=1e-9)
    assert (chance < DIFFER) is differ


def test_an_uncertainty_known_from_few_is_students():
    # Two-sided 1 % point of Student's t, 4 degrees of freedom: 4.604 (any table of it).
    for t, differ in ((4.60, False), (4.61, True)):
        chance = probability_alike(stated(1.0, 0.1, 4), stated(1.0 + 0.1 * t, 0.0))
        assert (chance < DIFFER) is differ


def test_bounds_agree_with_all_on_their_right_side():
    under, over, number = Stated(under=0.05), Stated(over=0.5), stated(0.2, 0.01)
    assert probability_alike(under, stated(0.04, 0.01)) == 1
    assert probability_alike(under, number) < DIFFER
    assert probability_alike(number, over) < DIFFER
    assert probability_alike(over, stated(0.45, 0.05)) > DIFFER
    assert probability_alike(under, over) == 0
    assert probability_alike(Stated(under=0.6), over) == 1
    assert zeta_score(under, number) is None
