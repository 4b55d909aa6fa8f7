"""Marks on and about pads: what glue, wicking, fibres and films leave around one, and how its dye may be spread."""

from collections.abc import Callable, Mapping

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.looks.strip_print import drawn_lines
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import PadPlace

__all__ = ["DYED", "MARGINS", "peeled_side"]


def peeled_side(trait: Trait, number: int) -> float:
    """Return at which end a pad has come off: -1 towards the tip, 1 towards the handle."""
    return float(np.random.default_rng([trait.seed, number, 97]).choice([-1, 1]))


def _halo(
    canvas: StripCanvas, trait: Trait, rng: np.random.Generator, inside: Image, pad: PadPlace, prefix: str
) -> None:
    """Glue that was pressed out has left the plastic about the pad whiter."""
    reach = trait.between(0.3, 0.9) * np.maximum(1 + 0.25 * canvas.noise(rng, (2.0, 2.0)), 0.3)
    share = canvas.inside(np.asarray(reach + inside, np.float32), soft_mm=0.2)
    canvas.mix(np.float32(trait.between(0.3, 0.7)) * share, "paper")
    canvas.gain(1 + np.float32(trait.between(0.03, 0.08)) * share)


def _wick(
    canvas: StripCanvas, trait: Trait, rng: np.random.Generator, inside: Image, pad: PadPlace, prefix: str
) -> None:
    """Dye has run on beyond one end of the pad and stopped in a line."""
    far, thick = trait.between(0.35, 1.1), float(rng.uniform(0.15, 0.3))
    x = (canvas.along - np.float32(pad.along_mm)) * float(rng.choice([-1, 1])) - np.float32(pad.size_along_mm / 2)
    x = x - 0.12 * canvas.noise(rng, (1.5, 1.5))
    within = canvas.inside(np.float32(pad.size_across_mm / 2) - np.abs(canvas.across - np.float32(pad.across_mm)))
    between = canvas.inside(np.minimum(x, far - x).astype(np.float32))
    canvas.mix(np.float32(trait.between(0.1, 0.3)) * within * between, f"{prefix}pad:{pad.id}")
    line = canvas.inside((np.float32(thick / 2) - np.abs(x - far)).astype(np.float32))
    canvas.mix(np.float32(trait.between(0.5, 0.9)) * within * line, f"{prefix}more:{pad.id}")
    canvas.gain(1 - np.float32(0.15) * within * line)


def _fringe(
    canvas: StripCanvas, trait: Trait, rng: np.random.Generator, inside: Image, pad: PadPlace, prefix: str
) -> None:
    """Fibres stand out of the pad's cut ends."""
    count = int(trait.between(20, 70))
    side = rng.choice([-1, 1], count)
    start = np.stack(
        [
            pad.along_mm + side * (pad.size_along_mm / 2 - 0.2),
            pad.across_mm + rng.uniform(-0.48, 0.48, count) * pad.size_across_mm,
        ],
        axis=-1,
    )
    reach = rng.uniform(0.4, trait.between(0.7, 1.3), count)
    ends = start + np.stack([side * reach, rng.normal(0, 0.35, count)], axis=-1)
    mask = drawn_lines(canvas, list(np.stack([start, ends], axis=1)), 0.1)
    canvas.mix(np.float32(0.8) * mask, f"{prefix}pad:{pad.id}")
    canvas.gain(1 - np.float32(0.08) * mask)


def _film(
    canvas: StripCanvas, trait: Trait, rng: np.random.Generator, inside: Image, pad: PadPlace, prefix: str
) -> None:
    """Hold the pad by a thin film right across the strip; its cut edges show beside it."""
    reach = pad.size_along_mm / 2 + trait.between(0.5, 1.2)
    x = np.float32(reach) - np.abs(canvas.along - np.float32(pad.along_mm))
    canvas.gain(1 - np.float32(trait.between(0.01, 0.05)) * canvas.inside(x))
    canvas.gain(1 - np.float32(trait.between(0.08, 0.3)) * canvas.inside(np.float32(0.08) - np.abs(x)))
    bright = canvas.inside(np.float32(0.1) - np.abs(x - np.float32(0.2)))
    canvas.add(np.float32(trait.between(0.004, 0.02)) * bright, "glare")


MARGINS: Mapping[
    str, Callable[[StripCanvas, Trait, np.random.Generator, Image, PadPlace, str], None]
] = {"white halo": _halo, "wick line": _wick, "fringe": _fringe, "cover film": _film}  # fmt: skip
"""What is painted around a pad before it, by family."""


def _from_middle(canvas: StripCanvas, pad: PadPlace) -> tuple[Float, Float]:
    """Places on the pad, -1 to 1 from edge to edge."""
    x = 2 * (canvas.along - pad.along_mm) / pad.size_along_mm
    y = 2 * (canvas.across - pad.across_mm) / pad.size_across_mm
    return x.astype(np.float64), y.astype(np.float64)


def _speckled(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Grains of reagent that have dissolved where they lay: small spots of more dye, a few of less."""
    change = np.zeros(canvas.cover.shape)
    for _ in range(int(trait.between(1.0, 3.5) * pad.size_along_mm * pad.size_across_mm)):
        place = (rng.uniform(-0.5, 0.5, 2)) * (pad.size_along_mm, pad.size_across_mm) + (pad.along_mm, pad.across_mm)
        radius = float(rng.uniform(0.08, 0.2))
        part = canvas.near(place, radius + 0.3)
        away = np.hypot(canvas.along[part] - np.float32(place[0]), canvas.across[part] - np.float32(place[1]))
        change[part] += float(rng.choice([0.3, 0.3, -0.3])) * canvas.inside(
            (np.float32(radius) - away).astype(np.float32)
        )
    return np.clip(change, -0.3, 0.3)


def _coffee_ring(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Dry a drop on the pad: a ring of more dye and a paler middle, as evaporation carries it outwards."""
    x, y = _from_middle(canvas, pad)
    away = np.hypot(x - float(rng.uniform(-0.15, 0.15)), y - float(rng.uniform(-0.15, 0.15)))
    away += 0.05 * canvas.noise(rng, (1.2, 1.2))
    ring = np.exp(-(((away - float(rng.uniform(0.6, 0.8))) / 0.12) ** 2))
    change: Float = trait.between(0.1, 0.3) * (ring - 0.35 * np.exp(-((away / 0.5) ** 2)))
    return change


def _finger_touch(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Grease of a finger kept the dye from a part of the pad, in ridges."""
    x, y = canvas.along - pad.along_mm, canvas.across - pad.across_mm
    angle = float(rng.uniform(0, 2 * np.pi))
    away = np.hypot(x - 6 * np.cos(angle), y - 6 * np.sin(angle)) + 0.15 * canvas.noise(rng, (2.0, 2.0))
    ridges = 0.5 + 0.5 * np.sin(2 * np.pi * away / 0.5)
    change: Float = -trait.between(0.12, 0.3) * ridges * np.clip((6.5 - away) / 0.6, 0, 1)
    return change


def _dry_spots(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Places that the water hardly reached: pale islands with a clear shore."""
    high = canvas.noise(rng, (1.3, 1.3))
    x, y = _from_middle(canvas, pad)
    shore = float(np.quantile(high[(np.abs(x) < 1) & (np.abs(y) < 1)], 1 - trait.between(0.08, 0.25)))
    change: Float = -0.3 * np.clip((high - shore) / 0.25, 0, 1)
    return change


DYED: Mapping[str, Callable[[StripCanvas, Trait, np.random.Generator, PadPlace], Float]] = {
    "speckled": _speckled,
    "coffee ring": _coffee_ring,
    "finger touch": _finger_touch,
    "dry spots": _dry_spots,
}
"""Relative change of the dye at each place, by family; whoever lays it on takes the mean away."""
