"""False alarms and detections of the findings about a photo; docs/explanation/photo-quality.md states its results.

Run as ``python -m tests.benchmarks.photo_quality normal 180``, then e.g. ``... padshadow 20``. Each photo takes one to
three seconds. A defect is judged by how far it moves the pad's CIELAB from the same shot without it, in standard
uncertainties (root of the squared Mahalanobis distance over three).
"""

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from stripread.card import design_card
from stripread.colour import mismatch_covariance
from stripread.errors import StripReadError
from stripread.geometry import Float
from stripread.measure import StripMeasurement, measure_strip
from stripread.photo import open_photo_bytes
from stripread.simulate import dip_strip, enrolled, random_shot, take_photo
from stripread.simulate.scene.photograph import Shot
from stripread.simulate.scene.scene import Defects, GlareSpot, LightField, Shadow, half_plane, pad_corners_mm
from stripread.strip import load_kind
from tests.fitting.patches import U_INSTRUMENT

SEED = 4711
CARD = design_card()
TOPS = {"clo2-ultralow": 2.0, "clo2-wide": 500.0}
PAIRS = (("D65", "A"), ("D50", "FL1"), ("A", "LED-B5"), ("D75", "A"), ("D65", "FL4"), ("canopy D50", "D75"),
         ("LED-B1", "LED-B5"), ("FL2", "D65"))  # fmt: skip
WARNINGS = {"photo_soft", "photo_clipped", "photo_dark", "glare_on_pad", "shadow_edge", "mixed_light", "card_covered",
            "patch_disagrees", "poor_correction", "pad_uneven"}  # fmt: skip


def normal_shot(i: int) -> tuple[Shot, np.random.Generator]:
    rng = np.random.default_rng([SEED, i])
    name = ("clo2-ultralow", "clo2-wide")[i % 2]
    strip = dip_strip(load_kind(name), {"clo2": float(rng.uniform(0, 1) ** 2 * TOPS[name])}, rng, scatter=0.0)
    return random_shot(CARD, strip, rng, seen=True, sizes=((2000, 1500),)), rng


def spoilt_shot(defect: str, i: int, count: int) -> Shot:
    """Return normal shot ``i`` with a defect whose strength runs through its range over ``count`` photos."""
    shot, rng = normal_shot(i)
    assert shot.placement is not None
    share, scale = (i + 0.5) / count, shot.view.card_width_share * shot.view.size_px[0] / 190
    x, y = pad_corners_mm(CARD, shot.placement, shot.placement.kind.pads[0]).mean(axis=0)
    if defect == "blur":
        return replace(shot, optics=replace(shot.optics, blur_sigma_px=(0.25 + 1.15 * share) * scale))
    if defect == "motion":
        angle = float(rng.uniform(0, 180))
        return replace(shot, optics=replace(shot.optics, motion_px=(0.6 + 4 * share) * scale, motion_angle_deg=angle))
    if defect == "dark":
        exposure = float(0.4 * (0.008 / 0.4) ** share)
        return replace(shot, exposure=exposure, noise=shot.noise * float(rng.choice([1, 3])))
    if defect == "clip":
        return replace(shot, exposure=0.9 + 0.9 * share)
    if defect == "shadow":  # half of the bench in shade
        penumbra = float(rng.choice([1, 5, 15, 40]))
        edge = half_plane((float(rng.uniform(40, 150)), float(rng.uniform(30, 100))), float(rng.uniform(0, 360)))
        darkness = 0.1 + 0.6 * ((i * 7) % count) / count
        return replace(shot, shadows=(Shadow(polygon_mm=edge, penumbra_mm=penumbra, darkness=darkness),))
    if defect == "padshadow":  # a narrow one, as of a cane or a cable
        penumbra, width, off = float(rng.choice([1, 3, 8])), float(rng.uniform(3, 14)), float(rng.uniform(-4, 4))
        x0, y0, y1 = x + off - width / 2, float(rng.choice([-50, y - 12])), float(rng.choice([200, y + 12]))
        band = ((x0, y0), (x0 + width, y0), (x0 + width + 6, y1), (x0 + 6, y1))
        darkness = 0.08 + 0.5 * ((i * 5) % count) / count
        return replace(shot, shadows=(Shadow(polygon_mm=band, penumbra_mm=penumbra, darkness=darkness),))
    if defect == "mixed":
        drop, angle = 0.1 + 0.85 * ((i * 5) % count) / count, float(rng.uniform(0, 360))
        lights = tuple(LightField(form="linear", drop=drop, direction_deg=angle + turn) for turn in (0, 180))
        return replace(shot, lamps=PAIRS[i % len(PAIRS)], lights=lights)
    if defect == "glare":
        radius, strength = float(rng.uniform(1, 9)), float(np.exp(rng.uniform(np.log(0.01), 0)))
        off = rng.normal(0, 2, 2)
        spot = GlareSpot(
            centre_mm=(float(x + off[0]), float(y + off[1])),
            radii_mm=(radius, radius * float(rng.uniform(0.5, 1))),
            strength=strength,
            angle_deg=float(rng.uniform(0, 180)),
            softness=float(rng.choice([0.3, 0.6, 1.0])),
        )
        return replace(shot, defects=Defects(glare=(spot,)))
    raise SystemExit(f"no defect {defect!r}")


def measure(shot: Shot, i: int) -> StripMeasurement:
    assert shot.strip is not None
    data = take_photo(shot, seed=i)[0]
    return measure_strip(open_photo_bytes(data, name=str(i)), enrolled(CARD, shot.printer_seed), shot.strip.kind)


def covariance(measured: StripMeasurement) -> Float:
    pad, correction = measured.pads[0], measured.card.correction
    residuals = np.where(correction.used[:, None], correction.left_out, 0)
    patches = correction.patches
    mismatch = mismatch_covariance(pad.lab[None], patches.lab, residuals, ~patches.neutral, u_reference=U_INSTRUMENT)[0]
    light: Float = correction.u_light**2 * np.outer(pad.light_gradient, pad.light_gradient)
    return pad.u_pixels + light + pad.u_open + mismatch


def main(defect: str, count: int) -> None:
    seen: Counter[str] = Counter()
    moved = {1: [0, 0], 2: [0, 0]}
    for i in range(count):
        try:
            measured = measure(normal_shot(i)[0] if defect == "normal" else spoilt_shot(defect, i, count), i)
        except StripReadError as error:
            seen[type(error).__name__] += 1
            continue
        found = {f.code for f in measured.findings}
        seen.update(found)
        if defect == "normal":
            continue
        try:
            clean = measure(normal_shot(i)[0], i)
        except StripReadError:
            continue
        step = measured.pads[0].lab - clean.pads[0].lab
        far = float(np.sqrt(step @ np.linalg.solve(covariance(clean), step) / 3))
        for limit, counts in moved.items():
            counts[0] += far > limit
            counts[1] += far > limit and bool(found & WARNINGS)
    print(f"{defect}, {count} photos, seed {SEED}: {dict(seen.most_common())}")
    for limit, (all_of_them, warned) in moved.items():
        if defect != "normal":
            print(
                f"pad moved by more than {limit} standard uncertainties: {all_of_them}, {warned} of them with a warning"
            )


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
