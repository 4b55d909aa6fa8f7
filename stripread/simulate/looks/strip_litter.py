"""Litter and traces of work about a strip: condensed water, soil, a scrap of tissue, pencil marks, tape."""

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.looks.strip_print import drawn_lines
from stripread.simulate.scene.paint import Image

__all__ = ["paint_condensation", "paint_crumbs", "paint_pencil_marks", "paint_tape", "paint_tissue"]

_OFF_PADS_MM = 0.25


def paint_condensation(canvas: StripCanvas, trait: Trait) -> None:
    """Fine drops on plastic and ground, lit from above and dark below; pads soak theirs up."""
    rng, kind = trait.rng, canvas.kind
    count = int(trait.between(120, 600))
    places = rng.uniform((-2.0, -3.5), (kind.length_mm + 2.0, kind.width_mm + 3.5), (count, 2))
    gain = np.ones(canvas.cover.shape, np.float32)
    for place, radius in zip(places, np.exp(rng.normal(np.log(0.25), 0.45, count)).clip(0.1, 0.7), strict=True):
        if _from_pads_mm(canvas, place) < radius + _OFF_PADS_MM:
            continue
        part = canvas.near(place, radius + 0.2)
        x, y = canvas.along[part] - np.float32(place[0]), canvas.across[part] - np.float32(place[1])
        away = np.hypot(x, y)
        disc = canvas.inside((np.float32(radius) - away).astype(np.float32))
        # A drop is a lens: bright on the far side from the light, dark on the near one, a glint there.
        side = (x * canvas.light[0] + y * canvas.light[1]) / radius
        glint = np.exp(-(((x + 0.45 * radius * canvas.light[0]) ** 2 + (y + 0.45 * radius * canvas.light[1]) ** 2)
                         / (0.25 * radius) ** 2))  # fmt: skip
        gain[part] *= 1 + disc * (trait.between(0.12, 0.3) * side - 0.1 + 0.3 * glint).astype(np.float32)
    canvas.gain(gain)
    canvas.ground[...] *= gain


def paint_crumbs(canvas: StripCanvas, trait: Trait) -> None:
    """Crumbs of soil with shadows, on the ground and on plastic, none on a pad."""
    rng, kind = trait.rng, canvas.kind
    count = int(trait.between(6, 40))
    wobble = canvas.noise(rng, (0.3, 0.3))
    for place in rng.uniform((-3.0, -5.5), (kind.length_mm + 3.0, kind.width_mm + 5.5), (count, 2)):
        radius = float(np.exp(rng.normal(np.log(0.35), 0.5)).clip(0.12, 1.0))
        tone = float(rng.uniform(0.5, 1.6))
        if _from_pads_mm(canvas, place) < 1.3 * radius + _OFF_PADS_MM:
            continue
        part = canvas.near(place, 2.5 * radius + 0.3)
        x, y = canvas.along[part] - np.float32(place[0]), canvas.across[part] - np.float32(place[1])
        reach = 0.5 * radius * canvas.light
        shade = np.float32(radius) - np.hypot(x - reach[0], y - reach[1])
        dark = 1 - np.float32(0.35) * canvas.inside(shade.astype(np.float32), soft_mm=0.5 * radius)
        canvas.layers[:, part[0], part[1]] *= dark[None, :, :, None]
        canvas.ground[part] *= dark
        depth = np.float32(radius) - np.hypot(x, y) + np.float32(0.3 * radius) * wobble[part]
        share = canvas.inside(depth.astype(np.float32))
        light = 1 - 0.5 * np.clip((x * canvas.light[0] + y * canvas.light[1]) / radius, -1, 1)
        _lay(canvas, part, share, np.float32(tone) * light.astype(np.float32), "dirt")


def paint_tissue(canvas: StripCanvas, trait: Trait, solid: Image) -> None:
    """Lay a torn scrap of an embossed paper tissue half under the strip; ``solid`` is the strip."""
    rng, kind = trait.rng, canvas.kind
    side = float(rng.choice([-1.0, 1.0]))
    half, reach = trait.between(4.0, 9.0), trait.between(2.0, 4.0)
    x = np.abs(canvas.along - np.float32(rng.uniform(half, kind.length_mm - half)))
    y = side * (canvas.across - np.float32(kind.width_mm / 2)) - np.float32(kind.width_mm / 2)  # beyond the edge
    torn = 0.35 * canvas.noise(rng, (1.0, 1.0)) + 0.12 * canvas.noise(rng, (0.3, 0.3))
    depth = np.minimum(half - x, reach * float(rng.uniform(0.8, 1.2)) - y + 0.15 * (half - x)) + torn
    depth = np.minimum(depth, y + 1.0)
    share = canvas.inside(depth.astype(np.float32), soft_mm=0.15) * (1 - solid)
    period = float(rng.uniform(1.2, 2.2))
    dimples = np.sin(2 * np.pi * canvas.along / period) * np.sin(2 * np.pi * canvas.across / period)
    light = 0.97 + 0.03 * dimples + 0.02 * canvas.noise(rng, (0.25, 0.25))
    light = light - 0.3 * np.exp(-np.maximum(y - 0.35 * side * canvas.light[1], 0) / 0.4)
    whole = (slice(None), slice(None))
    canvas.ground[...] *= 1 - np.float32(0.25) * canvas.inside((depth + 0.3).astype(np.float32), soft_mm=0.6)
    _lay(canvas, whole, share, light.astype(np.float32), "paper")


def paint_pencil_marks(canvas: StripCanvas, trait: Trait) -> None:
    """Ticks, a line along and a scribble on the ground, where somebody has marked how to lay the strip."""
    rng, kind = trait.rng, canvas.kind
    lines: list[Float] = []
    for side in (-1.0, 1.0):
        edge = (-float(rng.uniform(0.4, 1.2))) if side < 0 else kind.width_mm + float(rng.uniform(0.4, 1.2))
        if rng.random() < 0.7:
            ends = np.sort(rng.uniform(0, kind.length_mm, 2))
            lines.append(np.array([[ends[0], edge], [ends[1], edge + float(rng.normal(0, 0.3))]]))
        for place in rng.uniform(0, kind.length_mm, int(trait.between(2, 7))):
            lines.append(np.array([[place, edge], [place + float(rng.normal(0, 0.4)), edge + 3.5 * side]]))
    turn = np.linspace(0, float(rng.uniform(8, 20)), 90)
    scribble = np.stack([rng.uniform(0, kind.length_mm - 6) + 0.35 * turn, -3.2 + 1.3 * np.sin(turn)], axis=-1)
    lines.append(scribble)
    grain = 0.75 + 0.25 * canvas.noise(rng, (0.15, 0.15))
    mask = drawn_lines(canvas, lines, float(rng.uniform(0.2, 0.4))) * np.clip(grain, 0, 1)
    canvas.ground[...] *= 1 - np.float32(trait.between(0.25, 0.6)) * mask.astype(np.float32)


def paint_tape(canvas: StripCanvas, trait: Trait) -> None:
    """Hold the handle down by a piece of clear tape: a little darker, bright at its edges, toothed at its ends."""
    rng, kind = trait.rng, canvas.kind
    last = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads)
    half = float(rng.uniform(2.5, 5.5))
    place = float(rng.uniform(min(last + half + 1.5, kind.length_mm), kind.length_mm))
    x = np.float32(half) - np.abs(canvas.along - np.float32(place) + 0.1 * (canvas.across - kind.width_mm / 2))
    teeth = 0.25 * np.abs((canvas.along / 0.8) % 2 - 1)
    y = kind.width_mm / 2 + float(rng.uniform(3.5, 5.0)) - np.abs(canvas.across - kind.width_mm / 2) + teeth
    depth = np.minimum(x, y).astype(np.float32)
    inside, rim = canvas.inside(depth), canvas.inside(np.float32(0.1) - np.abs(depth))
    creases = np.clip(canvas.noise(rng, (1.0, 9.0)) - 1.0, 0, 2)
    gain = 1 - np.float32(trait.between(0.02, 0.08)) * inside + inside * np.float32(0.06) * creases
    gain -= np.float32(trait.between(0.08, 0.25)) * rim
    canvas.gain(gain.astype(np.float32))
    canvas.ground[...] *= gain.astype(np.float32)


def _from_pads_mm(canvas: StripCanvas, place: Float) -> float:
    """Return how far a place is from the nearest pad's outline, negative inside."""
    x, y = float(place[0]), float(place[1])
    return min(
        max(abs(x - p.along_mm) - p.size_along_mm / 2, abs(y - p.across_mm) - p.size_across_mm / 2)
        for p in canvas.kind.pads
    )


def _lay(canvas: StripCanvas, part: tuple[slice, slice], share: Image, light: Image, material: str) -> None:
    """Lay something on strip and ground alike, in its material's colour times ``light``."""
    before = canvas.cover[part].copy()
    after = np.maximum(before, share)
    # What covers bare ground is all of what is seen of the canvas there.
    own = np.where(before < share, np.float32(1), share)[..., None]
    for layer, paint in zip(canvas.layers[:, part[0], part[1]], canvas.paints[material], strict=True):
        seen = light[..., None] * paint.astype(np.float32)
        layer += np.where(share[..., None] > 0, own, np.float32(0)) * (seen - layer)
    canvas.cover[part] = after
