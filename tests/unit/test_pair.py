"""Flash pairs as patch means: the light of the place drops out, and the pad is seen in the light of the flash."""

from functools import cache

import numpy as np
import pytest

from stripread.card import design_card
from stripread.colour import FLASH_CONSTANTS, fit_correction, mismatch_covariance
from stripread.geometry import Float
from stripread.measure.flash_light import PairPatches, fit_flash_light, fit_pair_tone, join_flash_colours
from stripread.measure.pad import coding_covariance
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.pads import PADS, pad_reflectance
from tests.fitting.patches import MeanColours, simulate_pair_means
from tests.listed import each

CARD = design_card()
SIZE = np.array([CARD.width_mm, CARD.height_mm])
PADS_SHOWN = np.array([pad_reflectance(PADS["violet"], c) for c in (100.0, 300.0)])
PRINT = print_card(CARD.patch_lab, np.array([60.0, 0.0, 0.0]), printer_seed=2)


def photograph(lamps: tuple[str, ...], *, phone: int, ratio: float, seed: int) -> tuple[MeanColours, MeanColours]:
    rng = np.random.default_rng(seed)
    return simulate_pair_means(CARD, PRINT, lamps, make_phone(phone), PADS_SHOWN, rng, ratio=ratio, lab=PRINT.lab)


def prepared(photos: tuple[MeanColours, MeanColours], *, share: float) -> PairPatches:
    corrections = [fit_correction(p.patches) for p in photos]
    used = corrections[0].used & corrections[1].used
    tone = fit_pair_tone([p.patches for p in photos], [c.used for c in corrections])
    whites = [tone.undo(p.patches.linear[used & p.patches.white]).mean(axis=0) for p in photos]
    return PairPatches(
        linear=np.array([p.patches.linear for p in photos]),
        tone=tone,
        white=np.array(whites),
        used=used,
        share=share,
        lab=PRINT.lab,
        places=(photos[0].patches.places_mm - SIZE / 2) / (SIZE / 2),
    )


@cache
def calibration(phone: int) -> Float:
    """Colours of the card in the flash's light, from pairs in four lights."""
    pairs = [
        prepared(photograph((name,), phone=phone, ratio=ratio, seed=i), share=1 / (1 + ratio))
        for i, (name, ratio) in enumerate([("D55", 2.0), ("LED-B3", 3.0), ("FL2", 4.0), ("Incandescent", 1.5)])
    ]
    return join_flash_colours(pairs)


def pads_in_flash(lamps: tuple[str, ...], *, phone: int, ratio: float, seed: int) -> Float:
    photos = photograph(lamps, phone=phone, ratio=ratio, seed=seed)
    light = fit_flash_light(prepared(photos, share=1 / (1 + ratio)), calibration(phone))
    place = (photos[0].pad_place_mm - SIZE / 2) / (SIZE / 2)
    both = np.stack([photos[0].pads, photos[1].pads], axis=1)
    return np.array([light.lab(one, place) for one in both])


def pads_in_flash_photo(lamps: tuple[str, ...], *, phone: int, ratio: float, seed: int) -> Float:
    photo = photograph(lamps, phone=phone, ratio=ratio, seed=seed)[1]
    place = np.tile(photo.pad_place_mm, (len(photo.pads), 1))
    return fit_correction(photo.patches).lab(photo.pads, place)


@pytest.mark.slow
@each("phone", [1, 2, 4])
def test_the_light_of_the_place_drops_out(phone: int) -> None:
    """The same pads beside a weak flash in four lights: nearer to each other than in the flash photos alone."""
    lights = [("A",), ("FL10",), ("D75",), ("canopy D50",)]
    shown = enumerate(lights, start=20)
    pair = np.array([pads_in_flash(names, phone=phone, ratio=0.5, seed=seed) for seed, names in shown])
    shown = enumerate(lights, start=20)
    alone = np.array([pads_in_flash_photo(names, phone=phone, ratio=0.5, seed=seed) for seed, names in shown])
    spread, spread_alone = (np.linalg.norm(labs.std(axis=0), axis=1) for labs in (pair, alone))
    assert (spread < 0.6).all()
    assert np.mean(spread) < 0.85 * np.mean(spread_alone)


def test_the_jacobian_is_the_slope_of_the_colour() -> None:
    photos = photograph(("D55",), phone=4, ratio=2.0, seed=50)
    light = fit_flash_light(prepared(photos, share=1 / 3), calibration(4))
    one = np.stack([photos[0].pads[0], photos[1].pads[0]])
    place = np.zeros(2)
    step = np.full((2, 3), 2e-3) * one
    predicted = np.einsum("aij,ij->a", light.jacobian(one, place), step)
    assert light.lab(one + step, place) - light.lab(one, place) == pytest.approx(predicted, abs=5e-3)


def stated_spreads(*, phone: int, ratio: float) -> tuple[float, float]:
    """Delta E that coding and mismatch leave in a violet pad by what is stated, over three lights."""
    role = np.array([p.role == "colour" for p in CARD.patches])
    coded, missed = [], []
    for seed, name in enumerate(("A", "FL10", "D75"), start=60):
        photos = photograph((name,), phone=phone, ratio=ratio, seed=seed)
        pair = prepared(photos, share=1 / (1 + ratio))
        light = fit_flash_light(pair, calibration(phone))
        both, place = np.stack([photos[0].pads[0], photos[1].pads[0]]), np.zeros(2)
        slopes = light.jacobian(both, place).swapaxes(0, 1)
        coded.append(sum(j @ coding_covariance(one, (1.0, 1.0)) @ j.T for one, j in zip(both, slopes, strict=True)))
        used = pair.used
        shown = light.lab(both, place)[None], PRINT.lab[used], light.left_out[used], role[used]
        missed.append(mismatch_covariance(*shown, u_reference=0.0, constants=FLASH_CONSTANTS)[0])
    coding, mismatch = (float(np.sqrt(np.trace(np.mean(one, axis=0)))) for one in (coded, missed))
    return coding, mismatch


@each("phone", [2, 4])
def test_a_weak_flash_states_more_uncertainty(phone: int) -> None:
    """Taking nearly equal photos off each other magnifies their coding, and what the patches miss shows it."""
    strong, weak = (stated_spreads(phone=phone, ratio=ratio) for ratio in (2.0, 0.2))
    assert weak[0] > 2 * strong[0]
    assert weak[1] > strong[1]
