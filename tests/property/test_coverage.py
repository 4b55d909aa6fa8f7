"""The 95 % interval covers the truth 95 times in 100, on conditions that no fit has seen (no pictures drawn)."""

import numpy as np
import pytest
from scipy.stats import t as student

from stripread.colour import DEGREES_OF_FREEDOM
from stripread.colour.mismatch import CONSTANTS
from tests.fitting.fit_mismatch import LEVELS, collect_errors, projected


def shares_inside(conditions: int) -> tuple[dict[str, float], float]:
    """Shares of errors within the stated 95 %, of each sort of pad and of all."""
    data = collect_errors(seen=False, conditions=conditions, seed=5)
    z, _ = projected(data, CONSTANTS)
    inside = np.abs(z) < student.ppf(0.975, DEGREES_OF_FREEDOM)
    kinds = {}
    start = 0
    for name, levels in LEVELS.items():
        kinds[name] = float(inside[:, start : start + len(levels)].mean())
        start += len(levels)
    return kinds, float(inside.mean())


@pytest.mark.slow
def test_stated_mismatch_covers_the_errors_of_unseen_lamps_phones_and_printers() -> None:
    """Errors of one condition go together: of 30, a share is good to about 4 %, and too wide cannot be told."""
    kinds, all_of_them = shares_inside(30)
    assert min(kinds["pink"], kinds["violet"]) >= 0.87, kinds
    assert all_of_them >= 0.88, kinds


@pytest.mark.long
def test_stated_mismatch_covers_as_often_as_it_says_and_not_always() -> None:
    """Of 90 conditions a share is good to about 2.3 %."""
    kinds, all_of_them = shares_inside(90)
    assert 0.90 <= kinds["pink"] <= 0.99, kinds
    assert 0.90 <= kinds["violet"] <= 0.99, kinds
    assert 0.90 <= all_of_them <= 0.98, kinds
