"""Pads with forms, edges and faces of their own."""

from collections.abc import Callable

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Look, Trait
from stripread.simulate.looks.pad_faces import UNEVEN_FACES
from stripread.simulate.looks.pad_marks import DYED, MARGINS, peeled_side
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import PadPlace

__all__ = ["DYE_STEP", "pad_lean", "paint_pad"]

DYE_STEP = 0.3  # materials less:<id> and more:<id> have so much less and more dye than the pad
_OVERHANG_MM = 0.2  # a swollen pad may reach beyond the plastic
Depth = Callable[[float, float], Image]
"""Signed depth inside the pad [mm] at each place of the canvas, for a pad moved by so much along and across."""


def paint_pad(canvas: StripCanvas, look: Look, pad: PadPlace, outline: Image, *, prefix: str = "") -> None:
    """Paint a pad; ``outline`` is the depth of each place inside the strip. Its middle keeps the pad's own colour."""
    number = int.from_bytes(pad.id.encode(), "big") % 2**31
    depth = _form(canvas, look.pad_form, pad, number)

    def within(along: float = 0.0, across: float = 0.0) -> Image:
        return np.asarray(np.minimum(depth(along, across), outline + np.float32(_OVERHANG_MM)), np.float32)

    name = f"{prefix}pad:{pad.id}"
    inside = within()
    share = canvas.inside(inside)
    _before(canvas, look.pad_edge, within, pad, prefix, number)
    canvas.mix(share, name)
    canvas.cover[...] = np.maximum(canvas.cover, share)
    if look.pad_face.family in UNEVEN_FACES:
        rng = np.random.default_rng([look.pad_face.seed, number])
        change = UNEVEN_FACES[look.pad_face.family](canvas, look.pad_face, rng, pad)
        _change_dye(canvas, change, share, pad, prefix)
    else:
        _face(canvas, look.pad_face, pad, share, prefix, number)
    _after(canvas, look.pad_edge, inside, share, pad, prefix, number)


def pad_lean(trait: Trait, pad: PadPlace) -> Float | None:
    """Return how a pad that was stuck on or cut askew leans about its middle, a map (2, 2); None where it does not."""
    number = int.from_bytes(pad.id.encode(), "big") % 2**31
    sense = float(np.random.default_rng([trait.seed, number, 95]).choice([-1, 1]))
    if trait.family == "turned":
        angle = sense * np.deg2rad(trait.between(1.5, 7.0))
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if trait.family == "slanted":
        return np.array([[1.0, sense * trait.between(0.05, 0.2)], [0.0, 1.0]])
    return None


def _form(canvas: StripCanvas, trait: Trait, pad: PadPlace, number: int) -> Depth:
    """Return the pad's form as a depth that can be asked for anywhere."""
    half = (pad.size_along_mm / 2, pad.size_across_mm / 2)
    rng = np.random.default_rng([trait.seed, number, 87])
    wobble = canvas.noise(rng, (0.7, 0.7)) * np.float32(trait.between(0.05, 0.13)) if trait.family == "frayed" else None
    radius = trait.between(0.4, min(1.4, 0.8 * min(half)))
    grown, bulge = trait.between(0.05, 0.25), trait.between(0.05, 0.3)
    lean = pad_lean(trait, pad)
    power, hollow = trait.between(4.0, 2.3), trait.between(0.12, 0.4)

    def depth(along: float, across: float) -> Image:
        x = np.abs(canvas.along - np.float32(pad.along_mm + along))
        y = np.abs(canvas.across - np.float32(pad.across_mm + across))
        if trait.family == "disc":
            return np.asarray(min(half) * (1 - np.hypot(x / half[0], y / half[1])), np.float32)
        if lean is not None:
            (a, b), (c, d) = np.linalg.inv(lean)
            right, down = (
                canvas.along - np.float32(pad.along_mm + along),
                canvas.across - np.float32(pad.across_mm + across),
            )
            x, y = np.abs(a * right + b * down), np.abs(c * right + d * down)
        if trait.family == "oval":
            out = ((x / half[0]) ** power + (y / half[1]) ** power) ** (1 / power)
            return np.asarray(min(half) * (1 - out), np.float32)
        if trait.family == "hollow sides":
            ends = half[0] - hollow * np.maximum(1 - (y / half[1]) ** 2, 0) - x
            return np.asarray(
                np.minimum(ends, half[1] - hollow * np.maximum(1 - (x / half[0]) ** 2, 0) - y), np.float32
            )
        if trait.family == "rounded":
            qx, qy = x - np.float32(half[0] - radius), y - np.float32(half[1] - radius)
            outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0)
            return np.asarray(np.float32(radius) - outside, np.float32)
        if trait.family == "swollen":
            wide = half[0] + grown + bulge * np.maximum(1 - (y / half[1]) ** 2, 0)
            return np.asarray(np.minimum(wide - x, half[1] + grown - y), np.float32)
        square = np.minimum(np.float32(half[0]) - x, np.float32(half[1]) - y)
        if trait.family == "cut corners":
            corner = (half[0] + half[1] - radius - x - y) / np.float32(np.sqrt(2))
            return np.asarray(np.minimum(square, corner), np.float32)
        return np.asarray(square if wobble is None else square + wobble, np.float32)

    return depth


def _before(
    canvas: StripCanvas, trait: Trait, depth: Callable[..., Image], pad: PadPlace, prefix: str, number: int
) -> None:
    """Paint what a pad's edge does to the plastic around it."""
    rng = np.random.default_rng([trait.seed, number, 89])
    inside = depth()
    if trait.family == "flush":
        return
    if trait.family == "bled":
        reach = np.float32(trait.between(0.25, 0.7)) * np.maximum(1 + 0.4 * canvas.noise(rng, (1.5, 1.5)), 0.2)
        share = trait.between(0.25, 0.6) * np.exp(-((np.maximum(-inside, 0) / reach) ** 2))
        canvas.mix(np.asarray(share, np.float32), f"{prefix}pad:{pad.id}")
    if trait.family in MARGINS:
        MARGINS[trait.family](canvas, trait, rng, inside, pad, prefix)
    if trait.family == "glue line":
        band = canvas.inside(np.float32(trait.between(0.3, 0.8)) + inside, soft_mm=0.15)
        canvas.gain(1 - np.float32(0.06) * band)
        canvas.add(band * np.float32(0.008) * np.maximum(canvas.noise(rng, (1.0, 1.0)), 0), "glare")
    reach, darkness, soft = (0.2, 0.22, 0.1)
    if trait.family == "raised":
        reach, darkness, soft = trait.between(0.3, 0.65), trait.between(0.25, 0.45), 0.3
        lit = canvas.inside(depth(-0.2 * canvas.light[0], -0.2 * canvas.light[1]))
        canvas.gain(1 + np.float32(0.06) * lit)
    elif trait.family == "peeled":
        towards = peeled_side(trait, number) * np.float32(trait.between(0.5, 1.1))
        canvas.gain(1 - np.float32(0.35) * canvas.inside(depth(towards, 0.0), soft_mm=0.4))
    shadow = canvas.inside(depth(*(reach * canvas.light)), soft_mm=soft)
    line = canvas.inside(inside + np.float32(0.15))
    for dark, share in ((darkness, shadow), (0.07, line)):
        canvas.gain(1 - np.float32(dark) * share)
        canvas.ground[...] *= 1 - np.float32(dark) * share


def _face(canvas: StripCanvas, trait: Trait, pad: PadPlace, share: Image, prefix: str, number: int) -> None:
    """Make the pad's face uneven; its mean stays."""
    rng = np.random.default_rng([trait.seed, number, 91])
    if trait.family == "uneven dye":
        cell = float(rng.uniform(0.8, 2.5))
        _change_dye(canvas, trait.between(0.03, 0.12) * canvas.noise(rng, (cell, cell)), share, pad, prefix)
    elif trait.family == "streaked dye":
        place = (canvas.along - pad.along_mm) / pad.size_along_mm + 0.25 * canvas.noise(rng, (4.0, 0.6))
        _change_dye(canvas, np.float32(trait.between(0.1, 0.4)) * place * rng.choice([-1, 1]), share, pad, prefix)
    elif trait.family == "paper grain":
        canvas.gain(1 + share * np.float32(trait.between(0.01, 0.03)) * canvas.noise(rng, (0.25, 0.25)))
    elif trait.family == "woven":
        period, angle = float(rng.uniform(0.4, 0.8)), float(rng.uniform(0, np.pi / 2))
        x = np.cos(angle) * canvas.along + np.sin(angle) * canvas.across
        y = np.cos(angle) * canvas.across - np.sin(angle) * canvas.along
        wave = np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period)
        canvas.gain((1 + share * trait.between(0.02, 0.06) * wave).astype(np.float32))
    elif trait.family in DYED:
        change = DYED[trait.family](canvas, trait, rng, pad)
        _change_dye(canvas, change, share, pad, prefix)
    elif trait.family == "embossed":
        period = float(rng.uniform(0.9, 1.5))
        x, y = (np.sin(2 * np.pi * (p - o) / period) for p, o in
                ((canvas.along, pad.along_mm), (canvas.across, pad.across_mm)))  # fmt: skip
        canvas.gain(
            (1 + share * trait.between(0.03, 0.09) * (canvas.light[0] * x + canvas.light[1] * y)).astype(np.float32)
        )
    elif trait.family == "wet gloss":
        x = (canvas.along - pad.along_mm) / pad.size_along_mm - float(rng.uniform(-0.35, 0.35))
        y = (canvas.across - pad.across_mm) / pad.size_across_mm - float(rng.choice([-0.36, 0.36]))
        spot = np.exp(-((x / 0.3) ** 2) - ((y / 0.09) ** 2))
        canvas.add((trait.between(0.01, 0.05) * share * spot).astype(np.float32), "glare")


def _change_dye(canvas: StripCanvas, change: Image | Float, share: Image, pad: PadPlace, prefix: str) -> None:
    """Change the dye by a relative amount at each place, mean 0 over the pad."""
    change = change - float((change * share).sum() / max(float(share.sum()), 1.0))
    part = np.clip(np.abs(change) / DYE_STEP, 0, 1).astype(np.float32) * share
    canvas.mix(np.where(change > 0, part, np.float32(0)), f"{prefix}more:{pad.id}")
    canvas.mix(np.where(change > 0, np.float32(0), part), f"{prefix}less:{pad.id}")


def _after(
    canvas: StripCanvas, trait: Trait, inside: Image, share: Image, pad: PadPlace, prefix: str, number: int
) -> None:
    """Paint what lies on the pad's edge."""
    rng = np.random.default_rng([trait.seed, number, 93])
    if trait.family == "rimmed":
        wide = trait.between(0.15, 0.4)
        band = canvas.inside(np.float32(wide / 2) - np.abs(inside)) * (canvas.cover > 0)
        if rng.random() < 0.5:
            canvas.mix(np.float32(0.8) * band, "print:0")
        else:
            canvas.gain(1 - np.float32(trait.between(0.15, 0.45)) * band)
    elif trait.family == "peeled":
        x = (canvas.along - np.float32(pad.along_mm)) * peeled_side(trait, number)
        lit = canvas.inside(x - np.float32(pad.size_along_mm / 2 - trait.between(0.25, 0.5)), soft_mm=0.15)
        canvas.gain(1 + np.float32(trait.between(0.08, 0.22)) * lit * share)
    elif trait.family == "dried rim":
        deep = np.float32(trait.between(0.25, 0.6)) * np.maximum(1 + 0.3 * canvas.noise(rng, (1.2, 1.2)), 0.3)
        band = np.asarray(share * np.exp(-((inside / deep) ** 2)), np.float32)
        if rng.random() < 0.5:
            canvas.mix(np.float32(trait.between(0.4, 1.0)) * band, f"{prefix}more:{pad.id}")
            canvas.gain(1 - np.float32(0.06) * band)
        else:
            canvas.mix(np.float32(trait.between(0.3, 0.8)) * band, "plastic")
