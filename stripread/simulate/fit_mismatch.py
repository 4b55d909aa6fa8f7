"""Fits the constants of `stripread.colour.mismatch` on seen conditions and judges them on unseen ones.

What counts is the concentration: each pad's error is projected on its path as the inversion does it, and the constants
are those that make the projected errors most likely for the stated uncertainty (Student t).

Run as ``python -m stripread.simulate.fit_mismatch``; it prints the constants to be written there. Takes two minutes.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.card.design import design_card
from stripread.colour.correct import fit_correction
from stripread.colour.mismatch import DEGREES_OF_FREEDOM, MismatchConstants, mismatch_covariance
from stripread.geometry import Float
from stripread.simulate.cameras import make_phone
from stripread.simulate.inks import print_card
from stripread.simulate.lamps import FAMILIES, SEEN, UNSEEN
from stripread.simulate.pads import PADS, pad_reflectance
from stripread.simulate.patches import U_INSTRUMENT, simulate_means
from stripread.simulate.spectra import reflectance_to_lab

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
SEEN_PRINTERS, UNSEEN_PRINTERS = range(1, 9), range(101, 107)


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of corrected pad colours over conditions, and the card's left-out residuals.

    Of each is taken off its mean over two other conditions: those in which a lot was calibrated, which errs alike.
    """

    pad_lab: Float
    tangents: Float  # (pads, 3), change of CIELAB along each pad's path, any scale
    errors: Float  # (conditions, pads, 3)
    light: Float  # (conditions, pads, 3, 3), covariance from the light's own uncertainty
    patch_lab: Float
    residuals: Float  # (conditions, patches, 3)
    is_colour: NDArray[np.bool_]
    lamps: tuple[str, ...]
    # Of the print read, and of two others averaged.
    u_reference: float = U_INSTRUMENT * 1.5**0.5

    def only(self, chosen: NDArray[np.bool_]) -> "Errors":
        """Return some of the conditions."""
        names = tuple(name for name, on in zip(self.lamps, chosen, strict=True) if on)
        return replace(
            self, errors=self.errors[chosen], light=self.light[chosen], residuals=self.residuals[chosen], lamps=names
        )


def collect_errors(*, seen: bool, conditions: int, seed: int) -> Errors:
    """Simulate conditions of the seen or of the unseen part."""
    card = design_card()
    pads = np.array([pad_reflectance(PADS[name], c) for name, levels in LEVELS.items() for c in levels])
    truth = reflectance_to_lab(pads)
    lamps, printers = (SEEN, SEEN_PRINTERS) if seen else (UNSEEN, UNSEEN_PRINTERS)
    errors, residuals, lights, names = [], [], [], []
    for index in range(conditions):
        rng = np.random.default_rng([seed, int(seen), index])
        printed = print_card(card.patch_lab, GROUND_LAB, printer_seed=int(rng.choice(printers)))
        phone = make_phone(int(rng.integers(0, 1000)) + (0 if seen else 10_000))
        names.append(str(rng.choice(lamps)))
        means = simulate_means(card, printed, names[-1], phone, pads, rng)
        correction = fit_correction(means.patches)
        place = np.tile(means.pad_place_mm, (len(pads), 1))
        errors.append(correction.lab(means.pads, place) - truth)
        gradients = np.array([correction.light_gradient(p[None], means.pad_place_mm[None]) for p in means.pads])
        lights.append(correction.u_light**2 * gradients[:, :, None] * gradients[:, None, :])
        residuals.append(np.where(correction.used[:, None], correction.left_out, 0.0))
    role = np.array([p.role == "colour" for p in card.patches])
    draw = np.random.default_rng([seed, int(seen)])
    others = [draw.choice(np.delete(np.arange(conditions), i), 2, replace=False) for i in range(conditions)]
    all_errors, all_residuals = np.array(errors), np.array(residuals)
    return Errors(
        truth,
        tangents(),
        all_errors - all_errors[others].mean(axis=1),
        np.array(lights),
        card.patch_lab,
        all_residuals - all_residuals[others].mean(axis=1),
        role,
        tuple(names),
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
            u_reference=data.u_reference,
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
    return float(np.mean(-np.log(u) - 0.5 * (nu + 1) * np.log1p(z**2 / nu)))


def fit_constants(data: Errors) -> MismatchConstants:
    """Constants under which the projected errors are most likely."""
    from scipy.optimize import minimize

    start = np.log([1.3, 3.0, 0.3, 1.0, 0.05, 0.05])
    # The floors stay at a tenth of what an eye can tell: noise this small is not what the likelihood should explain.
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
    seen = collect_errors(seen=True, conditions=300, seed=1)
    constants = fit_constants(seen)
    write(f"{constants}\n" + describe("seen", seen, constants))
    for family, lamps in FAMILIES.items():
        here = np.array([name in lamps for name in seen.lamps])
        write(describe(f"  {family}, fitted without it", seen.only(here), fit_constants(seen.only(~here))))
    write(describe("unseen", collect_errors(seen=False, conditions=300, seed=2), constants))


if __name__ == "__main__":
    main()
