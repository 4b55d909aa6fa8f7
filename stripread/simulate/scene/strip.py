"""The strip, painted: plastic, pads, the thin shadows at their edges, and what may be wrong with a pad."""

import numpy as np

from stripread.geometry import Float
from stripread.simulate.scene.artwork import Easel, circle, stroke, varied
from stripread.simulate.scene.paint import blend
from stripread.simulate.scene.scene import PadFinish, Scene, StripPlacement, pad_corners_mm, strip_to_card

__all__ = ["paint_strip"]

# Edges stand up: about 0.3 mm of plastic, 0.4 mm of pad. The light comes from the upper left, so edges that face the
# lower right throw a shadow and the others only show a faint line. Widths and darknesses were judged by eye.
_SHADE_TOWARDS = np.array([0.6, 0.8])
_STRIP_RIM_MM, _STRIP_RIM = 0.4, (0.15, 0.40)
_PAD_RIM_MM, _PAD_RIM = 0.25, (0.07, 0.22)


def paint_strip(
    easel: Easel, scene: Scene, strip: StripPlacement, rng: np.random.Generator, *, prefix: str = ""
) -> None:
    """Paint the strip as it lies; face down it shows no pads. ``prefix`` stands before the names of its materials."""
    kind = strip.kind
    to_card = strip_to_card(scene.card, strip)
    outline = np.array([[0, 0], [kind.length_mm, 0], [kind.length_mm, kind.width_mm], [0, kind.width_mm]], np.float64)
    outline = outline @ to_card[:2, :2].T + to_card[:2, 2]
    _paint_rim(easel, outline, _STRIP_RIM_MM, _STRIP_RIM)
    easel.fill(outline, "plastic")
    if strip.face_down:
        return
    for pad in kind.pads:
        corners = pad_corners_mm(scene.card, strip, pad)
        _paint_rim(easel, corners, _PAD_RIM_MM, _PAD_RIM)
        easel.fill(corners, f"{prefix}pad:{pad.id}")
        for finish in scene.defects.finishes:
            if finish.pad_id == pad.id:
                _paint_finish(easel, corners, finish)
        for specks in scene.defects.specks:
            if specks.pad_id == pad.id:
                places = rng.uniform(0.1, 0.9, (specks.count, 2)) @ (corners[[1, 3]] - corners[0]) + corners[0]
                for place in places:
                    easel.fill(circle((place[0], place[1]), specks.radius_mm, 16), "ink_black")


def _paint_rim(easel: Easel, corners: Float, width_mm: float, darkness: tuple[float, float]) -> None:
    """Darken a thin line outside each side of a convex shape; nothing inside it changes."""
    middle = corners.mean(axis=0)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        outwards = (start + end) / 2 - middle
        outwards = outwards / np.hypot(*outwards)
        shift = outwards * width_mm / 2
        easel.shade(stroke(start + shift, end + shift, width_mm), darkness[int(outwards @ _SHADE_TOWARDS > 0)])


def _paint_finish(easel: Easel, corners: Float, finish: PadFinish) -> None:
    """Lay plastic over a pad, so much of it as the finish says at each place."""
    angle = np.deg2rad(finish.direction_deg)
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    unit_along, unit_across = along / np.hypot(*along), across / np.hypot(*across)
    towards = np.cos(angle) * unit_along + np.sin(angle) * unit_across
    span = abs(np.cos(angle)) * np.hypot(*along) + abs(np.sin(angle)) * np.hypot(*across)
    middle = corners.mean(axis=0)

    def profile(places: Float) -> Float:
        share: Float = finish.plastic_share + finish.gradient_share * ((places - middle) @ towards) / span
        return np.clip(share, 0.0, 1.0)

    blend(easel.layers, varied(easel, easel.pieces(corners), profile), easel.paints["plastic"])
