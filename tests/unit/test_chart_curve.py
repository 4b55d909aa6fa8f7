import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from stripread.errors import LotFileError
from stripread.lot import (
    ChartCurve,
    LimitOf,
    Lot,
    PadCalibration,
    Scatter,
    invert_curve,
    load_lot,
    save_lot,
    widen_to_steps,
)
from tests.listed import each

VALUES = np.array([0.0, 50, 100, 250, 400, 600])
LAB = np.array([[92, 0, 2], [82, 4, -10], [77, 6, -15], [67, 11, -24], [61, 14, -30], [55, 15, -34]], dtype=float)
SHARP = {"pixels": 1e-6 * np.eye(3)}


def chart(u: float = 0.01, values: np.ndarray = VALUES) -> ChartCurve:
    return ChartCurve(values, LAB[: len(values)], np.tile(u**2 * np.eye(3), (len(values), 1, 1)), Scatter(0.0, u, 100))


def lot_of(curve: ChartCurve) -> Lot:
    none = LimitOf(value=None, definition="none")
    pad = PadCalibration(
        pad="clo2",
        analyte="x",
        unit="mg/L",
        curve=curve,
        lod=none,
        loq=none,
        beyond=(),
        calibrators=(),
        lack_of_fit=0.0,
    )
    return Lot(
        number="A", kind="k", expires=date(2027, 1, 1), calibrated_on=date(2026, 1, 1), card="c", pads=(pad,),
        conditions=(), left_out=(), provisional=True,
    )  # fmt: skip


def test_the_path_runs_through_every_block_and_grows_between_them():
    np.testing.assert_allclose(chart().lab(VALUES), LAB, atol=1e-9)
    fine = chart().lab(np.linspace(0, 600, 2000))
    assert (np.diff(fine[:, 0]) < 0).all()  # these blocks darken throughout


def test_a_straight_scale_is_read_straight():
    """Blocks evenly spaced in colour: between them the concentration is linear."""
    lab = np.column_stack([90 - 0.1 * VALUES, 0.05 * VALUES, 0 * VALUES])
    curve = ChartCurve(VALUES, lab, np.zeros((6, 3, 3)), Scatter(0.0, 0.1, 100))
    np.testing.assert_allclose(curve.lab(np.array([33.0]))[0], [90 - 3.3, 1.65, 0], atol=1e-9)


def test_the_curve_never_speaks_beyond_its_blocks():
    np.testing.assert_array_equal(chart().lab(np.array([-50.0, 900.0])), chart().lab(np.array([0.0, 600.0])))
    darker = LAB[-1] + 3 * (LAB[-1] - LAB[-2])
    estimate = widen_to_steps(invert_curve(chart(), darker, SHARP, {}), chart())
    assert estimate.high is None
    assert estimate.value <= 600


@each("true", [20.0, 75.0, 160.0, 250.0, 330.0, 480.0])
def test_no_interval_is_narrower_than_half_the_step_that_encloses_the_value(true):
    curve = chart()
    estimate = widen_to_steps(invert_curve(curve, curve.lab(np.array([true]))[0], SHARP, {}), curve)
    assert estimate.value == pytest.approx(true, rel=1e-3)
    after = int(np.searchsorted(VALUES, true))
    step = VALUES[after] - VALUES[after - 1]
    assert estimate.low is not None
    assert estimate.high is not None
    assert estimate.high - estimate.low >= 0.5 * step - 1e-9
    assert estimate.standard_uncertainty >= 0.25 * step / 1.97
    assert sum(u**2 for u in estimate.budget.values()) == pytest.approx(estimate.standard_uncertainty**2, rel=1e-3)


def test_at_a_block_the_wider_of_both_steps_counts():
    assert chart().step_at(100.0) == 150.0
    assert chart().step_at(99.0) == 50.0


def test_an_interval_cut_at_zero_reaches_further_up_instead():
    curve = chart()
    estimate = widen_to_steps(invert_curve(curve, curve.lab(np.array([2.0]))[0], SHARP, {}), curve)
    assert estimate.low == 0
    assert estimate.high is not None
    assert estimate.high >= 25.0 - 1e-9


def test_the_lowest_block_of_a_scale_without_zero_leaves_the_interval_open():
    curve = chart(values=np.array([6.0, 6.5, 7.0, 7.5, 8.0, 8.5]))
    estimate = widen_to_steps(invert_curve(curve, curve.lab(np.array([6.02]))[0], SHARP, {}), curve)
    assert estimate.low is None


def test_a_wide_interval_stays_as_it_is():
    curve = chart(u=3.0)
    plain = invert_curve(curve, curve.lab(np.array([300.0]))[0], {"pixels": 9 * np.eye(3)}, {})
    wide = widen_to_steps(plain, curve)
    assert (wide.low, wide.standard_uncertainty) == (plain.low, plain.standard_uncertainty)


def test_a_provisional_lot_comes_back_from_its_file(tmp_path):
    save_lot(lot_of(chart(u=0.5)), tmp_path / "lot.json")
    data = json.loads((tmp_path / "lot.json").read_text())
    assert data["provisional"] is True
    assert data["pads"][0]["curve"]["method"] == "chart-blocks"
    back = load_lot(tmp_path / "lot.json")
    assert back.provisional
    np.testing.assert_allclose(back.pads[0].curve.lab(VALUES), LAB, atol=1e-4)
    np.testing.assert_allclose(
        back.pads[0].curve.covariance_at(VALUES), np.tile(0.25 * np.eye(3), (6, 1, 1)), atol=1e-4
    )


@each(
    ("key", "wrong"),
    [("values", [0, 50, 40, 250, 400, 600]), ("values", [0, 1]), ("block_lab", [[1, 2, 3]] * 6), ("method", "other")],
)
def test_a_lot_file_with_a_wrong_chart_is_refused(tmp_path, key, wrong):
    path = tmp_path / "lot.json"
    save_lot(lot_of(chart()), path)
    data = json.loads(path.read_text())
    data["pads"][0]["curve"][key] = wrong
    path.write_text(json.dumps(data))
    with pytest.raises(LotFileError):
        load_lot(path)


def test_a_calibrated_lot_says_nothing_of_provisional(tmp_path):
    save_lot(replace(lot_of(chart()), provisional=False), tmp_path / "lot.json")
    assert "provisional" not in (tmp_path / "lot.json").read_text()
