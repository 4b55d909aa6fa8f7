from dataclasses import replace

import numpy as np
import pytest
from lot_series import (
    PH,
    PH_LEVELS,
    PINK,
    PINK_LEVELS,
    PIXELS,
    VIOLET,
    VIOLET_LEVELS,
    calibrate,
    calibrator,
    dye,
    known_curve,
    parameters,
    series,
)

from stripread.calibrate.pad import calibrate_pad
from stripread.calibrate.path import shape_of
from stripread.calibrate.refuse import check_fold
from stripread.errors import CalibrationRefusedError
from stripread.lot import KUBELKA_MUNK
from stripread.lot.curve import own_covariances
from stripread.lot.path import POLYNOMIAL
from tests.listed import each


@each(("path", "levels"), [(PINK, PINK_LEVELS), (VIOLET, VIOLET_LEVELS), (PH, PH_LEVELS)])
def test_curve_follows_the_one_the_strips_came_from(path, levels):
    """Within 4 of its standard uncertainties, or 0.5 Delta E*ab for what the form of the curve leaves."""
    pad = calibrate(series(path, levels, relative=0.03 if levels[0] == 0 else 0.004, u=0.0), blank=levels[0] == 0)
    at = np.linspace(levels[0], levels[-1], 25)
    off = pad.curve.lab(at) - KUBELKA_MUNK.lab(path, at)
    u = np.sqrt(np.einsum("nii->ni", pad.curve.covariance_at(at)))
    assert (np.abs(off) < np.maximum(4 * u, 0.5)).all()
    assert (pad.curve.low, pad.curve.top) == (levels[0], levels[-1])
    assert pad.lack_of_fit < 2


@pytest.mark.slow
def test_scatter_found_is_the_scatter_put_in():
    """Pooled over 10 series of 14 degrees of freedom each."""
    found = [calibrate(series(PINK, PINK_LEVELS, seed=s, relative=0.06)).curve.scatter for s in range(10)]
    assert np.sqrt(np.mean([s.colour**2 for s in found])) == pytest.approx(0.3, rel=0.1)
    assert np.sqrt(np.mean([s.relative**2 for s in found])) == pytest.approx(0.06, rel=0.2)
    assert {s.degrees_of_freedom for s in found} == {14}


def test_photos_of_one_strip_are_one_strip():
    """Three photos of each strip bring no degrees of freedom; they only say that less of the scatter is the photos'."""
    once = series(PINK, PINK_LEVELS)
    thrice = [replace(c, photo=f"{k}_{c.photo}") for c in once for k in range(3)]
    one, three = calibrate(once), calibrate(thrice)
    assert three.curve.scatter.degrees_of_freedom == one.curve.scatter.degrees_of_freedom == 14
    assert three.curve.scatter.colour >= one.curve.scatter.colour
    np.testing.assert_allclose(three.curve.lab(np.array(PINK_LEVELS)), one.curve.lab(np.array(PINK_LEVELS)), atol=0.02)


def test_the_scatter_of_photos_is_no_scatter_of_strips():
    """Photos whose own noise is all that parts the strips leave next to nothing to the strips."""
    quiet, noisy = (calibrate(series(PINK, PINK_LEVELS), u_pixels=u**2 * np.eye(3)) for u in (0.01, 0.3))
    assert noisy.curve.scatter.colour < 0.6 * quiet.curve.scatter.colour


def test_doubtful_dilutions_widen_the_curve():
    sure, unsure = (calibrate([replace(c, u_concentration=u * c.concentration) for c in series(PINK, PINK_LEVELS)])
                    for u in (0.0, 0.1))  # fmt: skip
    at = np.array([1.0])
    assert np.trace(unsure.curve.covariance_at(at)[0]) > 1.5 * np.trace(sure.curve.covariance_at(at)[0])


def test_limits_are_stated_with_their_definitions():
    pad = calibrate(series(PINK, PINK_LEVELS))
    assert 0 < pad.lod.value < pad.loq.value < 0.5
    assert "alpha = beta = 5 %" in pad.lod.definition
    assert "k = 3" in pad.loq.definition


def test_scale_without_a_zero_has_no_limits():
    pad = calibrate(series(PH, PH_LEVELS, relative=0.004, u=0.0), blank=False)
    assert pad.lod.value is None
    assert pad.loq.value is None


def test_beyond_and_left_out_calibrators_are_kept_but_not_fitted():
    good = series(PINK, PINK_LEVELS)
    plain = calibrate(good)
    bleached = [calibrator(10.0, (88, 5, 2), k, beyond=True) for k in (1, 2)]
    spoilt = replace(calibrator(0.5, (20, 0, 0), 9), left_out=True)
    pad = calibrate([*good, *bleached, spoilt])
    np.testing.assert_array_equal(pad.curve.parameters, plain.curve.parameters)
    assert pad.beyond == ((10.0, 88.0, 5.0, 2.0),)
    assert len(pad.calibrators) == len(good) + 3


def refusal(calibrators, **more) -> CalibrationRefusedError:
    with pytest.raises(CalibrationRefusedError) as caught:
        calibrate(calibrators, **more)
    return caught.value


def test_four_levels_are_refused():
    error = refusal(series(PINK, (0, 0.5, 1, 3)))
    assert "at least 5 levels" in str(error.expected)
    assert "4 (0, 0.5, 1, 3)" in str(error.found)


def test_levels_beyond_the_range_do_not_count():
    beyond = [calibrator(9.0, (70, 30, 0), k, beyond=True) for k in (1, 2)]
    assert "at least 5 levels" in str(refusal([*series(PINK, (0, 0.5, 1, 3)), *beyond]).expected)


def test_scale_with_a_zero_needs_a_blank():
    assert "a blank" in str(refusal(series(PINK, PINK_LEVELS[1:])).expected)


def test_single_strips_are_refused():
    error = refusal(series(PINK, PINK_LEVELS, strips=1))
    assert "replicate strips" in str(error.expected)
    assert str(error.found).startswith("0 levels")


def test_odd_strip_is_named_with_its_photo():
    calibrators = series(PINK, PINK_LEVELS)
    odd = next(k for k, c in enumerate(calibrators) if c.concentration == 0.5 and c.replicate == "2")
    calibrators[odd] = replace(calibrators[odd], lab=(70.0, 30.0, 20.0))
    error = refusal(calibrators)
    assert "strips at 0.5 to agree" in str(error.expected)
    assert "strip 2 (0.5_2.jpg)" in str(error.found)
    assert "--without" in str(error.remedy)


@each("level", [0.25, 1.0])
def test_odd_strip_of_two_is_not_called_good(level):
    calibrators = series(PINK, PINK_LEVELS, strips=2)
    odd = next(k for k, c in enumerate(calibrators) if c.concentration == level and c.replicate == "2")
    calibrators[odd] = replace(calibrators[odd], lab=(60.0, 10.0, 40.0))
    assert f"{level:g}" in str(refusal(calibrators).expected)


@each(("label", "really"), [(2.0, 1.0), (0.5, 2.0)])
def test_mislabelled_level_is_named_with_what_it_looks_like(label, really):
    """All strips of a level were dipped in another dilution: they agree with each other, not with the curve."""
    other = {c.replicate: c.lab for c in series(PINK, (really,), seed=7)}
    calibrators = [
        replace(c, lab=other[c.replicate]) if c.concentration == label else c for c in series(PINK, PINK_LEVELS)
    ]
    error = refusal(calibrators)
    assert "one smooth curve" in str(error.expected)
    assert f"level {label:g}," in str(error.found)
    looks = float(str(error.found).rsplit(" ", 1)[1])
    assert looks == pytest.approx(really, rel=0.15)


def test_exchanged_levels_are_refused():
    swap = {0.5: 1, 1: 0.5}
    calibrators = [replace(c, concentration=swap.get(c.concentration, c.concentration))
                   for c in series(PINK, PINK_LEVELS)]  # fmt: skip
    assert "one smooth curve" in str(refusal(calibrators).expected)


@pytest.mark.slow
def test_good_series_are_never_refused():
    """Eight of them; chance of refusal by design is 1 in 10 000 for each level and strip."""
    for seed in range(4):
        calibrate(series(PINK, PINK_LEVELS, seed=seed))
        calibrate(series(VIOLET, VIOLET_LEVELS, seed=seed))


def test_pad_that_bleaches_along_the_way_that_it_came_is_refused():
    path = dye(1.0, 1.0, [95, 0, 3], [65, 45, -3])
    path[5:8], path[8:] = 4 * path[5:8], -4 * path[5:8]
    levels = (0, 0.1, 0.25, 0.5, 1, 2, 4, 10)
    error = refusal(series(path, levels))
    assert "folds back" in str(error.found) or "every level on one smooth curve" in str(error.expected)


def test_path_that_folds_back_is_refused():
    path = parameters(1.0, 1.0, [95, 0, 3], [-80, 120, -10], [80, -120, 10])
    with pytest.raises(CalibrationRefusedError) as caught:
        check_fold(known_curve(path, top=10.0, form=POLYNOMIAL), pad="A")
    assert "one colour for each concentration" in str(caught.value.expected)
    assert "folds back" in str(caught.value.found)
    assert "beyond" in str(caught.value.remedy)


def test_a_level_near_the_loq_earns_it_and_none_leaves_the_lowest_level():
    near, far = calibrate(series(PINK, PINK_LEVELS)), calibrate(series(PINK, (0, 1, 1.5, 2, 2.5, 3)))
    assert "a third of it" in near.loq.definition
    assert near.loq.value < 0.2
    assert far.loq.value == 1
    assert far.loq.definition.startswith("lowest calibrator")


def test_a_stock_known_to_3_percent_widens_no_fit_but_every_reading():
    calibrators = series(PINK, PINK_LEVELS)
    sure, unsure = (
        calibrate_pad(calibrators, pad="A", analyte="test", unit="mg/L", blank=True, u_pixels=PIXELS, u_stock=u).curve
        for u in (0.0, 0.03)
    )
    np.testing.assert_array_equal(sure.parameters, unsure.parameters)
    assert own_covariances(unsure, 1.0)["stock"].trace() == pytest.approx(
        0.03**2 * np.sum(sure.tangent(np.array([1.0])) ** 2)
    )


def test_another_lot_of_the_kind_tells_the_form_where_few_levels_do():
    few, usual = series(VIOLET, (0, 75, 150, 225, 300), strips=2), calibrate(series(VIOLET, VIOLET_LEVELS, seed=9))
    alone, like = (
        calibrate_pad(few, pad="A", analyte="test", unit="mg/L", blank=True, u_pixels=PIXELS, like=lot).curve
        for lot in (None, usual.curve)
    )
    at = np.array([20.0, 40.0])
    u_alone, u_like = (np.sqrt(np.einsum("nii->n", curve.covariance_at(at))) for curve in (alone, like))
    assert (u_like < 0.9 * u_alone).all()
    assert (np.linalg.norm(like.lab(at) - KUBELKA_MUNK.lab(VIOLET, at), axis=1) < 3 * u_like).all()


def test_the_form_of_a_lot_of_another_amount_of_dye_is_the_same():
    pale, rich = VIOLET.copy(), VIOLET.copy()
    rich[5:8], rich[8:] = 1.3 * pale[5:8], 1.3**2 * pale[8:]
    one, other = (shape_of(known_curve(path, top=300.0)) for path in (pale, rich))
    assert other.bend == pytest.approx(one.bend)
    assert other.log_hill == one.log_hill


def test_a_scale_without_a_zero_has_no_stock():
    with pytest.raises(CalibrationRefusedError, match="u_stock"):
        calibrate_pad(
            series(PH, PH_LEVELS), pad="A", analyte="pH", unit="pH", blank=False, u_pixels=PIXELS, u_stock=0.03
        )


def test_curve_is_the_same_in_any_order_of_the_series():
    calibrators = series(PINK, PINK_LEVELS)
    order = np.random.default_rng(3).permutation(len(calibrators))
    there, shuffled = calibrate(calibrators), calibrate([calibrators[k] for k in order])
    np.testing.assert_allclose(shuffled.curve.parameters, there.curve.parameters, rtol=1e-6)


def test_known_curve_and_calibrated_curve_agree_on_what_a_strip_is_read_as():
    from stripread.lot import invert_curve

    truth = known_curve(VIOLET, top=300.0)
    pad = calibrate(series(VIOLET, VIOLET_LEVELS, u=0.0))
    for true in (15.0, 60.0, 220.0):
        estimate = invert_curve(pad.curve, truth.lab(np.array([true]))[0], {"pixels": 0.01 * np.eye(3)}, {})
        assert abs(estimate.value - true) < 3 * estimate.standard_uncertainty


@pytest.mark.slow
@each("seed", range(3))
def test_a_path_that_stands_still_at_a_level_is_refused_in_words(seed):
    """Weakest and strongest exchanged, few strips: the best path may have no direction at a level."""
    swap = {0.1: 2.5, 2.5: 0.1}
    calibrators = series(PINK, (0, 0.1, 0.2, 0.5, 2.5), strips=2, seed=seed)
    assert refusal([replace(c, concentration=swap.get(c.concentration, c.concentration)) for c in calibrators]).found
