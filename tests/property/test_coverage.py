"""The 95 % interval covers the truth 95 times in 100, on conditions that no fit has seen (no pictures drawn)."""

import numpy as np
from scipy.stats import t as student

from stripread.colour import DEGREES_OF_FREEDOM
from stripread.colour.mismatch import CONSTANTS
from tests.fitting.fit_mismatch import LEVELS, collect_errors, projected


def test_stated_mismatch_covers_the_errors_of_unseen_lamps_phones_and_printers() -> None:
    data = collect_errors(seen=False, conditions=90, seed=5)
    z, _ = projected(data, CONSTANTS)
    inside = np.abs(z) < student.ppf(0.975, DEGREES_OF_FREEDOM)
    kinds = {}
    start = 0
    for name, levels in LEVELS.items():
        kinds[name] = float(inside[:, start : start + len(levels)].mean())
        start += len(levels)
    # 90 conditions: errors of one condition go together, so each share is good to about 2.3 %.
    assert 0.90 <= kinds["pink"] <= 0.99, kinds
    assert 0.90 <= kinds["violet"] <= 0.99, kinds
    assert 0.90 <= inside.mean() <= 0.98, kinds
