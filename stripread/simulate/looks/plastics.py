"""Plastics of strips: their spectra, and the texture that they show."""

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.optics.inks import make_printer
from stripread.simulate.optics.pads import plastic_reflectance
from stripread.simulate.optics.spectra import gaussian
from stripread.simulate.scene.paint import Image

__all__ = ["paint_plastic", "plastic_spectra", "see_through"]

# Name, centre and width of what a tinted plastic absorbs [nm].
_TINTS = (("cream", 420.0, 45.0), ("pale blue", 610.0, 60.0), ("pale green", 640.0, 50.0), ("pale pink", 530.0, 40.0))


def plastic_spectra(trait: Trait) -> dict[str, Float]:
    """Return the spectra (81,) of a strip's plastic and of the backing under it."""
    rng, white = trait.rng, plastic_reflectance()
    plastic = white * float(rng.uniform(0.93, 1.03))
    if trait.family == "grey":
        plastic = white * trait.between(0.85, 0.55)
    elif trait.family == "tinted":
        _, centre, width = _TINTS[int(rng.integers(len(_TINTS)))]
        plastic = white * np.exp(-trait.between(0.08, 0.45) * gaussian(centre, width))
    elif trait.family == "fibrous":
        plastic = white * np.exp(-0.08 * gaussian(400.0, 50.0))
    elif trait.family == "usual":
        plastic = white
    backing = make_printer(7).reflectance(rng.uniform([0, 0, 0, 0.1], [0.3, 0.3, 0.3, 0.5]))
    if trait.family == "age patches":  # light has turned the plastic itself, here and there
        backing = plastic * np.exp(-float(rng.uniform(0.35, 0.8)) * gaussian(420.0, 65.0))
    return {"plastic": plastic, "backing": backing}


def paint_plastic(canvas: StripCanvas, trait: Trait, depth: Image) -> None:
    """Give the plastic its texture; ``depth`` is how deep each place lies inside the strip's outline. [mm]."""
    rng, width = trait.rng, canvas.kind.width_mm
    if trait.family == "mottled":
        canvas.gain(1 + np.float32(trait.between(0.01, 0.03)) * canvas.noise(rng, (float(rng.uniform(1.5, 6.0)),) * 2))
    elif trait.family == "fibrous":
        _paint_fibres(canvas, rng, count=int(trait.between(300, 1200)))
        canvas.gain(1 + np.float32(trait.between(0.008, 0.02)) * canvas.noise(rng, (0.5, 0.3)))
    elif trait.family == "brushed":
        canvas.gain(1 + np.float32(trait.between(0.01, 0.03)) * canvas.noise(rng, (25.0, 0.25)))
    elif trait.family == "glossy":
        middle = float(rng.uniform(0.2, 0.8)) * width + float(rng.uniform(-0.01, 0.01)) * canvas.along
        stripe = np.exp(-(((canvas.across - middle) / np.float32(rng.uniform(0.5, 1.3))) ** 2))
        start, reach = float(rng.uniform(0, 1)) * canvas.kind.length_mm, float(rng.uniform(10, 40))
        canvas.add(
            (trait.between(0.02, 0.07) * stripe * np.exp(-(((canvas.along - start) / reach) ** 2))).astype(np.float32),
            "glare",
        )
    elif trait.family == "backing rim":
        rim = trait.between(0.2, 0.6)
        sides = np.minimum(canvas.across, width - canvas.across) if rng.random() < 0.5 else depth
        canvas.mix(1 - canvas.inside(np.asarray(sides, np.float32) - np.float32(rim)), "backing")
    elif trait.family == "twill":
        period, sense = float(rng.uniform(0.5, 1.1)), float(rng.choice([-1.0, 1.0]))
        rib = np.sin(2 * np.pi * (canvas.along + sense * canvas.across) / (np.sqrt(2) * period))
        thread = np.sin(2 * np.pi * canvas.across / (0.6 * period))
        canvas.gain((1 + trait.between(0.015, 0.05) * rib * (0.75 + 0.25 * thread)).astype(np.float32))
    elif trait.family == "age patches":
        towards = (canvas.along / canvas.kind.length_mm - 0.5) * float(rng.choice([-1.0, 1.0]))
        share = 0.35 + 0.3 * canvas.noise(rng, (12.0, 6.0)) + 0.6 * towards
        canvas.mix((trait.between(0.4, 1.0) * np.clip(share, 0, 1)).astype(np.float32), "backing")
    elif trait.family == "fingerprints":
        for _ in range(int(rng.integers(1, 4))):
            _paint_fingerprint(canvas, trait, rng)
    elif trait.family == "bevelled":
        _paint_bevel(canvas, trait, depth, float(rng.uniform(0.3, 0.8)))
    elif trait.family == "air bubbles":
        _paint_bubbles(canvas, rng, count=int(trait.between(8, 60)))


def see_through(trait: Trait) -> float:
    """Return the share of the ground that shows through the plastic."""
    return trait.between(0.1, 0.35) if trait.family == "translucent" else 0.0


def _paint_fibres(canvas: StripCanvas, rng: np.random.Generator, *, count: int) -> None:
    """Strew short fibres, some lighter and most darker than what they lie in."""
    import cv2

    rows, columns = canvas.cover.shape
    map_ = np.zeros((rows, columns), np.float32)
    for place, angle, length, tone in zip(
        rng.uniform(0, 1, (count, 2)) * (columns, rows),
        rng.uniform(0, np.pi, count),
        rng.uniform(0.6, 3.0, count) * canvas.scale / 2,
        rng.normal(-0.015, 0.03, count),
        strict=True,
    ):
        reach = np.array([np.cos(angle), np.sin(angle)]) * length
        ends = [tuple(int(v) for v in np.rint(place + s * reach)) for s in (-1, 1)]
        cv2.line(map_, ends[0], ends[1], float(tone), max(1, round(0.12 * canvas.scale)), cv2.LINE_AA)
    canvas.gain(1 + map_)


def _paint_fingerprint(canvas: StripCanvas, trait: Trait, rng: np.random.Generator) -> None:
    """Grease in ridges, which mirrors a little and dulls a little."""
    x = (canvas.along - float(rng.uniform(0, canvas.kind.length_mm))) / np.float32(rng.uniform(1.0, 1.5))
    y = canvas.across - canvas.kind.width_mm * float(rng.uniform(0.1, 0.9))
    away = np.hypot(x, y)
    ridges = np.sin(2 * np.pi * (away + 0.35 * canvas.noise(rng, (2.5, 2.5))) / 0.5)
    pressed = np.clip(2.0 - away / 3.2 + 0.25 * canvas.noise(rng, (1.5, 1.5)), 0, 1)
    grease = (pressed * (0.5 + 0.5 * ridges)).astype(np.float32)
    canvas.gain(1 - np.float32(trait.between(0.06, 0.16)) * grease)
    canvas.add(np.float32(trait.between(0.003, 0.012)) * grease * canvas.noise(rng, (6.0, 6.0)).clip(0, 2), "glare")


def _paint_bevel(canvas: StripCanvas, trait: Trait, depth: Image, wide: float) -> None:
    """Slant the edge: it is bright where it faces the light, dark where it faces away, with a line where it begins."""
    down, right = np.gradient(depth)
    facing = (right * canvas.light[0] + down * canvas.light[1]) * canvas.scale  # 1: the edge looks to the light
    edge = canvas.inside(np.float32(wide) - depth)
    canvas.gain((1 + trait.between(0.06, 0.2) * edge * np.clip(facing, -1, 0.5)).astype(np.float32))
    line = np.exp(-(((depth - np.float32(wide)) / np.float32(0.12)) ** 2)) * np.clip(facing, 0, 1)
    canvas.add((trait.between(0.01, 0.04) * line).astype(np.float32), "glare")


def _paint_bubbles(canvas: StripCanvas, rng: np.random.Generator, *, count: int) -> None:
    """Air under a film: small rings, lit on one side, in a few swarms."""
    swarms = rng.uniform(0, 1, (3, 2)) * (canvas.kind.length_mm, canvas.kind.width_mm)
    places = swarms[rng.integers(3, size=count)] + rng.normal(0, 1, (count, 2)) * (7.0, 1.5)
    map_ = np.zeros(canvas.cover.shape, np.float32)
    for place, radius in zip(places, np.exp(rng.normal(np.log(0.25), 0.4, count)).clip(0.12, 0.6), strict=True):
        part = canvas.near(place, radius + 0.4)
        x, y = canvas.along[part] - np.float32(place[0]), canvas.across[part] - np.float32(place[1])
        away = np.maximum(np.hypot(x, y), np.float32(1e-3))
        ring = np.exp(-(((away - np.float32(radius)) / np.float32(0.11)) ** 2))
        side = (x * canvas.light[0] + y * canvas.light[1]) / away
        map_[part] += (ring * (0.16 * side - 0.12) + 0.04 * (away < radius)).astype(np.float32)
    canvas.gain(1 + np.clip(map_, -0.35, 0.25))
