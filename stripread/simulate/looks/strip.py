"""A strip painted by its look: outline, plastic, handle, pads, and what lies about it."""

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Look, Trait
from stripread.simulate.looks.handles import paint_handle
from stripread.simulate.looks.pad import pad_lean, paint_pad
from stripread.simulate.looks.plastics import paint_plastic, see_through
from stripread.simulate.looks.strip_around import paint_around_after, paint_around_before
from stripread.simulate.looks.strip_canvas import StripCanvas, lay_canvas, new_canvas
from stripread.simulate.scene.artwork import Easel
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import PadPlace, Scene, StripGeometry, StripPlacement, pad_corners_mm, strip_to_card

__all__ = ["looked_pad_corners_mm", "paint_strip_look"]


def paint_strip_look(easel: Easel, scene: Scene, strip: StripPlacement, look: Look, *, prefix: str = "") -> None:
    """Paint a strip; face down it shows no pads and no print, and what goes through it."""
    to_card = strip_to_card(scene.card, strip)
    canvas = new_canvas(easel, strip.kind, to_card)
    depth = _outline(canvas, look.outline)
    solid = canvas.inside(depth)
    canvas.cover[...] = solid * np.float32(1 - see_through(look.plastic))
    _cast_thin_shadow(canvas, look.outline, depth)
    paint_around_before(canvas, look.around)
    paint_plastic(canvas, look.plastic, depth)
    _light_curl(canvas, look.outline)
    if not strip.face_down or look.handle.family in ("hole", "grip ridges", "end notch", "clear"):
        hole = paint_handle(canvas, look.handle)
        if hole is not None:
            canvas.cover[...] *= 1 - hole
    if not strip.face_down:
        for pad in strip.kind.pads:
            paint_pad(canvas, look, pad, depth, prefix=prefix)
    paint_around_after(canvas, look.around, solid)
    lay_canvas(easel, canvas, to_card, _sag(look.outline, strip.kind, canvas.along[0]))


def looked_pad_corners_mm(scene: Scene, strip: StripPlacement, pad: PadPlace) -> Float:
    """Return a pad's corners on the card, shape (4, 2): leaning with its form, moved by the strip's bow."""
    corners = pad_corners_mm(scene.card, strip, pad)
    if scene.look is None:
        return corners
    lean = pad_lean(scene.look.pad_form, pad)
    if lean is not None:
        turn = strip_to_card(scene.card, strip)[:2, :2]
        middle = corners.mean(axis=0)
        corners = middle + (corners - middle) @ (turn @ lean @ turn.T).T
    sag = _sag(scene.look.outline, strip.kind, np.array([pad.along_mm], np.float32))
    if sag is None:
        return corners
    across = strip_to_card(scene.card, strip)[:2, 1]
    moved: Float = corners + float(sag[0]) * across
    return moved


def _outline(canvas: StripCanvas, trait: Trait) -> Image:
    """Return the depth of each place inside the strip's outline. [mm]."""
    length, width = canvas.kind.length_mm, canvas.kind.width_mm
    x, y = canvas.along, canvas.across
    start, end = x, np.float32(length) - x
    sides = np.minimum(y, np.float32(width) - y)
    if trait.family == "skew ends":
        slants = trait.rng.choice([-1, 1], 2) * np.tan(np.deg2rad(trait.between(2.0, 10.0)))
        start = x + np.float32(slants[0]) * (y - np.float32(width / 2))
        end = end + np.float32(slants[1]) * (y - np.float32(width / 2))
    elif trait.family == "tapered":
        narrow = np.float32(trait.between(0.05, 0.15)) * (x / np.float32(length))  # each side, towards the handle
        narrow = narrow if trait.rng.random() < 0.5 else np.float32(trait.between(0.05, 0.15)) - narrow
        sides = sides - narrow
    elif trait.family in _CUT_SIDES:
        sides = _cut_sides(canvas, trait, sides)
    depth = np.minimum(np.minimum(start, end), sides)
    if trait.family == "rounded ends":
        radius = trait.between(0.4, 0.5) * width
        qx, qy = np.float32(radius) - end, np.float32(radius) - sides
        outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0))
        rounded = np.where((qx > 0) & (qy > 0), np.float32(radius) - outside, depth)
        depth = np.minimum(depth, rounded)
    elif trait.family == "torn corner":
        rng = trait.rng
        from_side = y if rng.random() < 0.5 else np.float32(width) - y
        reach, tear = trait.between(1.5, 5.0), 0.18 * canvas.noise(rng, (0.6, 0.6))
        torn = (end - reach + from_side * reach / (0.7 * width)) / np.hypot(1.0, reach / (0.7 * width)) + tear
        depth = np.minimum(depth, torn)
    return np.asarray(depth, np.float32)


_CUT_SIDES = ("waist", "side notches", "wavy cut")


def _cut_sides(canvas: StripCanvas, trait: Trait, sides: Image) -> Image:
    """Return the depth from the long sides of a strip that is narrower in places, behind its pads."""
    kind, rng, x = canvas.kind, trait.rng, canvas.along
    first = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads) + 1.0
    if trait.family == "waist":
        middle = float(rng.uniform(first + 8.0, max(kind.length_mm - 8.0, first + 9.0)))
        narrow = (
            np.exp(-(((x - middle) / float(rng.uniform(2.5, 3.5))) ** 2)) * kind.width_mm * trait.between(0.08, 0.22)
        )
        return np.asarray(sides - narrow, np.float32)
    if trait.family == "side notches":
        for place in rng.uniform(first + 2.0, kind.length_mm - 2.0, int(rng.integers(1, 4))):
            half = float(rng.uniform(0.6, 1.3))
            # Half discs at both sides, or at one of them.
            from_edge = (
                sides
                if rng.random() < 0.5
                else (canvas.across if rng.random() < 0.5 else kind.width_mm - canvas.across)
            )
            sides = np.minimum(sides, np.hypot(x - place, from_edge) - half * trait.between(0.6, 1.0))
        return np.asarray(sides, np.float32)
    upper, lower = (0.12 * trait.between(0.5, 1.6) * canvas.noise(rng, (5.0, 60.0)) for _ in range(2))
    cut = np.where(canvas.across < kind.width_mm / 2, upper, lower)
    return np.asarray(sides - np.clip(cut + 0.1, 0, 0.4), np.float32)


def _sag(trait: Trait, kind: StripGeometry, along: Image) -> Image | None:
    """Return how far each place along is moved across by a bow, None for a straight strip. [mm]."""
    if trait.family == "kinked":
        slope = np.tan(np.deg2rad(trait.between(0.5, 2.0))) * float(trait.rng.choice([-1, 1]))
        return np.asarray(slope * np.maximum(along - _kink_mm(kind), 0), np.float32)
    if trait.family != "bowed":
        return None
    sag = trait.between(0.15, 0.7) * float(trait.rng.choice([-1, 1]))
    return np.asarray(sag * (1 - (2 * along / kind.length_mm - 1) ** 2), np.float32)


def _kink_mm(kind: StripGeometry) -> float:
    """Return where along a kinked strip is bent: halfway between its last pad and its end."""
    last = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads)
    return (last + kind.length_mm) / 2


def _light_curl(canvas: StripCanvas, trait: Trait) -> None:
    """Shade a strip that does not lie flat."""
    rng = trait.rng
    if trait.family == "bowed":
        wave = np.cos(np.pi * canvas.along / canvas.kind.length_mm + float(rng.uniform(0, np.pi)))
        canvas.gain((1 + trait.between(0.01, 0.05) * wave).astype(np.float32))
    elif trait.family == "twisted":
        turn = np.sin(2 * np.pi * canvas.along / canvas.kind.length_mm + float(rng.uniform(0, 2 * np.pi)))
        slope = (canvas.across / canvas.kind.width_mm - 0.5) * turn
        canvas.gain((1 + trait.between(0.04, 0.14) * slope).astype(np.float32))
    elif trait.family == "kinked":
        behind = canvas.along - np.float32(_kink_mm(canvas.kind))
        step = canvas.inside(behind, soft_mm=0.5) * float(rng.choice([-1, 1])) * trait.between(0.03, 0.09)
        line = np.exp(-((behind / np.float32(0.2)) ** 2)) * trait.between(0.08, 0.25)
        canvas.gain((1 + step - line).astype(np.float32))


def _cast_thin_shadow(canvas: StripCanvas, trait: Trait, outline: Image) -> None:
    """Darken the ground under the edges away from the light, and a faint line around."""
    length, width = canvas.kind.length_mm, canvas.kind.width_mm
    for reach, dark, soft in ((0.35, 0.35, 0.15), (0.0, 0.15, 0.4)):
        x, y = canvas.along - reach * canvas.light[0], canvas.across - reach * canvas.light[1]
        depth = np.minimum(np.minimum(x, length - x), np.minimum(y, width - y)).astype(np.float32)
        if trait.family in (*_CUT_SIDES, "torn corner"):  # more than the rectangle tells
            move = np.array([[1, 0, reach * canvas.light[0]], [0, 1, reach * canvas.light[1]]]) * canvas.scale
            move[:, :2] = np.eye(2)
            moved = cv2.warpAffine(outline, move, outline.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
            depth = np.asarray(moved, np.float32)
        canvas.ground[...] *= 1 - np.float32(dark) * canvas.inside(depth + np.float32(soft / 2), soft_mm=soft)
