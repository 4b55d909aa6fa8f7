"""A number is undecided only where its probability of being within lies from 5 to 95 %."""

from statistics import NormalDist

import pytest

from stripread.check.conformity import judged_state
from stripread.report.words import headline_of
from stripread.units import Measured
from tests.listed import each


def by_hand(value, u, low, high):
    it = NormalDist(value, u)
    return it.cdf(low), it.cdf(high) - it.cdf(low), 1 - it.cdf(high)


def test_two_percent_within_is_too_low_and_not_near_a_limit():
    """230 mg/L with u 9.7 in 250 to 350 has a probability of 2 %: its 95 % interval reaches 249 to 250 all the same."""
    _, within, _ = by_hand(230.0, 9.8, 250.0, 350.0)
    assert within == pytest.approx(0.02, abs=0.002)
    assert 230 + 1.96 * 10.3 > 250  # with a little more the interval straddles the limit
    for u in (9.8, 10.3, 12.0):
        assert judged_state(Measured(230.0, u), 250.0, 350.0) == "below", u
    assert str(headline_of("valid", {"below"}).words) == "TOO LOW"


@each(
    ("value", "u"),
    [
        (230, 10.3),
        (232, 11),
        (240, 10),
        (250, 5),
        (260, 5),
        (260, 6.3),
        (258, 5),
        (300, 5),
        (345, 5),
        (362, 7),
        (380, 9),
    ],
)
def test_the_states_are_those_of_the_probabilities(value, u):
    below, within, above = by_hand(value, u, 250.0, 350.0)
    state = judged_state(Measured(float(value), float(u)), 250.0, 350.0)
    assert (state == "undecided") == (0.05 < within < 0.95)
    assert (state == "within") == (within >= 0.95)
    assert (state == "below") == (below >= 0.95)
    assert (state == "above") == (above >= 0.95)


def test_a_range_far_narrower_than_the_uncertainty_leaves_the_side_open():
    assert judged_state(Measured(300.0, 50.0), 299.0, 301.0) == "undecided"


def test_no_lower_limit_is_never_below():
    assert judged_state(Measured(0.02, 0.05), None, 0.2) == "within"
    assert judged_state(Measured(0.4, 0.05), None, 0.2) == "above"
