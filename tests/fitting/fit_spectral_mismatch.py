"""Fit the constants of `stripread.colour.mismatch.spectral_mismatch` on seen conditions.

As in `fit_mismatch`: lots calibrated with one phone in two lamps, a photo each in a drawn relation to them, errors
projected on the pads' paths, constants by likelihood (Student t). Saturated pads are left out, as lots of such dyes
keep the plain map.

Run as ``python -m tests.fitting.fit_spectral_mismatch``; it prints the constants to be written there. Takes a
quarter of an hour.
"""

import sys
from dataclasses import dataclass, replace
from math import lgamma, log, pi

import numpy as np

from stripread.card import CardLayout, design_card
from stripread.colour import DEGREES_OF_FREEDOM, fit_correction, on_grid
from stripread.colour.mismatch import like_residuals, spectral_factor
from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.lot import Condition, compare_signature, signature_of
from stripread.simulate import enrolled
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS
from stripread.simulate.optics.lamps import SEEN, UNSEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from stripread.simulate.scene.photograph import printed_card
from tests.fitting.fit_mismatch import LEVELS, NOVELTY, relate, tangents
from tests.fitting.patches import simulate_means

_PHOTOS = 2  # of each condition of the calibration
_DYES = ("pink", "violet", "brown")


@dataclass(frozen=True, slots=True)
class _Seen:
    errors: Float  # (pads, 3)
    light: Float  # (pads, 3, 3)
    stated: Float  # (pads, 3, 3)
    residuals: Float  # (patches, 3)


@dataclass(frozen=True, slots=True)
class SpectralErrors:
    """Errors (lots, pads, 3), their covariances from the light and as stated by the map, likeness q (lots,)."""

    tangents: Float
    errors: Float
    light: Float
    stated: Float
    likeness: Float
    novelty: tuple[str, ...]


def _look(card: CardLayout, printer: int, lamp: str, phone: Phone, rng: np.random.Generator) -> _Seen | None:
    """Return what a photo shows, None where the spectral map was not used."""
    pads = np.array([pad_reflectance(PADS[name], c) for name in _DYES for c in LEVELS[name]])
    means = simulate_means(card, printed_card(design_card(), printer), lamp, phone, pads, rng)
    assert card.patch_spectra is not None
    reflectance = on_grid(np.array(card.wavelengths_nm), card.patch_spectra)
    correction = fit_correction(replace(means.patches, lab=card.patch_lab, reflectance=reflectance), spectral=True)
    if correction.map.method != "spectral":
        return None
    place = means.pad_place_mm
    pads_there = [correction.at(p, place) for p in means.pads]
    gradients = np.array([one.light_gradient for one in pads_there])
    return _Seen(
        correction.lab(means.pads, np.tile(place, (len(pads), 1))) - reflectance_to_lab(pads),
        correction.u_light**2 * gradients[:, :, None] * gradients[:, None, :],
        np.array([one.stated_mismatch for one in pads_there]),
        correction.residuals,
    )


def collect_spectral_errors(*, seen: bool, lots: int, seed: int) -> SpectralErrors:
    """Simulate lots and a photo for each, in conditions of the seen or of the unseen part."""
    lamps, printers, first = (SEEN, SEEN_PRINTERS, 0) if seen else (UNSEEN, UNSEEN_PRINTERS, 10_000)
    found: list[tuple[Float, Float, Float, float, str]] = []
    for index in range(lots):
        rng = np.random.default_rng([seed, int(seen), index])
        printer = printers[index * len(printers) // lots]  # in a row, as what each expects is worked out once
        card = enrolled(design_card(), printer, spectra=True)
        own, other = (make_phone(int(n) + first) for n in rng.integers(0, 1000, 2))
        one, two, new = (str(name) for name in rng.choice(lamps, 3, replace=False))
        kind = str(rng.choice(list(NOVELTY), p=np.array(list(NOVELTY.values())) / sum(NOVELTY.values())))
        lamp, phone = relate(kind, (one, new), (own, other))
        try:
            photo = _look(card, printer, lamp, phone, rng)
            calibration = [[_look(card, printer, name, own, rng) for _ in range(_PHOTOS)] for name in (one, two)]
        except PhotoUnfitError:  # overexposed
            continue
        shown = [[p for p in photos if p is not None] for photos in calibration]
        if photo is None or any(len(photos) < _PHOTOS for photos in shown):
            continue
        ids, is_colour = [p.id for p in card.patches], np.array([p.role == "colour" for p in card.patches])
        made = [
            Condition(
                name=name, camera=None, photos=_PHOTOS, joined=False,
                signature=signature_of(ids, np.array([p.residuals for p in photos])),
            )
            for name, photos in zip((one, two), shown, strict=True)
        ]  # fmt: skip
        like = compare_signature(ids, card.patch_lab, photo.residuals, is_colour, made)
        means = np.array([np.mean([p.errors for p in photos], axis=0) for photos in shown])
        errors = photo.errors - np.einsum("k,kpa->pa", like.weights, means)
        known = np.isfinite(like.difference).all(axis=1)
        q = like_residuals(card.patch_lab[known], like.difference[known], is_colour[known])
        found.append((errors, photo.light, photo.stated, q, kind))
    errors, light, stated, likeness, novelty = zip(*found, strict=True)  # a few lots at least
    count = sum(len(LEVELS[name]) for name in _DYES)
    return SpectralErrors(
        tangents()[:count], np.array(errors), np.array(light), np.array(stated), np.array(likeness), tuple(novelty)
    )


def projected(data: SpectralErrors, constants: tuple[float, float, float]) -> tuple[Float, Float]:
    """Errors along the paths (lots, pads) over their stated uncertainty, and that uncertainty."""
    factor = np.array([spectral_factor(q, constants) for q in data.likeness])
    covariance = data.light + factor[:, None, None, None] * data.stated
    path = np.broadcast_to(data.tangents, data.errors.shape)
    weighted = np.linalg.solve(covariance, path[..., None])[..., 0]
    u = np.einsum("npa,npa->np", path, weighted) ** -0.5
    return np.einsum("npa,npa->np", data.errors, weighted) * u, u


def fit_spectral_constants(data: SpectralErrors) -> tuple[float, float, float]:
    """Constants under which the projected errors are most likely."""
    from scipy.optimize import minimize

    nu = DEGREES_OF_FREEDOM
    constant = lgamma((nu + 1) / 2) - lgamma(nu / 2) - 0.5 * log(nu * pi)

    def objective(logs: Float) -> float:
        z, u = projected(data, _constants(logs))
        return -float(np.mean(-np.log(u) - 0.5 * (nu + 1) * np.log1p(z**2 / nu)) + constant)

    return _constants(minimize(objective, np.log([0.1, 5.0, 1.0]), method="Nelder-Mead").x)


def _constants(logs: Float) -> tuple[float, float, float]:
    least, slope, most = np.exp(logs)
    return float(least), float(slope), float(most)


def describe(name: str, data: SpectralErrors, constants: tuple[float, float, float]) -> str:
    """Return the shares inside the 95 % interval, a line."""
    from scipy.stats import t as student

    z, _ = projected(data, constants)
    parts, first = [], 0
    for dye in _DYES:
        own = z[:, first : first + len(LEVELS[dye])]
        first += len(LEVELS[dye])
        inside = np.mean(np.abs(own) < student.ppf(0.975, DEGREES_OF_FREEDOM))
        parts.append(f"{dye} {inside:.3f} (rms {np.sqrt(np.mean(own**2)):.2f})")
    return f"{name}, {len(z)} lots: inside the 95 % interval " + ", ".join(parts) + "\n"


def main() -> None:
    """Fit, and judge on the unseen part; print."""
    write = sys.stdout.write
    seen = collect_spectral_errors(seen=True, lots=240, seed=3)
    constants = fit_spectral_constants(seen)
    write(f"least, slope, most: {', '.join(f'{c:.3g}' for c in constants)}\n")
    write(describe("seen", seen, constants))
    for kind in NOVELTY:
        own = np.array([n == kind for n in seen.novelty])
        part = replace(
            seen, errors=seen.errors[own], light=seen.light[own], stated=seen.stated[own], likeness=seen.likeness[own]
        )
        write(describe(f"  {kind}", part, constants))
    write(describe("unseen", collect_spectral_errors(seen=False, lots=120, seed=4), constants))


if __name__ == "__main__":
    main()
