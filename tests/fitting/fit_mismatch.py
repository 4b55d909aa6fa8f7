"""Fits the constants of `stripread.colour.mismatch` on seen conditions and judges them on unseen ones.

What counts is the concentration: each pad's error is projected on its path as the inversion does it, and the constants
are those that make the projected errors most likely for the stated uncertainty (Student t).

Run as ``python -m tests.fitting.fit_mismatch``; it prints the constants to be written there. Takes half an hour.
"""

import sys
from dataclasses import dataclass, replace
from functools import partial
from math import lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout, design_card
from stripread.colour import DEGREES_OF_FREEDOM, MismatchConstants, fit_correction, mismatch_covariance
from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.lot import Condition, compare_signature, signature_of
from stripread.simulate import FAMILIES
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS
from stripread.simulate.optics.inks import CardPrint, print_card
from stripread.simulate.optics.lamps import SEEN, UNSEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from tests.fitting.patches import U_INSTRUMENT, simulate_means

__all__ = [
    "Errors",
    "collect_errors",
    "constants_from",
    "describe",
    "fit_constants",
    "mean_log_likelihood",
    "projected",
    "tangents",
]

GROUND_LAB = np.array([60.0, 0.0, 0.0])
LEVELS: dict[str, tuple[float, ...]] = {
    "pink": (0.0, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0),
    "violet": (20.0, 50.0, 100.0, 200.0, 300.0, 450.0),
    "brown": (1.0, 3.0, 8.0),
    "yellow-blue": (6.4, 6.8, 7.2, 7.6, 8.2),
}


# How a photo relates to the calibration's two conditions: the weights with which the kinds are drawn.
NOVELTY = {"same": 1, "drifted lamp": 1, "another phone": 1, "another lamp": 1, "both": 2}
_PHOTOS = 3  # of each condition of the calibration


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of corrected pad colours over lots, less those of the lot's own calibration, and the same of the card.

    Each lot is calibrated with one phone in two lamps; what is taken off is the mixture of both that the card is like.
    """

    pad_lab: Float
    tangents: Float  # (pads, 3), change of CIELAB along each pad's path, any scale
    errors: Float  # (lots, pads, 3)
    light: Float  # (lots, pads, 3, 3), covariance from the light's own uncertainty
    patch_lab: Float
    residuals: Float  # (lots, patches, 3)
    is_colour: NDArray[np.bool_]
    lamps: tuple[str, ...]
    novelty: tuple[str, ...]
    distances: Float  # (lots,), of signatures

    def only(self, chosen: NDArray[np.bool_]) -> "Errors":
        """Return some of the lots."""
        return replace(
            self,
            errors=self.errors[chosen],
            light=self.light[chosen],
            residuals=self.residuals[chosen],
            lamps=tuple(name for name, on in zip(self.lamps, chosen, strict=True) if on),
            novelty=tuple(name for name, on in zip(self.novelty, chosen, strict=True) if on),
            distances=self.distances[chosen],
        )


@dataclass(frozen=True, slots=True)
class _Seen:
    """One photo: errors of its pads (pads, 3), their covariance from the light, the card's left-out residuals."""

    errors: Float
    light: Float
    residuals: Float


def relate(kind: str, lamps: tuple[str, str], phones: tuple[Phone, Phone]) -> tuple[str, Phone]:
    """Return lamp and phone of a photo in a relation of `NOVELTY` to a calibration by the first of each."""
    (one, new), (own, other) = lamps, phones
    return {
        "same": (one, own),
        "drifted lamp": (f"{one} + {new}", own),
        "another phone": (one, other),
        "another lamp": (new, own),
        "both": (new, other),
    }[kind]


def _look(
    card: CardLayout, printed: CardPrint, measured: Float, pads: Float, truth: Float, rng: np.random.Generator,
    lamp_name: str, phone: Phone,
) -> _Seen:  # fmt: skip
    means = simulate_means(card, printed, lamp_name, phone, pads, rng)
    correction = fit_correction(replace(means.patches, lab=measured))
    gradients = np.array([correction.at(p, means.pad_place_mm).light_gradient for p in means.pads])
    return _Seen(
        correction.lab(means.pads, np.tile(means.pad_place_mm, (len(pads), 1))) - truth,
        correction.u_light**2 * gradients[:, :, None] * gradients[:, None, :],
        np.where(correction.used[:, None], correction.left_out, np.nan),
    )


def collect_errors(*, seen: bool, conditions: int, seed: int) -> Errors:
    """Simulate lots and a photo for each, in conditions of the seen or of the unseen part."""
    card = design_card()
    pads = np.array([pad_reflectance(PADS[name], c) for name, levels in LEVELS.items() for c in levels])
    truth = reflectance_to_lab(pads)
    ids, is_colour = [p.id for p in card.patches], np.array([p.role == "colour" for p in card.patches])
    lamps, printers, first = (SEEN, SEEN_PRINTERS, 0) if seen else (UNSEEN, UNSEEN_PRINTERS, 10_000)
    errors, residuals, lights, names, novelty, distances = [], [], [], [], [], []
    for index in range(conditions):
        rng = np.random.default_rng([seed, int(seen), index])
        printed = print_card(card.patch_lab, GROUND_LAB, printer_seed=int(rng.choice(printers)))
        measured = printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape)
        own, other = (make_phone(int(n) + first) for n in rng.integers(0, 1000, 2))
        one, two, new = (str(name) for name in rng.choice(lamps, 3, replace=False))

        kind = str(rng.choice(list(NOVELTY), p=np.array(list(NOVELTY.values())) / sum(NOVELTY.values())))
        lamp_name, phone = relate(kind, (one, new), (own, other))
        look = partial(_look, card, printed, measured, pads, truth, rng)
        try:
            photo = look(lamp_name, phone)
            calibration = [[look(name, own) for _ in range(_PHOTOS)] for name in (one, two)]
        except PhotoUnfitError:  # overexposed
            continue
        made = [
            Condition(
                name=name, camera=None, photos=_PHOTOS, joined=False,
                signature=signature_of(ids, np.array([p.residuals for p in photos])),
            )
            for name, photos in zip((one, two), calibration, strict=True)
        ]  # fmt: skip
        like = compare_signature(ids, measured, photo.residuals, is_colour, made)
        mean_errors = [np.mean([p.errors for p in photos], axis=0) for photos in calibration]
        errors.append(photo.errors - np.einsum("k,kpa->pa", like.weights, np.array(mean_errors)))
        lights.append(photo.light)
        residuals.append(np.nan_to_num(like.difference))
        names.append(new if kind in ("another lamp", "both") else one)
        novelty.append(kind)
        distances.append(like.distance)
    return Errors(
        truth,
        tangents(),
        np.array(errors),
        np.array(lights),
        card.patch_lab,
        np.array(residuals),
        is_colour,
        tuple(names),
        tuple(novelty),
        np.array(distances),
    )


def constants_from(logs: Float) -> MismatchConstants:
    """Constants from the logarithms that the optimiser moves."""
    k_l, k_ab, r_l, r_ab, f_l, f_ab = np.exp(logs)
    return MismatchConstants((k_l, k_ab), (r_l, r_ab), (f_l, f_ab))


def tangents() -> Float:
    """Change of CIELAB along the path of each pad, by differences."""
    found = []
    for name, levels in LEVELS.items():
        for c in levels:
            step = 0.01 * (c + 0.05)
            ends = [reflectance_to_lab(pad_reflectance(PADS[name], c + side)) for side in (0.0, step)]
            found.append(ends[1] - ends[0])
    return np.array(found)


def projected(data: Errors, constants: MismatchConstants) -> tuple[Float, Float]:
    """Errors along the paths (conditions, pads) over their stated uncertainty, and that uncertainty."""
    z, u = [], []
    for error, residual, light in zip(data.errors, data.residuals, data.light, strict=True):
        covariance = light + mismatch_covariance(
            data.pad_lab,
            data.patch_lab,
            residual,
            data.is_colour,
            u_reference=0.0,  # one print, whose own noise cancels
            constants=constants,
        )
        weighted = np.linalg.solve(covariance, data.tangents[..., None])[..., 0]
        here = np.einsum("pa,pa->p", data.tangents, weighted) ** -0.5
        z.append(np.einsum("pa,pa->p", error, weighted) * here)
        u.append(here)
    return np.array(z), np.array(u)


def mean_log_likelihood(data: Errors, constants: MismatchConstants) -> float:
    """Mean log density of the projected errors, Student t."""
    z, u = projected(data, constants)
    nu = DEGREES_OF_FREEDOM
    constant = lgamma((nu + 1) / 2) - lgamma(nu / 2) - 0.5 * log(nu * pi)  # tells degrees of freedom apart
    return float(np.mean(-np.log(u) - 0.5 * (nu + 1) * np.log1p(z**2 / nu)) + constant)


def fit_constants(data: Errors) -> MismatchConstants:
    """Constants under which the projected errors are most likely."""
    from scipy.optimize import minimize

    start = np.log([1.3, 3.0, 0.3, 1.0, 0.05, 0.05])
    low = np.log([0.2, 0.2, 0.01, 0.01, 0.03, 0.03])

    def objective(logs: Float) -> float:
        return -mean_log_likelihood(data, constants_from(np.maximum(logs, low)))

    fit = minimize(objective, start, method="Nelder-Mead", options={"maxfev": 400})
    return constants_from(np.maximum(fit.x, low))


def describe(name: str, data: Errors, constants: MismatchConstants) -> str:
    """Return the shares inside the 95 % interval, a line."""
    from scipy.stats import t as student

    z, _ = projected(data, constants)
    inside = np.mean(np.abs(z) < student.ppf(0.975, DEGREES_OF_FREEDOM), axis=0)
    size, index = np.sqrt(np.mean(z**2, axis=0)), 0
    parts = []
    for pad, levels in LEVELS.items():
        here = slice(index, index + len(levels))
        parts.append(f"{pad} {np.mean(inside[here]):.3f} (rms {np.sqrt(np.mean(size[here] ** 2)):.2f})")
        index += len(levels)
    return f"{name}: inside the 95 % interval " + ", ".join(parts) + "\n"


def main() -> None:
    """Fit, judge on lamp families that were left out of the fit, then on the unseen part; print."""
    write = sys.stdout.write
    seen = collect_errors(seen=True, conditions=400, seed=1)
    constants = fit_constants(seen)
    write(f"{constants}, mean log likelihood {mean_log_likelihood(seen, constants):.4f}\n")
    write(describe("seen", seen, constants))
    for family, lamps in FAMILIES.items():
        here = np.array([name in lamps for name in seen.lamps])
        write(describe(f"  {family}, fitted without it", seen.only(here), fit_constants(seen.only(~here))))
    for kind in NOVELTY:
        own = seen.only(np.array([n == kind for n in seen.novelty]))
        write(describe(f"  {kind}", own, constants))
        shares = np.percentile(own.distances, [5, 50, 95])
        write(
            f"    signatures apart by {shares[0]:.2f}, {shares[1]:.2f}, {shares[2]:.2f} (5th, 50th, 95th percentile)\n"
        )
    write(describe("unseen", collect_errors(seen=False, conditions=300, seed=2), constants))


if __name__ == "__main__":
    main()
