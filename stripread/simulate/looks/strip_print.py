"""Masks that are printed on a strip: from a place on to its end, words, drawn lines, and stamps of any of these."""

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from stripread.geometry import Float
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.scene.artwork import label_font
from stripread.simulate.scene.paint import Image

__all__ = ["drawn_lines", "ramp", "stamp", "text_mask"]


def ramp(canvas: StripCanvas, start: float) -> Image:
    """Return the share of each place that lies further along than the start. [mm]."""
    return canvas.inside(canvas.along - np.float32(start))


def text_mask(canvas: StripCanvas, text: str, height_mm: float) -> Image:
    """Return words as a mask in the canvas's scale."""
    font = label_font(float(max(4, round(height_mm * canvas.scale))))
    left, top, right, bottom = (round(v) for v in font.getbbox(text))
    drawn = PillowImage.new("L", (right - left + 2, bottom - top + 2))
    ImageDraw.Draw(drawn).text((1 - left, 1 - top), text, fill=255, font=font)
    return np.asarray(drawn, np.float32) / np.float32(255)


def stamp(canvas: StripCanvas, mask: Image, start: float, share: float) -> None:
    """Print a mask, its middle on the strip's, beginning at a place along."""
    margin_px = -float(canvas.along[0, 0]) * canvas.scale
    left = round(start * canvas.scale + margin_px)
    top = round((canvas.kind.width_mm / 2) * canvas.scale + margin_px - len(mask) / 2)
    end = round((canvas.kind.length_mm - 0.5) * canvas.scale + margin_px)
    part = mask[:, : max(end - left, 0)]
    whole = np.zeros(canvas.cover.shape, np.float32)
    whole[top : top + part.shape[0], left : left + part.shape[1]] = part
    canvas.mix(np.float32(share) * whole, "print:0")


def drawn_lines(canvas: StripCanvas, lines: list[Float], thick_mm: float) -> Image:
    """Return lines through places (along, across), shape (n, 2) each, as a mask. [mm]."""
    bits = 4
    mask = np.zeros(canvas.cover.shape, np.uint8)
    margin = np.array([-canvas.along[0, 0], -canvas.across[0, 0]])
    places = [np.rint((line + margin) * canvas.scale * 2**bits).astype(np.int32) for line in lines]
    cv2.polylines(mask, places, False, 255, max(1, round(thick_mm * canvas.scale)), cv2.LINE_AA, bits)
    return mask.astype(np.float32) / np.float32(255)
