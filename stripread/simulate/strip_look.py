"""A strip painted by its look: outline, plastic, handle, pads, and what lies about it."""

import numpy as np

from stripread.geometry import Float
from stripread.simulate.artwork import Easel
from stripread.simulate.handles import paint_handle
from stripread.simulate.looks import Look, Trait
from stripread.simulate.pad_look import paint_pad
from stripread.simulate.paint import Image
from stripread.simulate.plastics import paint_plastic, see_through
from stripread.simulate.scene import PadPlace, Scene, StripGeometry, StripPlacement, pad_corners_mm, strip_to_card
from stripread.simulate.strip_around import paint_around_after, paint_around_before
from stripread.simulate.strip_canvas import StripCanvas, lay_canvas, new_canvas

__all__ = ["looked_pad_corners_mm", "paint_strip_look"]


def paint_strip_look(easel: Easel, scene: Scene, strip: StripPlacement, look: Look, *, prefix: str = "") -> None:
    """Paint a strip; face down it shows no pads and no print, and what goes through it."""
    to_card = strip_to_card(scene.card, strip)
    canvas = new_canvas(easel, strip.kind, to_card)
    depth = _outline(canvas, look.outline)
    solid = canvas.inside(depth)
    canvas.cover[...] = solid * np.float32(1 - see_through(look.plastic))
    _cast_thin_shadow(canvas, look.outline)
    paint_around_before(canvas, look.around)
    paint_plastic(canvas, look.plastic, depth)
    _light_curl(canvas, look.outline)
    if not strip.face_down or look.handle.family in ("hole", "grip ridges"):
        hole = paint_handle(canvas, look.handle)
        if hole is not None:
            canvas.cover[...] *= 1 - hole
    if not strip.face_down:
        for pad in strip.kind.pads:
            paint_pad(canvas, look, pad, depth, prefix=prefix)
    paint_around_after(canvas, look.around, solid)
    lay_canvas(easel, canvas, to_card, _sag(look.outline, strip.kind, canvas.along[0]))


def looked_pad_corners_mm(scene: Scene, strip: StripPlacement, pad: PadPlace) -> Float:
    """Return a pad's corners on the card, shape (4, 2), where the strip's bow carries them."""
    corners = pad_corners_mm(scene.card, strip, pad)
    if scene.look is None:
        return corners
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
    depth = np.minimum(np.minimum(start, end), sides)
    if trait.family == "rounded ends":
        radius = trait.between(0.4, 0.5) * width
        qx, qy = np.float32(radius) - end, np.float32(radius) - sides
        outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0))
        rounded = np.where((qx > 0) & (qy > 0), np.float32(radius) - outside, depth)
        depth = np.minimum(depth, rounded)
    return np.asarray(depth, np.float32)


def _sag(trait: Trait, kind: StripGeometry, along: Image) -> Image | None:
    """Return how far each place along is moved across by a bow, None for a straight strip. [mm]."""
    if trait.family != "bowed":
        return None
    sag = trait.between(0.15, 0.7) * float(trait.rng.choice([-1, 1]))
    return np.asarray(sag * (1 - (2 * along / kind.length_mm - 1) ** 2), np.float32)


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


def _cast_thin_shadow(canvas: StripCanvas, trait: Trait) -> None:
    """Darken the ground under the edges away from the light, and a faint line around."""
    length, width = canvas.kind.length_mm, canvas.kind.width_mm
    for reach, dark, soft in ((0.35, 0.35, 0.15), (0.0, 0.15, 0.4)):
        x, y = canvas.along - reach * canvas.light[0], canvas.across - reach * canvas.light[1]
        depth = np.minimum(np.minimum(x, length - x), np.minimum(y, width - y)).astype(np.float32)
        canvas.ground[...] *= 1 - np.float32(dark) * canvas.inside(depth + np.float32(soft / 2), soft_mm=soft)
