"""The spectral map on patch means of seen conditions, where the truth is known."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from stripread.card import design_card
from stripread.colour import fit_correction, on_grid, spectra_to_xyz, spectral_mismatch, stands_for_dyes, xyz_to_lab
from stripread.colour.mismatch import SPECTRAL_CONSTANTS
from stripread.colour.spectra import GRID_NM, make_dyes, make_views
from stripread.colour.spectral import SpectralMap, fit_spectral_map
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.lamps import SEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import WAVELENGTHS, reflectance_to_lab
from tests.fitting.fit_mismatch import GROUND_LAB
from tests.fitting.patches import simulate_means
from tests.listed import each

CARD = design_card()
TEN_NM = np.arange(380.0, 731.0, 10.0)
PAD_SPECTRA = np.array(
    [pad_reflectance(PADS["pink"], c) for c in (0.2, 0.3, 0.5)]
    + [pad_reflectance(PADS["violet"], c) for c in (100, 300)]
)
PAD_LAB = reflectance_to_lab(PAD_SPECTRA)


@lru_cache
def printed(seed: int):
    return print_card(CARD.patch_lab, GROUND_LAB, printer_seed=seed)


@lru_cache
def measured(seed: int) -> np.ndarray:
    spectra = np.array([np.interp(TEN_NM, WAVELENGTHS, r) for r in printed(seed).patches])
    return on_grid(TEN_NM, spectra * (1 + np.random.default_rng(seed).normal(0, 0.003, spectra.shape)))


def means(index: int, printer: int = 2):
    rng = np.random.default_rng([3, index])
    lamp = str(rng.choice(SEEN))
    return simulate_means(CARD, printed(printer), lamp, make_phone(int(rng.integers(0, 1000))), PAD_SPECTRA, rng)


def pad_lab(correction, photo) -> np.ndarray:
    return correction.lab(photo.pads, np.tile(photo.pad_place_mm, (len(photo.pads), 1)))


def with_spectra(photo, spectra):
    return replace(photo.patches, reflectance=spectra)


@lru_cache
def corrected():
    photos = [means(i) for i in range(12)]
    return photos, [fit_correction(with_spectra(p, measured(2)), spectral=True) for p in photos]


def test_pads_err_less_than_with_the_plain_map():
    photos, spectral = corrected()
    plain = [fit_correction(p.patches) for p in photos]
    errors = [
        np.sqrt(np.mean([(pad_lab(c, p) - PAD_LAB) ** 2 for c, p in zip(kind, photos, strict=True)]))
        for kind in (plain, spectral)
    ]
    assert all(c.map.method == "spectral" for c in spectral)
    assert errors[1] < 0.75 * errors[0]


def test_greys_fit_one_tone_curve_better_once_lamp_and_camera_are_known():
    photos, spectral = corrected()
    plain = [fit_correction(p.patches) for p in photos]
    assert np.median([c.tone.scatter for c in spectral]) < 0.5 * np.median([c.tone.scatter for c in plain])


def test_stated_covariance_holds_the_errors():
    photos, spectral = corrected()
    squares = []
    for photo, correction in zip(photos, spectral, strict=True):
        for linear, error in zip(photo.pads, pad_lab(correction, photo) - PAD_LAB, strict=True):
            covariance = correction.at(linear, photo.pad_place_mm).stated_mismatch
            assert np.linalg.eigvalsh(covariance).min() > 0
            squares.append(error @ np.linalg.solve(covariance, error))
    assert np.mean(np.array(squares) < 7.81) > 0.9  # 95 % point of chi-square with 3 degrees of freedom
    assert np.mean(squares) > 0.1  # and is not a barn door


def test_spectra_of_another_printer_fall_back_to_the_plain_map():
    photo = means(0)
    plain = fit_correction(photo.patches)
    wrong = fit_correction(with_spectra(photo, measured(5)), spectral=True)
    assert wrong.map.method == plain.map.method != "spectral"
    np.testing.assert_array_equal(pad_lab(wrong, photo), pad_lab(plain, photo))


def test_spectra_that_predict_patches_no_better_fall_back_to_the_plain_map():
    # Spectra with the right colours and nonsense on top that the reference observer does not see.
    photo = means(1)
    rng = np.random.default_rng(4)
    waves = np.cos(np.outer(np.arange(12), np.linspace(0, np.pi, len(GRID_NM))))
    rough = rng.normal(0, 0.3, (len(measured(2)), 12)) @ waves
    weights = spectra_to_xyz(np.eye(len(GRID_NM)))
    invisible = rough - rough @ weights @ np.linalg.pinv(weights)
    assert fit_correction(with_spectra(photo, measured(2) + invisible), spectral=True).map.method != "spectral"


def test_spectra_may_be_declined():
    photo = means(0)
    assert fit_correction(with_spectra(photo, measured(2))).map.method != "spectral"


def test_residuals_that_show_the_light_are_those_of_the_plain_map():
    photos, spectral = corrected()
    np.testing.assert_array_equal(spectral[0].left_out, fit_correction(photos[0].patches).left_out)
    assert spectral[0].residual_de00_mean < 0.5 * fit_correction(photos[0].patches).residual_de00_mean


def test_a_phone_that_mixes_its_channels_changes_nothing():
    rgb = measured(2) @ make_views()[7]
    mix = np.array([[1.6, -0.4, -0.2], [-0.3, 1.5, -0.2], [0.1, -0.6, 1.5]])
    used = np.ones(len(rgb), dtype=bool)
    here, mixed = (fit_spectral_map(colours, measured(2), used) for colours in (rgb, rgb @ mix.T))
    pad = PAD_SPECTRA @ make_views()[7]
    np.testing.assert_allclose(here.lab(pad), mixed.lab(pad @ mix.T), atol=1e-3)
    np.testing.assert_allclose(here.departure, mixed.departure, atol=1e-4)


def test_seen_predicts_the_patches():
    rgb = measured(2) @ make_views()[7]
    fitted = fit_spectral_map(rgb, measured(2), np.ones(len(rgb), dtype=bool))
    np.testing.assert_allclose(fitted.seen(measured(2)), rgb, rtol=0.02, atol=0.01)


def test_jacobian_is_that_of_lab_but_for_the_dye():
    photos, spectral = corrected()
    chosen = spectral[0].map
    assert isinstance(chosen, SpectralMap)
    rgb = spectral[0].scene(photos[0].pads[:1], photos[0].pad_place_mm[None])[0]
    steps = 1e-4 * np.eye(3)
    numeric = ((chosen.lab(rgb + steps) - chosen.lab(rgb - steps)) / 2e-4).T
    assert np.abs(chosen.jacobian(rgb) - numeric).max() < 0.15 * np.abs(numeric).max()


def test_drawn_spectra_are_lights_and_reflectances():
    assert (make_views() >= 0).all()
    assert make_dyes().min() > 0
    assert make_dyes().max() < 1


@each(("pad", "known"), [("pink", True), ("violet", True), ("brown", True), ("yellow-blue", False)])
def test_which_pads_have_dyes_that_stand_for_them(pad, known):
    levels = {"pink": (0, 0.3, 2.5), "violet": (0, 120, 600), "brown": (0, 3, 12), "yellow-blue": (6.2, 7.2, 8.4)}
    lab = reflectance_to_lab(np.array([pad_reflectance(PADS[pad], c) for c in levels[pad]]))
    assert stands_for_dyes(lab) is known


def test_a_cubic_through_ten_nanometres_has_the_colour_of_the_full_spectrum():
    spectra = printed(2).patches
    read = on_grid(TEN_NM, np.array([np.interp(TEN_NM, WAVELENGTHS, r) for r in spectra]))
    assert np.abs(xyz_to_lab(spectra_to_xyz(read)) - reflectance_to_lab(spectra)).max() < 0.2


def test_light_like_the_calibration_narrows_what_the_spectral_map_states():
    colour = np.ones(len(CARD.patches), dtype=bool)
    rng = np.random.default_rng(1)
    smooth = CARD.patch_lab @ rng.normal(0, 0.01, (3, 3))
    alike, unlike = (spectral_mismatch(np.eye(3), CARD.patch_lab, k * smooth, colour)[0, 0] for k in (0.0, 1.0))
    least, _, most = SPECTRAL_CONSTANTS
    assert alike == pytest.approx(least)
    assert alike < unlike <= most
