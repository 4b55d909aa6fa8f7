"""Ways to hold a photo against a calibration, compared on patch means: winners and losers.

Run ``python -m tests.benchmarks.ways`` (a minute). Lots are calibrated with one phone in two lamps, on one card print;
each is read in five relations to them. Errors are those of the colour alone, taken along the pad's path: no strips that
differ, no picture, no JPEG. Ways that learn do so on the seen part; the table is of the unseen one.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stripread.card import design_card
from stripread.colour import fit_correction, fit_map, smoothed_residuals
from stripread.colour.map import MapMethod
from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.lot import Condition, compare_signature, signature_of
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.lamps import SEEN, UNSEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from tests.fitting.fit_mismatch import GROUND_LAB, NOVELTY, relate
from tests.fitting.patches import U_INSTRUMENT, simulate_means

CARD = design_card()
IDS = [p.id for p in CARD.patches]
WHITE = np.array([p.role == "white" for p in CARD.patches])
COLOUR = np.array([p.role == "colour" for p in CARD.patches])
LEVELS = {"pink": (0.2, 0.3, 0.5), "violet": (50.0, 100.0, 200.0, 300.0, 450.0)}
PLACES = [(name, c) for name, levels in LEVELS.items() for c in levels]
SPECTRA = np.array([pad_reflectance(PADS[name], c) for name, c in PLACES])
TRUTH = reflectance_to_lab(SPECTRA)
# Relative change of the concentration per CIELAB along each pad's path.
NEXT = reflectance_to_lab(np.array([pad_reflectance(PADS[name], 1.02 * c) for name, c in PLACES]))
PATHS = 0.02 * (NEXT - TRUTH) / np.sum((NEXT - TRUTH) ** 2, axis=1, keepdims=True)


@dataclass(frozen=True)
class Seen:
    """Errors of the pads (pads, 3) and left-out residuals of the patches (n, 3), by method of the map."""

    errors: dict[str, Float]
    residuals: dict[str, Float]


@dataclass(frozen=True)
class Lot:
    novelty: str
    photo: Seen
    calibration: tuple[Seen, Seen]


def draw_lot(rng: np.random.Generator, *, seen: bool) -> Lot:
    lamps, printers, first = (SEEN, SEEN_PRINTERS, 0) if seen else (UNSEEN, UNSEEN_PRINTERS, 10_000)
    printed = print_card(CARD.patch_lab, GROUND_LAB, printer_seed=int(rng.choice(printers)))
    measured = printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape)
    own, other = (make_phone(int(n) + first) for n in rng.integers(0, 1000, 2))
    one, two, new = (str(name) for name in rng.choice(lamps, 3, replace=False))

    def look(lamp_name: str, phone: object) -> Seen:
        means = simulate_means(CARD, printed, lamp_name, phone, SPECTRA, rng)  # type: ignore[arg-type]
        correction = fit_correction(replace(means.patches, lab=measured))
        place = np.tile(means.pad_place_mm, (len(SPECTRA), 1))
        scene = correction.scene(means.patches.linear, means.patches.places_mm)
        pads = correction.scene(means.pads, place)
        errors, residuals = {}, {}
        methods: tuple[MapMethod, ...] = ("linear", "root-polynomial")
        for method in methods:
            fitted = fit_map(
                scene, measured, WHITE & correction.used, correction.map.weights * correction.used, method=method
            )
            errors[method] = fitted.lab(pads) - TRUTH
            residuals[method] = np.where(correction.used[:, None], fitted.left_out, 0.0)
        errors["better of both"] = correction.lab(means.pads, place) - TRUTH
        residuals["better of both"] = np.where(correction.used[:, None], correction.left_out, 0.0)
        return Seen(errors, residuals)

    kind = str(rng.choice(list(NOVELTY)))
    lamp_name, phone = relate(kind, (one, new), (own, other))
    return Lot(kind, look(lamp_name, phone), (look(one, own), look(two, own)))


def draw_lots(count: int, *, seen: bool, seed: int) -> list[Lot]:
    lots = []
    for index in range(count):
        try:
            lots.append(draw_lot(np.random.default_rng([seed, int(seen), index]), seen=seen))
        except PhotoUnfitError:  # overexposed
            continue
    return lots


def against_mixture(lot: Lot, method: str) -> tuple[Float, Float]:
    """Errors and residuals less those of the mixture of conditions that the photo is like."""
    made = [
        Condition(name="", camera=None, photos=1, joined=False, signature=signature_of(IDS, s.residuals[method][None]))
        for s in lot.calibration
    ]
    like = compare_signature(IDS, CARD.patch_lab, lot.photo.residuals[method], COLOUR, made)
    mean = np.einsum("k,kpa->pa", like.weights, np.array([s.errors[method] for s in lot.calibration]))
    return lot.photo.errors[method] - mean, like.difference


def against_mean(lot: Lot, method: str) -> Float:
    return lot.photo.errors[method] - np.mean([s.errors[method] for s in lot.calibration], axis=0)


def learned(lots: list[Lot], features: Callable[[Float], Float]) -> Callable[[Float], Float]:
    """Regress the errors left by the mixture on features of the card's difference, with a ridge."""
    pairs = [against_mixture(lot, "better of both") for lot in lots]
    x = np.array([features(difference) for _, difference in pairs])
    y = np.array([errors for errors, _ in pairs]).reshape(len(pairs), -1)
    gram = x.T @ x
    factors = np.linalg.solve(gram + 1e-3 * np.trace(gram) / len(gram) * np.eye(len(gram)), x.T @ y)
    return lambda difference: (features(difference) @ factors).reshape(-1, 3)


def row(name: str, errors: list[Float]) -> str:
    relative = np.abs(np.einsum("lpa,pa->lp", np.array(errors), PATHS))
    cells = []
    for pad in LEVELS:
        own = relative[:, [i for i, (n, _) in enumerate(PLACES) if n == pad]]
        cells += [f"{np.median(own):7.1%}", f"{np.percentile(own, 95):7.1%}"]
    return f"{name:<58} " + " ".join(cells) + "\n"


def main() -> None:
    write = sys.stdout.write
    lots, training = draw_lots(200, seen=False, seed=5), draw_lots(400, seen=True, seed=6)
    best = "better of both"
    write(f"{len(lots)} lots, unseen; relative error of the concentration: pink median, 95th; violet median, 95th\n")
    for method in ("linear", "root-polynomial", best):
        write(row(f"true CIELAB, {method}", [lot.photo.errors[method] for lot in lots]))
        write(row(f"mean of the calibration's lights, {method}", [against_mean(lot, method) for lot in lots]))
        write(row(f"mixture that the photo is like, {method}", [against_mixture(lot, method)[0] for lot in lots]))
    for kind in NOVELTY:
        own = [lot for lot in lots if lot.novelty == kind]
        write(row(f"  {kind}: mean", [against_mean(lot, best) for lot in own]))
        write(row(f"  {kind}: mixture", [against_mixture(lot, best)[0] for lot in own]))
    stack = np.array([against_mixture(lot, best)[1].ravel() for lot in training])
    axes = np.linalg.svd(stack, full_matrices=False)[2]
    near = np.array([np.exp(-np.sum((CARD.patch_lab - lab) ** 2, axis=1) / (2 * 8.0**2)) * ~WHITE for lab in TRUTH])
    near /= near.sum(axis=1, keepdims=True)
    ways: dict[str, Callable[[Float], Float]] = {
        "residuals of like colours, dyes known": lambda d: (near @ smoothed_residuals(CARD.patch_lab, d)).ravel(),
        "5 principal components of the signature, dyes known": lambda d: axes[:5] @ d.ravel(),
        "20 principal components of the signature, dyes known": lambda d: axes[:20] @ d.ravel(),
    }
    for name, features in ways.items():
        predict = learned(training, features)
        left = [errors - predict(difference) for errors, difference in (against_mixture(lot, best) for lot in lots)]
        write(row(f"mixture, and learned: {name}", left))


if __name__ == "__main__":
    main()
