from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from lot_series import OLD_PH, OLD_PINK, OLD_VIOLET, PH, PINK, PINK_LEVELS, VIOLET, calibrate, known_curve, series

from stripread.calibrate.fit import complex_step_jacobian
from stripread.errors import LotFileError
from stripread.lot import KUBELKA_MUNK, Curve, Lot, Scatter, load_lot, reacted_share, save_lot
from stripread.lot.path import POLYNOMIAL
from tests.listed import each


def test_reacted_share_is_none_at_zero_half_at_k_and_never_whole():
    share = reacted_share(np.array([0.0, 3.0, 1e6]), np.log(3.0), np.log(1.4))
    assert share[0] == 0.0
    assert share[1] == pytest.approx(0.5)
    assert 0.999 < share[2] < 1.0


@each("hill", [0.5, 1.0, 14.0])
def test_reacted_share_only_grows(hill):
    share = reacted_share(np.linspace(0, 10, 200), np.log(4.0), np.log(hill))
    assert (np.diff(share) >= 0).all()


def test_reacted_share_takes_extreme_exponents_without_a_warning():
    share = reacted_share(np.array([0.0, 1e-200, 1e-3, 1e3]), np.log(1.0), np.log(500.0))
    assert share == pytest.approx([0, 0, 0, 1], abs=1e-12)


@each("path", [OLD_PINK, OLD_VIOLET, OLD_PH])
def test_slope_in_closed_form_is_that_of_the_complex_step(path):
    c = np.array([0.0, 1e-6, 0.3, 7.0, 8.5, 250.0])
    exact = complex_step_jacobian(lambda p: POLYNOMIAL.lab(p, c).ravel(), path).reshape(len(c), 3, -1)
    np.testing.assert_allclose(POLYNOMIAL.slope(path, c), exact, rtol=1e-9, atol=1e-12)


@each("path", [PINK, VIOLET, PH, np.append(VIOLET, [0.3, -0.2, 0.1, -1.0, 0.5, 0.4])])
def test_slope_of_a_kubelka_munk_path_is_that_of_differences(path):
    c = np.array([0.0, 0.3, 7.0, 8.5, 250.0])
    for index, one in enumerate(np.eye(len(path))):
        step = 1e-6
        by = (KUBELKA_MUNK.lab(path + step * one, c) - KUBELKA_MUNK.lab(path - step * one, c)) / (2 * step)
        np.testing.assert_allclose(KUBELKA_MUNK.slope(path, c)[:, :, index], by, rtol=1e-5, atol=1e-6)


def test_amount_of_dye_moves_colours_as_more_dye_does():
    c, more = np.array([0.0, 20.0, 200.0]), VIOLET.copy()
    more[5:8] *= 1 + 1e-6  # B = b n
    more[8:11] *= (1 + 1e-6) ** 2  # C = c n^2: channels bend with the amount that is there (`calibrate.path.Shape`)
    by = (KUBELKA_MUNK.lab(more, c) - KUBELKA_MUNK.lab(VIOLET, c)) / 1e-6
    np.testing.assert_allclose(KUBELKA_MUNK.by_amount(VIOLET, c), by, rtol=1e-4, atol=1e-4)


def test_tangent_is_the_change_per_unit():
    curve = known_curve(VIOLET, top=300.0)
    at = np.array([20.0, 120.0, 280.0])
    step = 1e-3
    np.testing.assert_allclose(
        curve.tangent(at), (curve.lab(at + step) - curve.lab(at - step)) / (2 * step), rtol=1e-4, atol=1e-7
    )


def test_tangent_at_the_ends_stays_within_the_curve():
    curve = known_curve(PINK, top=3.0)
    old = known_curve(OLD_PINK, top=3.0, form=POLYNOMIAL)
    assert old.tangent(np.array([0.0]))[0] == pytest.approx([-10.0, 15.0, -2.0], rel=1e-3)  # B1 / K
    assert np.isfinite(curve.tangent(np.array([3.0]))).all()


def test_covariance_propagates_that_of_the_parameters():
    rng = np.random.default_rng(4)
    root = 0.02 * rng.standard_normal((8, 8))
    curve = Curve(OLD_PINK, root @ root.T, 0.0, 3.0, Scatter(0.0, 0.3, 10))
    at = np.array([0.0, 0.5, 2.5])
    draws = np.array([POLYNOMIAL.lab(OLD_PINK + root @ rng.standard_normal(8), at) for _ in range(4000)])
    for k in range(3):
        np.testing.assert_allclose(np.cov(draws[:, k].T), curve.covariance_at(at)[k], rtol=0.15, atol=0.1)


def test_scatter_is_plain_at_the_blank_and_grows_along_the_curve():
    curve = known_curve(PINK, top=3.0, scatter=(0.05, 0.3, 10))
    blank, strong = curve.scatter_at(np.array([0.0, 2.0]))
    np.testing.assert_allclose(blank, 0.09 * np.eye(3))
    along = curve.relative_change(np.array([2.0]))[0]
    unit = along / np.linalg.norm(along)
    assert unit @ strong @ unit == pytest.approx(0.09 + (0.05 * np.linalg.norm(along)) ** 2)
    across = np.cross(unit, [0.0, 0.0, 1.0])
    assert across @ strong @ across == pytest.approx(0.09 * (across @ across))


@each(("path", "low", "top"), [(PINK, 0.0, 3.0), (VIOLET, 0.0, 300.0), (PH, 6.0, 8.5)])
def test_grid_steps_evenly_in_colour_from_end_to_end(path, low, top):
    curve = known_curve(path, low=low, top=top)
    grid = curve.grid()
    assert grid[0] == low
    assert grid[-1] == top
    steps = np.linalg.norm(np.diff(curve.lab(grid), axis=0), axis=1)
    assert steps.max() < 1.2 * steps.min()


def lot_of(curve: Curve) -> Lot:
    pad = calibrate(series(PINK, PINK_LEVELS))
    return Lot(
        number="T", kind="clo2-ultralow", expires=date(2030, 1, 1), calibrated_on=date(2026, 1, 1), card="print-a",
        pads=(replace(pad, curve=curve),), conditions=(), left_out=(),
    )  # fmt: skip


@each(
    "curve",
    [
        known_curve(OLD_PINK, top=3.0, form=POLYNOMIAL),
        known_curve(PINK, top=3.0),
        replace(known_curve(VIOLET, top=300.0), u_stock=0.02),
    ],
)
def test_a_lot_file_keeps_the_curve_in_the_form_that_it_has(curve, tmp_path):
    save_lot(lot_of(curve), tmp_path / "lot.json")
    again = load_lot(tmp_path / "lot.json").pads[0].fitted_curve
    at = np.linspace(0, curve.top, 7)
    assert again.path is curve.path
    assert again.u_stock == curve.u_stock
    np.testing.assert_array_equal(again.lab(at), curve.lab(at))
    np.testing.assert_array_equal(again.covariance_at(at), curve.covariance_at(at))


def test_a_form_that_nobody_knows_is_refused(tmp_path):
    file = tmp_path / "lot.json"
    save_lot(lot_of(known_curve(PINK, top=3.0)), file)
    file.write_text(file.read_text().replace("kubelka-munk-path", "spline"))
    with pytest.raises(LotFileError, match="curve method 'spline'"):
        load_lot(file)
