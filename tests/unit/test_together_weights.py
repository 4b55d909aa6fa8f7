"""No photo of several counts for more than twice its share."""

import numpy as np
import pytest

from stripread.read.combine import _capped


def test_the_cap_holds_after_the_rest_was_shared_out():
    weights = 1 / np.array([0.01] + 9 * [1.0])  # one looks a hundred times better
    capped = _capped(weights / weights.sum(), 2 / 10)
    assert capped.sum() == pytest.approx(1)
    assert capped.max() == pytest.approx(0.2)
    assert capped[1:] == pytest.approx(0.8 / 9)


def test_those_that_are_near_each_other_stay_as_they_are():
    weights = np.array([0.3, 0.35, 0.35])
    assert _capped(weights, 2 / 3) == pytest.approx(weights)
