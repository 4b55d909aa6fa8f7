"""Whether a lot can tell beforehand that measured spectra will not help it, on patch means of the seen part.

``python -m tests.benchmarks.spectral_lots`` makes lots of one phone in two lamps each, reads ten photos of other phones
and lamps with and without spectra, and prints: the error of both ways, the share of lots that are worse with spectra,
and what it would bring to fall back where the lot's own two lights agree less well with spectra, or to take a mean.
Errors are relative, of a faint pink (0.2 to 0.5 mg/L) and a violet pad (50 to 450 mg/L), along the pad's own path.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np

from stripread.card import CardLayout, design_card
from stripread.colour import fit_correction, on_grid
from stripread.errors import PhotoUnfitError
from stripread.simulate import enrolled
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS
from stripread.simulate.optics.lamps import SEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from stripread.simulate.scene.photograph import printed_card
from tests.fitting.patches import simulate_means

LEVELS = {"pink": (0.2, 0.3, 0.5), "violet": (50.0, 150.0, 450.0)}
PHOTOS = 10
_STEP = 1.01


@dataclass(frozen=True)
class LotErrors:
    """Errors of readings (photos, pads) and of the two lights (2, pads), each without and with spectra."""

    readings: tuple[np.ndarray, np.ndarray]
    lights: tuple[np.ndarray, np.ndarray]


def pads(factor: float = 1.0) -> np.ndarray:
    return np.array([pad_reflectance(PADS[name], factor * c) for name, levels in LEVELS.items() for c in levels])


def look(card: CardLayout, printer: int, lamp: str, phone: Phone, rng: np.random.Generator) -> list[np.ndarray] | None:
    """Relative errors of the pads without and with spectra; None where the spectral map was not used."""
    dipped = pads()
    true = reflectance_to_lab(dipped)
    path = (reflectance_to_lab(pads(_STEP)) - true) / (_STEP - 1)
    means = simulate_means(card, printed_card(design_card(), printer), lamp, phone, dipped, rng)
    assert card.patch_spectra is not None
    patches = replace(
        means.patches, lab=card.patch_lab, reflectance=on_grid(np.array(card.wavelengths_nm), card.patch_spectra)
    )
    found = []
    for spectral in (False, True):
        correction = fit_correction(patches, spectral=spectral)
        if spectral and correction.map.method != "spectral":
            return None
        off = correction.lab(means.pads, np.tile(means.pad_place_mm, (len(dipped), 1))) - true
        found.append(np.sum(off * path, axis=1) / np.sum(path**2, axis=1))
    return found


def make_lot(index: int) -> LotErrors | None:
    rng = np.random.default_rng([77, index])
    printer = SEEN_PRINTERS[index % len(SEEN_PRINTERS)]
    card = enrolled(design_card(), printer, spectra=True)
    own = make_phone(int(rng.integers(0, 1000)))
    lamps = rng.choice(SEEN, 2, replace=False)
    photos = []
    try:
        lights = [look(card, printer, str(lamp), own, rng) for lamp in lamps]
    except PhotoUnfitError:  # overexposed
        return None
    for _ in range(PHOTOS):
        lamp, phone = str(rng.choice(SEEN)), make_phone(int(rng.integers(0, 1000)))
        try:
            photos.append(look(card, printer, lamp, phone, rng))
        except PhotoUnfitError:
            continue
    known = [p for p in photos if p is not None]
    if any(light is None for light in lights) or not known:
        return None
    both = [np.array([light[way] for light in lights]) for way in (0, 1)]
    read = [np.array([p[way] for p in known]) - both[way].mean(axis=0) for way in (0, 1)]
    return LotErrors((read[0], read[1]), (both[0], both[1]))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lots", type=int, default=260)
    options = parser.parse_args(arguments)
    with get_context("spawn").Pool(2) as pool:
        lots = [lot for lot in pool.imap(make_lot, range(options.lots)) if lot is not None]
    write = sys.stdout.write
    write(f"{len(lots)} lots of one phone and two lamps, {PHOTOS} photos each\n")
    first = 0
    for name, levels in LEVELS.items():
        own = slice(first, first + len(levels))
        first += len(levels)
        plain, spectral = (np.array([np.median(np.abs(lot.readings[way][:, own])) for lot in lots]) for way in (0, 1))
        ones, twos = (np.concatenate([lot.readings[way][:, own].ravel() for lot in lots]) for way in (0, 1))
        apart = [np.array([np.abs(np.diff(lot.lights[way][:, own], axis=0)).mean() for lot in lots]) for way in (0, 1)]
        ratio, predicted = np.log(spectral / plain), np.log(apart[1] / apart[0])
        write(f"{name}: median and 95th percentile of readings: plain {told(ones)}, spectra {told(twos)}\n")
        worse, much = np.mean(ratio > 0), np.mean(ratio > np.log(1.5))
        write(f"  worse with spectra: {worse:.0%} of the lots, by half or more {much:.0%}\n")
        correlation = np.corrcoef(ratio, predicted)[0, 1]
        write(f"  how far the two lights disagree predicts that with a correlation of {correlation:.2f}\n")
        for times in (1.0, 2.0, 3.0):
            back = predicted > np.log(times)
            mixed = np.where(back, plain, spectral)
            write(
                f"  fall back where they disagree {times:g} times as much: {back.mean():.0%} of the lots, "
                f"mean of the lots' medians {mixed.mean():.1%} (spectra alone {spectral.mean():.1%})\n"
            )
        for share in (0.1, 0.2, 0.5):
            write(f"  {share:.0%} of the plain map's answer: {told(share * ones + (1 - share) * twos)}\n")


def told(errors: np.ndarray) -> str:
    return f"{np.median(np.abs(errors)):.1%}, {np.percentile(np.abs(errors), 95):.1%}"


if __name__ == "__main__":
    main()
