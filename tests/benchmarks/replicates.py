"""How often good replicates are called different, and different ones are: pink and violet, in one light and in two.

Run ``python -m tests.benchmarks.replicates`` (a few minutes; ``--lots``, ``--seed``). The colour's errors are those of
cards and pads under unseen lamps, phones and printers (patch means, no pictures); lots are calibrated with one phone in
two lamps. Strips differ by a scatter that the lot estimates with few degrees of freedom, photos by the noise of pixels.
Errors are taken along the pad's path, as the inversion does to first order. Rates are of pairs.
"""

import argparse
from collections import defaultdict
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from stripread.card.design import design_card
from stripread.check.replicates import check_replicates
from stripread.colour.correct import fit_correction
from stripread.colour.mismatch import DEGREES_OF_FREEDOM, mismatch_covariance, residual_correlation
from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.lot.conditions import Condition, compare_signature, signature_of
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import UNSEEN_PRINTERS
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.lamps import UNSEEN
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from tests.fitting.fit_mismatch import GROUND_LAB
from tests.fitting.patches import U_INSTRUMENT, simulate_means

CARD = design_card()
IDS = [p.id for p in CARD.patches]
COLOUR = np.array([p.role == "colour" for p in CARD.patches])
LEVELS = {"pink": (0.2, 0.3, 0.5, 1.0), "violet": (50.0, 100.0, 200.0, 300.0)}
PLACES = [(name, c) for name, levels in LEVELS.items() for c in levels]
SPECTRA = np.array([pad_reflectance(PADS[name], c) for name, c in PLACES])
TRUTH = reflectance_to_lab(SPECTRA)
# Change of CIELAB along each pad's path per unit of ln concentration.
TANGENTS = (reflectance_to_lab(np.array([pad_reflectance(PADS[n], 1.02 * c) for n, c in PLACES])) - TRUTH) / 0.02
PIXELS, COLOUR_SCATTER, RELATIVE = 0.15, 0.2, 0.04  # Delta E, Delta E, of the concentration
SCATTER_FREEDOM = 14.0
PHOTOS = 3  # of each condition of the calibration
STRIPS = 4  # pairs of strips drawn for each pair of photos
# Which light and phone each of two photos is in, counted as (lamp, phone); the calibration is in 0 and 1 with 0.
WAYS: dict[str, tuple[tuple[int, int], tuple[int, int]]] = {
    "one light of the lot": ((0, 0), (0, 0)),
    "both lights of the lot": ((0, 0), (1, 0)),
    "one other lamp": ((2, 0), (2, 0)),
    "two other lamps": ((2, 0), (3, 0)),
    "one other lamp and phone": ((2, 1), (2, 1)),
    "other lamps and phones": ((2, 1), (3, 2)),
}


def pads_of(photo: tuple[Float, Float, Float], rng: np.random.Generator, u_scale: float) -> list[Any]:
    """Read one strip in one photo: its pads as `check_replicates` takes them, values in ln concentration."""
    error, light, mismatch = photo
    found = []
    for i, (name, _) in enumerate(PLACES):
        along = np.outer(TANGENTS[i], TANGENTS[i])
        pixels, scatter = PIXELS**2 * np.eye(3), COLOUR_SCATTER**2 * np.eye(3) + RELATIVE**2 * along
        causes = {"pixels": pixels, "light": light[i], "colour_correction": mismatch[i]}
        causes["strip_to_strip"] = u_scale**2 * scatter
        inverse = np.linalg.inv(sum(causes.values()))
        u = float(TANGENTS[i] @ inverse @ TANGENTS[i]) ** -0.5
        gain = u**2 * inverse @ TANGENTS[i]
        budget = {cause: float(np.sqrt(gain @ c @ gain)) for cause, c in causes.items()}
        own = error[i] + rng.multivariate_normal(np.zeros(3), pixels + scatter)
        known = {"strip_to_strip": SCATTER_FREEDOM, "colour_correction": DEGREES_OF_FREEDOM}
        freedom = u**4 / sum(budget[cause] ** 4 / nu for cause, nu in known.items())
        value = float(gain @ own)
        estimate = SimpleNamespace(value=value, budget=budget, degrees_of_freedom=freedom, standard_uncertainty=u)
        found.append(
            SimpleNamespace(
                pad=name, unit="", lab=TRUTH[i], estimate=estimate, interval=(value - u, value + u), value=value,
                limit=None, censored=None,
            )
        )  # fmt: skip
    return found


def shifted(pad: Any, by: float) -> Any:
    """Return a pad of a strip that holds more."""
    more = {**vars(pad), "estimate": SimpleNamespace(**{**vars(pad.estimate), "value": pad.estimate.value + by})}
    return SimpleNamespace(**more)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--lots", type=int, default=150)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--alone", action="store_true", help="as if each photo were in a light of its own")
    asked = parser.parse_args()
    called: dict[tuple[str, str, float], list[bool]] = defaultdict(list)
    for index in range(asked.lots):
        rng = np.random.default_rng([asked.seed, index])
        printed = print_card(CARD.patch_lab, GROUND_LAB, printer_seed=int(rng.choice(UNSEEN_PRINTERS)))
        measured = printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape)
        phones = [make_phone(int(n) + 10_000) for n in rng.integers(0, 1000, 3)]
        lamps = [str(name) for name in rng.choice(UNSEEN, 4, replace=False)]
        u_scale = float(np.sqrt(rng.chisquare(SCATTER_FREEDOM) / SCATTER_FREEDOM))

        def look(
            lamp: str,
            phone: Phone,
            *,
            rng: np.random.Generator = rng,
            printed: Any = printed,
            measured: Float = measured,
        ) -> tuple[Float, Float, Float]:
            means = simulate_means(CARD, printed, lamp, phone, SPECTRA, rng)
            correction = fit_correction(replace(means.patches, lab=measured))
            gradients = np.array([correction.at(p, means.pad_place_mm).light_gradient for p in means.pads])
            light = correction.u_light**2 * gradients[:, :, None] * gradients[:, None, :]
            error = correction.lab(means.pads, np.tile(means.pad_place_mm, (len(SPECTRA), 1))) - TRUTH
            return error, light, np.where(correction.used[:, None], correction.left_out, np.nan)

        try:
            calibration = [[look(lamp, phones[0]) for _ in range(PHOTOS)] for lamp in lamps[:2]]
        except PhotoUnfitError:
            continue
        made = [
            Condition(
                name=str(k), camera=None, photos=PHOTOS, joined=False,
                signature=signature_of(IDS, np.array([p[2] for p in photos])),
            )
            for k, photos in enumerate(calibration)
        ]  # fmt: skip
        mean_errors = np.array([np.mean([p[0] for p in photos], axis=0) for photos in calibration])
        for way, lights in WAYS.items():
            try:
                photos = [look(lamps[lamp], phones[phone]) for lamp, phone in lights]
            except PhotoUnfitError:
                continue
            likes = [compare_signature(IDS, measured, p[2], COLOUR, made) for p in photos]
            seen = []
            for photo, like in zip(photos, likes, strict=True):
                difference = np.nan_to_num(like.difference)
                mismatch = mismatch_covariance(TRUTH, CARD.patch_lab, difference, COLOUR, u_reference=0.0)
                seen.append((photo[0] - np.einsum("k,kpa->pa", like.weights, mean_errors), photo[1], mismatch))
            alike = [
                residual_correlation(lab, CARD.patch_lab, likes[0].difference, likes[1].difference) for lab in TRUTH
            ]
            for _ in range(STRIPS):
                first, second = (pads_of(p, rng, u_scale) for p in seen)
                for i, (name, _) in enumerate(PLACES):
                    light = {} if asked.alone else {"light": np.array([[1.0, alike[i]], [alike[i], 1.0]])}
                    for by in (0.0, 0.2, 0.3):
                        pair = cast(Any, [first[i], shifted(second[i], by)])
                        called[way, name, by].append(check_replicates(pair, **light) is not None)
    print("| light of the two photos | pad | pairs | good called [%] | 20 % apart, found | 30 % apart, found |")
    print("|---|---|---|---|---|---|")
    for way in WAYS:
        for name in LEVELS:
            rates = [100 * float(np.mean(called[way, name, by])) for by in (0.0, 0.2, 0.3)]
            print(f"| {way} | {name} | {len(called[way, name, 0.0])} | " + " | ".join(f"{r:.1f}" for r in rates) + " |")


if __name__ == "__main__":
    main()
