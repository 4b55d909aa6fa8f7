from dataclasses import replace

import numpy as np
import pytest
from lot_series import PINK, PINK_LEVELS, calibrate, calibrator, known_curve, series, strips_of

from stripread.calibrate import bootstrap, bootstrap_coverage
from stripread.errors import CalibrationRefusedError
from stripread.lot import Scatter


@pytest.fixture(scope="module")
def pad():
    return calibrate(series(PINK, PINK_LEVELS, u=0.0))


@pytest.mark.slow
def test_the_same_seed_gives_the_same_share(pad):
    one, again = (bootstrap_coverage(pad, resamples=2, seed=7) for _ in range(2))
    assert one == again
    assert 0 < one.intervals == sum(count for _, count in one.levels.values())
    assert 0 < one.strips <= 21
    assert one.share is not None
    assert one.share > 0.8  # far less would be wrong; how near to 0.95 is for the tests below


def drawn_pad(pad, *, strips: int):
    """Many strips of a known curve, scattered as it says."""
    curve = known_curve(PINK, top=3.0, u=0.0)
    rng = np.random.default_rng(3)
    calibrators = [
        calibrator(level, lab, k) for level in (0.5, 1, 2) for k, lab in enumerate(strips_of(curve, level, strips, rng))
    ]
    return replace(pad, curve=curve, calibrators=tuple(calibrators))


def refitted_to(monkeypatch, curve):
    """The refit always finds this curve: what is left is how its intervals hold strips of a known scatter."""

    def found(calibrators, **more):
        return replace(calibrate_result, curve=curve)

    calibrate_result = calibrate(series(PINK, PINK_LEVELS))
    monkeypatch.setattr(bootstrap, "calibrate_pad", found)


@pytest.mark.slow
def test_true_scatter_is_held_95_times_in_100(pad, monkeypatch):
    many = drawn_pad(pad, strips=150)
    refitted_to(monkeypatch, many.curve)
    found = bootstrap_coverage(many, resamples=1, seed=1)
    assert found.strips > 130  # some 37 of 100 are left out
    assert found.share == pytest.approx(0.95, abs=0.04)


def test_scatter_stated_at_half_its_size_shows(pad, monkeypatch):
    """Half the width holds 67 of 100."""
    many = drawn_pad(pad, strips=150)
    refitted_to(monkeypatch, replace(many.curve, scatter=Scatter(0.015, 0.15, 1000)))
    found = bootstrap_coverage(many, resamples=1, seed=1)
    assert found.share == pytest.approx(0.67, abs=0.1)


def test_strips_left_out_are_not_in_the_fit_and_a_strip_is_in_it_once(pad, monkeypatch):
    seen = []

    def watched(calibrators, **more):
        seen.append(calibrators)
        return pad

    monkeypatch.setattr(bootstrap, "calibrate_pad", watched)
    extra = (
        calibrator(20.0, (60, 30, 0), beyond=True),
        replace(calibrator(0.5, (0, 0, 0), "odd"), left_out=True),
    )
    found = bootstrap_coverage(replace(pad, calibrators=(*pad.calibrators, *extra)), resamples=3, seed=1)
    assert len(seen) == 3
    for calibrators in seen:
        keys = [(c.concentration, c.replicate) for c in calibrators]
        assert len(keys) == len(set(keys)) < 21
        assert {c.concentration for c in calibrators} == set(PINK_LEVELS)
    assert found.intervals == sum(21 - len(calibrators) for calibrators in seen)


def test_series_that_give_no_curve_are_counted(pad, monkeypatch):
    def refused(calibrators, **more):
        raise CalibrationRefusedError(expected="a", found="b", remedy="c")

    monkeypatch.setattr(bootstrap, "calibrate_pad", refused)
    found = bootstrap_coverage(pad, resamples=4, seed=1)
    assert (found.refused, found.intervals, found.share) == (4, 0, None)
