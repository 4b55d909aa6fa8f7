from dataclasses import replace

import numpy as np
import pytest
from lot_series import PH, PINK, PIXELS, VIOLET, known_curve, parameters, strips_of

from stripread.lot import KUBELKA_MUNK, Curve, Scatter, invert_curve
from stripread.lot.path import POLYNOMIAL
from tests.listed import each

CAUSES = {"pixels": PIXELS, "correction": np.diag([0.2, 0.3, 0.3]) ** 2}


def read(curve, lab, **more):
    return invert_curve(curve, lab, CAUSES, {}, **more)


@each(("path", "low", "top", "true"), [(PINK, 0.0, 3.0, 0.4), (VIOLET, 0.0, 300.0, 170.0), (PH, 6.0, 8.5, 7.3)])
def test_colour_on_the_curve_gives_its_concentration(path, low, top, true):
    curve = known_curve(path, low=low, top=top)
    estimate = read(curve, curve.lab(np.array([true]))[0])
    assert estimate.value == pytest.approx(true, rel=1e-5)
    assert estimate.delta_e < 1e-3
    assert estimate.chi2 < 1e-6
    assert estimate.low < true < estimate.high
    assert estimate.rival is None


def test_budget_adds_up_and_names_every_cause():
    curve = known_curve(VIOLET, top=300.0)
    estimate = read(curve, curve.lab(np.array([80.0]))[0] + [0.3, -0.2, 0.4])
    assert set(estimate.budget) == {"pixels", "correction", "curve", "strip_to_strip"}
    assert sum(u**2 for u in estimate.budget.values()) == pytest.approx(estimate.standard_uncertainty**2, rel=1e-9)
    assert min(estimate.budget.values()) > 0


def test_averaged_strips_have_less_strip_to_strip_scatter():
    curve = known_curve(VIOLET, top=300.0)
    lab = curve.lab(np.array([80.0]))[0]
    one, four = read(curve, lab), read(curve, lab, strips=4)
    assert four.standard_uncertainty < one.standard_uncertainty
    assert four.budget["strip_to_strip"] < 0.7 * one.budget["strip_to_strip"]


def test_few_degrees_of_freedom_widen_the_interval():
    many, few = (known_curve(PINK, top=3.0, scatter=(0.03, 0.3, n)) for n in (1000, 4))
    lab = many.lab(np.array([0.5]))[0]
    wide, narrow = read(few, lab), read(many, lab)
    assert wide.standard_uncertainty == pytest.approx(narrow.standard_uncertainty, rel=1e-9)
    assert wide.high - wide.low > 1.05 * (narrow.high - narrow.low)
    assert 4 < wide.degrees_of_freedom < narrow.degrees_of_freedom


def test_interval_is_longer_upwards_where_the_pad_saturates():
    curve = known_curve(parameters(1.0, 1.0, [95, 0, 3], [-30, 45, -6]), top=20.0, form=POLYNOMIAL)
    estimate = read(curve, curve.lab(np.array([8.0]))[0])
    assert estimate.high - estimate.value > 1.2 * (estimate.value - estimate.low)


def test_blank_ends_the_interval_at_zero():
    curve = known_curve(PINK, top=3.0)
    estimate = read(curve, curve.lab(np.array([0.0]))[0] + [0.3, -0.4, 0.0])
    assert estimate.value == pytest.approx(0.0, abs=1e-6)
    assert estimate.low == 0.0
    assert 0 < estimate.high < 0.2


def test_lowest_calibrator_of_a_scale_without_zero_leaves_the_interval_open():
    curve = known_curve(PH, low=6.0, top=8.5)
    estimate = read(curve, curve.lab(np.array([6.01]))[0])
    assert estimate.low is None
    assert estimate.high is not None


def test_interval_is_followed_over_the_top_calibrator():
    curve = known_curve(PINK, top=3.0)
    estimate = read(curve, curve.lab(np.array([2.98]))[0])
    assert 3.0 < estimate.high < curve.end == 4.5


def test_interval_is_open_where_the_curve_is_not_carried_to_its_end():
    curve = known_curve(PINK, top=3.0, scatter=(0.4, 0.3, 1000))
    estimate = read(curve, curve.lab(np.array([2.98]))[0])
    assert estimate.high is None
    assert estimate.low is not None


def test_blank_is_at_no_distance_from_zero_and_a_strong_pad_far():
    curve = known_curve(PINK, top=3.0)
    assert read(curve, curve.lab(np.array([0.0]))[0]).zero_distance == pytest.approx(0.0, abs=1e-6)
    assert read(curve, curve.lab(np.array([1.0]))[0]).zero_distance > 10
    assert (
        read(known_curve(PH, low=6.0, top=8.5), known_curve(PH, low=6.0, top=8.5).lab(np.array([7.0]))[0]).zero_distance
        is None
    )


def test_one_blank_in_twenty_is_further_from_zero_than_the_critical_distance():
    """ISO 11843-1's alpha; 3 SD of 1000 draws is 2 %."""
    rng = np.random.default_rng(3)
    curve = known_curve(PINK, top=3.0, u=1e-3)
    root = np.linalg.cholesky(sum(CAUSES.values()))
    blanks = strips_of(curve, 0.0, 1000, rng) + rng.standard_normal((1000, 3)) @ root.T
    assert np.mean([read(curve, lab).zero_distance > 1.645 for lab in blanks]) == pytest.approx(0.05, abs=0.02)


def test_an_error_of_the_stock_is_one_term_of_the_budget_and_relative():
    curve = replace(known_curve(VIOLET, top=300.0), u_stock=0.03)
    for true in (60.0, 200.0):
        estimate = read(curve, curve.lab(np.array([true]))[0])
        assert estimate.budget["stock"] == pytest.approx(0.03 * true, rel=1e-3)


def test_colour_beside_the_curve_is_far_off_in_chi2():
    curve = known_curve(VIOLET, top=300.0)
    estimate = read(curve, curve.lab(np.array([100.0]))[0] + [8.0, 8.0, 8.0])
    assert estimate.delta_e > 5
    assert estimate.chi2 > 50


def test_path_that_nearly_touches_itself_has_a_rival():
    """A path that goes out in a* and comes back 0.6 in L* beside itself."""
    curve = known_curve(parameters(1.0, 1.0, [60, 0, 0], [2, 80, 0], [0, -80, 0]), top=30.0, form=POLYNOMIAL)
    out, back = 0.15 / 0.85, 0.85 / 0.15  # t = 0.15 and t = 0.85 have the same a*
    middle = curve.lab(np.array([out, back])).mean(axis=0)
    estimate = read(curve, middle)
    assert estimate.rival is not None
    found = sorted([estimate.value, estimate.rival])
    assert found == pytest.approx([out, back], rel=0.1)


def test_turning_point_of_the_path_alone_is_no_rival():
    curve = known_curve(VIOLET, top=300.0)
    for true in (0.0, 5.0, 60.0, 300.0):
        assert read(curve, curve.lab(np.array([true]))[0] + [0.5, 0.5, -0.5]).rival is None


@pytest.mark.slow
@each(("path", "top", "true"), [(PINK, 3.0, 0.5), (VIOLET, 300.0, 60.0)])
def test_interval_covers_as_often_as_it_says(path, top, true):
    """Strips, pixels and the curve itself drawn from what the inversion is told of them; 3 SD of 1000 draws is 2 %."""
    rng = np.random.default_rng(11)
    curve = known_curve(path, top=top, u=0.2)
    root = np.linalg.cholesky(sum(CAUSES.values()))
    strips = strips_of(curve, true, 1000, rng)
    covered = 0
    for lab in strips:
        drawn = curve.parameters + np.r_[np.zeros(len(path)), 0.2 * rng.standard_normal(3)]
        lot = replace(curve, parameters=drawn)
        estimate = read(lot, lab + root @ rng.standard_normal(3))
        low = -np.inf if estimate.low is None else estimate.low
        high = np.inf if estimate.high is None else estimate.high
        covered += low <= true <= high
    assert 0.93 <= covered / 1000 <= 0.97


@pytest.mark.slow
def test_interval_covers_when_scatter_is_known_from_few_strips():
    """The scatter's own estimate is drawn too: Student's t has to make up for it."""
    rng = np.random.default_rng(12)
    covered = 0
    for _ in range(400):
        colour = 0.5 * np.sqrt(rng.chisquare(5) / 5)
        lot = Curve(PINK, np.zeros((11, 11)), 0.0, 3.0, Scatter(0.0, colour, 5), KUBELKA_MUNK)
        lab = lot.lab(np.array([1.0]))[0] + 0.5 * rng.standard_normal(3)
        estimate = invert_curve(lot, lab, {"pixels": 1e-6 * np.eye(3)}, {})
        low = -np.inf if estimate.low is None else estimate.low
        high = np.inf if estimate.high is None else estimate.high
        covered += low <= 1.0 <= high
    assert 0.92 <= covered / 400 <= 0.98  # 3 SD of 400 draws is 3.3 %
