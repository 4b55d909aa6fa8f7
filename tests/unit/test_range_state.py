import math

import pytest

from stripread.check.conformity import probability_within, range_state
from tests.listed import each


def test_probability_of_both_sides_and_the_range_add_up_to_one():
    below = probability_within(0.8, 0.3, None, 0.5)
    inside = probability_within(0.8, 0.3, 0.5, 1.0)
    above = probability_within(0.8, 0.3, 1.0, None)
    assert below + inside + above == pytest.approx(1.0, abs=1e-12)
    assert min(below, inside, above) > 0.05


def test_no_limits_leave_certainty_however_they_are_spelt():
    assert probability_within(3.0, 1.0, None, None) == 1.0
    assert probability_within(3.0, 1.0, -math.inf, math.inf) == 1.0


@each(("value", "expected"), [(0.5, 1.0), (1.0, 1.0), (0.499, 0.0), (1.001, 0.0)])
def test_value_known_exactly_is_in_or_out_limits_included(value, expected):
    assert probability_within(value, 0.0, 0.5, 1.0) == expected


@each(("u", "low", "high"), [(-0.1, 0.0, 1.0), (math.nan, 0.0, 1.0), (0.1, 2.0, 1.0)])
def test_nonsense_is_refused(u, low, high):
    with pytest.raises(ValueError, match=r"a (standard uncertainty|range)"):
        probability_within(0.5, u, low, high)


@each(
    ("interval", "low", "high", "state"),
    [
        ((0.6, 0.9), 0.5, 1.0, "within"),
        ((0.5, 1.0), 0.5, 1.0, "within"),  # the limits belong to the range
        ((0.1, 0.4), 0.5, 1.0, "below"),
        ((1.1, 1.4), 0.5, 1.0, "above"),
        ((0.4, 0.9), 0.5, 1.0, "undecided"),
        ((0.6, 1.1), 0.5, 1.0, "undecided"),
        ((0.4, 1.1), 0.5, 1.0, "undecided"),
        ((1.1, None), 0.5, 1.0, "above"),
        ((0.9, None), 0.5, 1.0, "undecided"),
        ((0.9, None), 0.5, None, "within"),
        ((None, 0.4), 0.5, 1.0, "below"),
        ((None, 0.9), 0.5, 1.0, "undecided"),
        ((None, 0.9), None, 1.0, "within"),
        ((None, None), 0.5, 1.0, "undecided"),
        ((None, None), None, None, "within"),
        ((0.0, 0.4), -math.inf, 0.5, "within"),
    ],
)
def test_range_state(interval, low, high, state):
    assert range_state(interval, low, high) == state
