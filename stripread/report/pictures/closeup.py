"""What a reading looked at, large enough for a phone: the card straightened, and under it the pads, marked.

Without a word in it, as the page says all words beside it in the reader's language.
"""

from contextlib import suppress

import cv2
import numpy as np

from stripread.card import CardLayout, find_card
from stripread.errors import StripReadError
from stripread.geometry import Float, Rect, apply_homography, scale_points
from stripread.photo import Photo
from stripread.read import Reading
from stripread.report.pictures.overlay import Picture, outline, shrunk, tag

__all__ = ["draw_closeup", "draw_plain"]

_WIDTH_PX = 1080  # three times the width of a usual phone's page: sharp on its screen
_AROUND_CARD_MM = 3.0
_BESIDE_PADS_MM, _OVER_PADS_MM = 7.0, 4.0
_LEAST_SHOWN_MM = 30.0  # of the strip, so that a single pad is seen with what lies beside it
_GROWN = 1.25  # the outline runs outside the pad, which stays bare
_GAP_PX = 24


def draw_closeup(reading: Reading) -> Picture:
    """Return the card upright and, below it, the pads enlarged; shape (rows, 1080, 3), sRGB."""
    measured = reading.measurement
    photo, pose, layout = measured.card.photo, measured.card.pose, measured.card.card
    to_mm: Float = np.linalg.inv(pose.homography).astype(np.float64)
    pads = [apply_homography(to_mm, pad.polygon_px) for pad in measured.pads]
    whole = Rect(0.0, 0.0, layout.width_mm, layout.height_mm).grown(_AROUND_CARD_MM)
    parts = [_seen(photo, pose.homography, rect, pads) for rect in (whole, _around(pads))]
    gap = np.full((_GAP_PX, _WIDTH_PX, 3), 255, dtype=np.uint8)
    return np.concatenate([parts[0], gap, parts[1]])


def draw_plain(photo: Photo, card: CardLayout) -> Picture:
    """Return the upright photo, small enough for a phone, with the card outlined where it is found."""
    picture, factor = shrunk(photo, longest_px=_WIDTH_PX)
    with suppress(StripReadError):
        outline(picture, scale_points(find_card(photo, card).corners_px, factor), width=4)
    return picture


def _around(pads: list[Float]) -> Rect:
    """Return what is enlarged: the pads with their neighbourhood, in mm on the card."""
    points = np.concatenate(pads)
    low, high = points.min(axis=0), points.max(axis=0)
    width, height = high - low
    beside = max(_BESIDE_PADS_MM, (_LEAST_SHOWN_MM - width) / 2)
    return Rect(low[0] - beside, low[1] - _OVER_PADS_MM, width + 2 * beside, height + 2 * _OVER_PADS_MM)


def _seen(photo: Photo, homography: Float, rect: Rect, pads: list[Float]) -> Picture:
    """Return a rectangle of the card as seen from above, with the pads outlined."""
    scale = _WIDTH_PX / rect.width
    size = (_WIDTH_PX, max(round(rect.height * scale), 1))
    decoded = photo.from_full(apply_homography(homography, rect.corners))
    there = (rect.corners - [rect.x, rect.y]) * scale - 0.5
    turn = cv2.getPerspectiveTransform(decoded.astype(np.float32), there.astype(np.float32))
    pixels = photo.pixels
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    picture: Picture = np.asarray(
        cv2.warpPerspective(pixels, turn, size, flags=cv2.INTER_AREA, borderValue=(255, 255, 255)), dtype=np.uint8
    )
    for number, pad in enumerate(pads, start=1):
        corners = (pad - [rect.x, rect.y]) * scale - 0.5
        centre = corners.mean(axis=0)
        outline(picture, centre + (corners - centre) * _GROWN, width=4)
        if len(pads) > 1:
            below = centre + np.array([0.0, 1.05 * float(np.ptp(corners[:, 1]))])
            tag(picture, str(number), below, size=max(round(2.2 * scale), 22))
    return picture
