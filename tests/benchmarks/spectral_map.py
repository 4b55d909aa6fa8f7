"""The spectral map against the plain ones, on patch means: what a print's measured spectra are worth.

``python -m tests.benchmarks.spectral_map`` prints, for conditions that nothing was fitted on, the relative error of the
concentration (median and 95th percentile, %) of a faint pink and of a violet pad: by itself, and after the mean over
two other conditions was taken off, as a lot's calibration in two lights does. Errors are projected on the pad's path
with the weights that each map states. ``--seen`` is for work on the map; ``--cameras`` uses measured sensors.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stripread.card import design_card
from stripread.colour import (
    PatchColours,
    fit_correction,
    fit_map,
    lab_to_xyz,
    mismatch_covariance,
    on_grid,
    spectra_to_xyz,
)
from stripread.colour.spectra import GRID_NM
from stripread.simulate.optics.cameras import make_phone, read_cameras
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.lamps import SEEN, UNSEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import WAVELENGTHS, reflectance_to_lab
from tests.fitting.fit_mismatch import GROUND_LAB
from tests.fitting.patches import MeanColours, simulate_means

LEVELS = {"pink": (0.2, 0.3, 0.4, 0.5), "violet": (50.0, 100.0, 200.0, 300.0, 450.0)}
MEASURED_NM = np.arange(380.0, 731.0, 10.0)
WAYS = ("linear", "root-polynomial", "spectral", "right colours, other spectra", "other printer's spectra")


@dataclass(frozen=True)
class Pads:
    spectra: np.ndarray
    lab: np.ndarray
    slope: np.ndarray
    concentration: np.ndarray
    name: np.ndarray


def make_pads() -> Pads:
    rows = [(name, c) for name, levels in LEVELS.items() for c in levels]
    spectra = np.array([pad_reflectance(PADS[name], c) for name, c in rows])
    further = np.array([pad_reflectance(PADS[name], 1.01 * c) for name, c in rows])
    c = np.array([c for _, c in rows])
    lab = reflectance_to_lab(spectra)
    slope = (reflectance_to_lab(further) - lab) / (0.01 * c)[:, None]
    return Pads(spectra, lab, slope, c, np.array([name for name, _ in rows]))


def measured(reflectance: np.ndarray, seed: int) -> np.ndarray:
    """Spectra as an instrument of 10 nm and 0.3 % noise gives them, on the grid of the map."""
    rng = np.random.default_rng([seed, 19])
    read = np.array([np.interp(MEASURED_NM, WAVELENGTHS, r) for r in reflectance])
    return on_grid(MEASURED_NM, read * (1 + rng.normal(0, 0.003, read.shape)))


def recoloured(spectra: np.ndarray, lab: np.ndarray) -> np.ndarray:
    """Spectra scaled by three smooth bands until they have given colours: a good guess without a spectrometer."""
    bands = np.stack([np.exp(-0.5 * ((GRID_NM - nm) / 60) ** 2) for nm in (450, 540, 620)])
    wanted, found = lab_to_xyz(lab), spectra.copy()
    for _ in range(30):
        off = wanted - spectra_to_xyz(found)
        for i, spectrum in enumerate(found):
            step = np.linalg.solve(spectra_to_xyz(spectrum * bands).T, off[i])
            found[i] = spectrum * np.exp(np.clip(step, -0.3, 0.3) @ bands)
    return found


def correct(way: str, means: MeanColours, patches: PatchColours, pads: Pads) -> tuple[np.ndarray, np.ndarray, str]:
    """CIELAB of the pads, its covariance, and the method that was used."""
    place = np.tile(means.pad_place_mm, (len(pads.lab), 1))
    correction = fit_correction(patches, spectral=True)
    if correction.map.method == "spectral":
        scene = correction.scene(means.pads, place)
        return correction.map.lab(scene), np.array([correction.map.mismatch(rgb) for rgb in scene]), "spectral"
    if way in ("linear", "root-polynomial"):
        scene = correction.scene(patches.linear, patches.places_mm)
        weights = correction.used.astype(float)
        chosen = fit_map(scene, patches.lab, patches.white & correction.used, weights, method=way)
        correction = replace(correction, map=chosen, left_out=chosen.left_out)
    lab = correction.lab(means.pads, place)
    residuals = np.where(correction.used[:, None], correction.left_out, 0.0)
    covariance = mismatch_covariance(lab, patches.lab, residuals, ~patches.neutral, u_reference=0.3)
    return lab, covariance, correction.map.method


def main(arguments: Sequence[str] | None = None) -> dict[str, np.ndarray]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--conditions", type=int, default=200)
    parser.add_argument("--seen", action="store_true")
    parser.add_argument("--cameras", type=Path, default=None)
    options = parser.parse_args(arguments)
    card, pads = design_card(), make_pads()
    printers, lamps = (SEEN_PRINTERS, SEEN) if options.seen else (UNSEEN_PRINTERS, UNSEEN)
    sensors = read_cameras(options.cameras) if options.cameras else {}
    prints = {p: print_card(card.patch_lab, GROUND_LAB, printer_seed=p) for p in printers}
    spectra = {p: measured(made.patches, p) for p, made in prints.items()}
    neighbour = dict(zip(printers, np.roll(printers, 1).tolist(), strict=True))
    guessed = {p: recoloured(spectra[q], prints[p].lab) for p, q in neighbour.items()}
    errors: dict[str, list[np.ndarray]] = {way: [] for way in WAYS}
    covariances: dict[str, list[np.ndarray]] = {way: [] for way in WAYS}
    used = dict.fromkeys(WAYS, 0)
    for index in range(options.conditions):
        rng = np.random.default_rng([8, int(options.seen), index])
        printer = int(rng.choice(printers))
        phone = make_phone(int(rng.integers(0, 1000)) + (0 if options.seen else 10_000))
        if sensors:
            phone = replace(phone, sensor=sensors[str(rng.choice(sorted(sensors)))])
        means = simulate_means(card, prints[printer], str(rng.choice(lamps)), phone, pads.spectra, rng)
        given = (None, None, spectra[printer], guessed[printer], spectra[neighbour[printer]])
        for way, reflectance in zip(WAYS, given, strict=True):
            patches = replace(means.patches, reflectance=reflectance)
            lab, covariance, method = correct(way, means, patches, pads)
            errors[way].append(lab - pads.lab)
            covariances[way].append(covariance)
            used[way] += method == "spectral"
    draw = np.random.default_rng(1)
    count = options.conditions
    others = np.array([draw.choice(np.delete(np.arange(count), i), 2, replace=False) for i in range(count)])
    part = "seen" if options.seen else "unseen"
    sys.stdout.write(f"{count} {part} conditions; error of the concentration in %, median and 95th percentile\n")
    sys.stdout.write(
        f"{'':<30} {'pink':>12} {'violet':>12} {'pink less 2':>12} {'violet less 2':>13} {'spectral':>9}\n"
    )
    found = {}
    for way in WAYS:
        error, covariance = np.array(errors[way]), np.array(covariances[way])
        cells = []
        for off in (error, error - error[others].mean(axis=1)):
            weighted = np.linalg.solve(covariance, np.broadcast_to(pads.slope, off.shape)[..., None])[..., 0]
            along = np.einsum("npa,npa->np", off, weighted) / np.einsum("pa,npa->np", pads.slope, weighted)
            relative = 100 * np.abs(along) / pads.concentration
            cells += [np.percentile(relative[:, pads.name == name], [50, 95]) for name in LEVELS]
        found[way] = np.array(cells)
        row = " ".join(f"{cell[0]:6.1f} {cell[1]:5.1f}" for cell in cells)
        sys.stdout.write(f"{way:<30} {row} {used[way] / count:>9.0%}\n")
    return found


if __name__ == "__main__":
    main()
