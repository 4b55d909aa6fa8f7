"""Fits `stripread.colour.mismatch.FLASH_CONSTANTS` on seen flash pairs, by the likelihood of `fit_mismatch`.

Patch means; each phone's lot is the mean of four pairs, and three more are held against it. What is judged is again the
error along each pad's path. Run as ``python -m tests.fitting.fit_flash_mismatch``; takes some minutes.
"""

import sys

import numpy as np

from stripread.card import design_card
from stripread.colour import fit_correction
from stripread.colour.mismatch import CONSTANTS
from stripread.geometry import Float
from stripread.measure.flash_light import PairPatches, fit_flash_light, fit_pair_tone, join_flash_colours
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS
from stripread.simulate.optics.inks import CardPrint, print_card
from stripread.simulate.optics.lamps import SEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from tests.fitting.fit_mismatch import (
    GROUND_LAB,
    LEVELS,
    Errors,
    describe,
    fit_constants,
    tangents,
)
from tests.fitting.patches import U_INSTRUMENT, MeanColours, simulate_pair_means

__all__ = ["collect_pair_errors"]

_CARD = design_card()
_SIZE = np.array([_CARD.width_mm, _CARD.height_mm])
_CALIBRATIONS, _READINGS = 4, 3


def _pair(
    printed: CardPrint, lab: Float, phone: Phone, pads: Float, rng: np.random.Generator, *, least: float
) -> tuple[tuple[MeanColours, MeanColours], PairPatches]:
    """Draw one pair, the flash ``least`` to 5 times the ambient light, which is of two lamps in three of ten cases."""
    ratio = float(np.exp(rng.uniform(np.log(least), np.log(5.0))))
    lamps = tuple(str(n) for n in rng.choice(SEEN, 2 if rng.random() < 0.3 else 1, replace=False))
    photos = simulate_pair_means(_CARD, printed, lamps, phone, pads, rng, ratio=ratio, lab=lab)
    uses = [fit_correction(p.patches).used for p in photos]
    patches = [p.patches for p in photos]
    both = uses[0] & uses[1]
    tone = fit_pair_tone(patches, uses)
    return photos, PairPatches(
        linear=np.array([p.linear for p in patches]),
        tone=tone,
        white=np.array([tone.undo(p.linear[both & p.white]).mean(axis=0) for p in patches]),
        used=both,
        share=min(0.95, float(np.exp(rng.normal(0, 0.05))) / (1 + ratio)),
        lab=lab,
        places=(patches[0].places_mm - _SIZE / 2) / (_SIZE / 2),
    )


def _measured(drawn: tuple[tuple[MeanColours, MeanColours], PairPatches], colours: Float) -> tuple[Float, Float]:
    """Return pads (m, 3) in the flash's light and the patches' left-out residuals, 0 where a patch was not used."""
    photos, pair = drawn
    light = fit_flash_light(pair, colours)
    place = (photos[0].pad_place_mm - _SIZE / 2) / (_SIZE / 2)
    used = pair.used & np.isfinite(colours).all(axis=1)
    pads = np.array([light.lab(one, place) for one in np.stack([p.pads for p in photos], axis=1)])
    return pads, np.where(used[:, None], light.left_out, 0.0)


def collect_pair_errors(*, phones: int, seed: int) -> Errors:
    """Errors of pads read from seen pairs against lots of pairs with the same phone."""
    pads = np.array([pad_reflectance(PADS[name], c) for name, levels in LEVELS.items() for c in levels])
    errors, residuals = [], []
    for index in range(phones):
        rng = np.random.default_rng([seed, index])
        printed = print_card(_CARD.patch_lab, GROUND_LAB, printer_seed=int(rng.choice(SEEN_PRINTERS)))
        lab = printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape)
        phone = make_phone(int(rng.integers(0, 1000)))
        drawn = [_pair(printed, lab, phone, pads, rng, least=1.0) for _ in range(_CALIBRATIONS)]
        colours = join_flash_colours([pair for _, pair in drawn])
        lot = [_measured(one, colours) for one in drawn]
        for _ in range(_READINGS):
            own = _measured(_pair(printed, lab, phone, pads, rng, least=0.2), colours)
            errors.append(own[0] - np.mean([one[0] for one in lot], axis=0))
            residuals.append(own[1] - np.mean([one[1] for one in lot], axis=0))
    role = np.array([p.role == "colour" for p in _CARD.patches])
    return Errors(
        reflectance_to_lab(pads),
        tangents(),
        np.array(errors),
        np.zeros((len(errors), len(pads), 3, 3)),
        _CARD.patch_lab,
        np.array(residuals),
        role,
        ("pair",) * len(errors),
        ("pair",) * len(errors),
        np.zeros(len(errors)),
    )


def main() -> None:
    """Fit and print."""
    data = collect_pair_errors(phones=100, seed=9)
    constants = fit_constants(data)
    sys.stdout.write(f"{constants}\n")
    sys.stdout.write(describe("constants of single photos", data, CONSTANTS))
    sys.stdout.write(describe("these", data, constants))


if __name__ == "__main__":
    main()
