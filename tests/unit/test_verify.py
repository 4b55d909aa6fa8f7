import math

import numpy as np
import pytest

from stripread.lot import broken_rules, compare_to_known
from tests.listed import each


def test_e_n_is_the_difference_over_both_expanded_uncertainties():
    """By hand: U_x = 1.959964 x 0.1 for well-known u, U_ref = 2 x 0.1; E_n = 0.5 / sqrt(0.0384146 + 0.04)."""
    found = compare_to_known(10.5, 0.1, known=10.0, u_known=0.1)
    assert found.difference == pytest.approx(0.5)
    assert found.expanded_uncertainty == pytest.approx(math.sqrt(0.0384146 + 0.04), rel=1e-5)
    assert found.e_n == pytest.approx(1.7855, rel=1e-4)
    assert found.z == pytest.approx(0.5 / math.hypot(0.1, 0.1))
    assert not found.agrees


def test_few_degrees_of_freedom_widen_the_expanded_uncertainty():
    """Student's t for 95 % and 4 degrees of freedom is 2.776 (any table)."""
    found = compare_to_known(0.0, 1.0, known=2.5, u_known=0.0, degrees_of_freedom=4)
    assert found.expanded_uncertainty == pytest.approx(2.776, abs=5e-4)
    assert found.agrees
    assert not compare_to_known(0.0, 1.0, known=2.5, u_known=0.0).agrees
    assert found.z == -2.5


def test_good_readings_agree_95_times_in_100():
    rng = np.random.default_rng(4)
    off = rng.normal(0.0, math.hypot(0.3, 0.2), 4000)
    agreed = np.mean([compare_to_known(5 + d, 0.3, known=5.0, u_known=0.2).agrees for d in off])
    assert agreed == pytest.approx(0.95, abs=0.01)


@each(("u", "u_known"), [(0.0, 0.1), (-1.0, 0.1), (0.1, -0.1), (math.nan, 0.1), (0.1, math.nan)])
def test_uncertainties_that_are_none_are_refused(u, u_known):
    with pytest.raises(ValueError, match="standard uncertainties"):
        compare_to_known(1.0, u, known=1.0, u_known=u_known)


@each(
    ("scores", "words"),
    [
        ([], []),
        ([2.9, -2.9], []),
        ([0.1, 3.1], ["3.1 standard uncertainties over"]),
        ([-3.1], ["3.1 standard uncertainties under"]),
        ([2.1, 0.0, 2.2], ["two of the last three"]),
        ([2.1, -2.2], []),  # on either side
        ([2.1, 0.0, 0.0, 2.2], []),  # too long ago
        ([2.1, 2.2, 0.0], []),  # told when it happened
        ([-2.5, -3.5], ["beyond the action limit", "two of the last three"]),
    ],
)
def test_the_two_rules_of_the_chart(scores, words):
    broken = broken_rules(scores)
    assert len(broken) == len(words)
    for sentence, word in zip(broken, words, strict=True):
        assert word in str(sentence)


def test_rules_seldom_cry_wolf():
    """A check in control: 0.27 % lie beyond 3; two of three beyond 2 with the last one there: about 0.2 %."""
    rng = np.random.default_rng(5)
    z = rng.standard_normal(20_000)
    alarms = np.mean([bool(broken_rules(z[k - 2 : k + 1])) for k in range(2, len(z))])
    assert 0.002 < alarms < 0.007
