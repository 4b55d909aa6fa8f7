"""The printed card, painted: paper, markers, patches, slot, room for the vial, lines and words."""

import pickle
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from stripread.card import CardLayout, Line, Marker, Part, Rgb, Words, card_parts
from stripread.geometry import Float, apply_homography
from stripread.simulate.scene.paint import Image, Piece, blend, mask_pieces, polygon_pieces, quad_pieces, shade
from stripread.simulate.scene.scene import Materials, SecondCard

__all__ = ["Easel", "circle", "label_font", "paint_card", "place_easel", "stroke", "varied"]

_DASH_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Easel:
    """The pictures being painted, one for each group of lights, and how places in mm map to their pixels."""

    layers: Image  # (groups, rows, columns, 3)
    homography: Float  # mm to px; the third coordinate is positive in front of the camera
    to_card: Float
    paints: Materials  # (groups, 3) each

    @property
    def size(self) -> tuple[int, int]:
        """Width and height. [px]."""
        return self.layers.shape[2], self.layers.shape[1]

    def fill(self, outline_mm: Float, material: str) -> None:
        """Paint a polygon, shape (n, 2)."""
        blend(self.layers, self.pieces(outline_mm), self.paints[material])

    def shade(self, outline_mm: Float, darkness: float) -> None:
        """Darken a polygon, shape (n, 2), by a share."""
        shade(self.layers, self.pieces(outline_mm), darkness)

    def pieces(self, outline_mm: Float) -> Iterable[Piece]:
        """Return the pixels of a polygon; none if it reaches behind the camera."""
        seen = np.asarray(outline_mm, np.float64) @ self.homography[:, :2].T + self.homography[:, 2]
        if seen[:, 2].min() <= 1.0:  # mm in front of the lens
            return ()
        points = seen[:, :2] / seen[:, 2:]
        return quad_pieces(points, self.size) if len(points) == 4 else polygon_pieces(points, self.size)

    def px_per_mm(self, place_mm: Float) -> float:
        """Return the picture's scale at a place (the larger of the two directions)."""
        steps = np.asarray(place_mm) + np.array([[0, 0], [0.5, 0], [0, 0.5]])
        points = apply_homography(self.homography, steps)
        return 2 * float(np.hypot(*(points[1:] - points[0]).T).max())


def varied(easel: Easel, pieces: Iterable[Piece], profile: Callable[[Float], Float]) -> Iterator[Piece]:
    """Thin a shape's cover by a profile: from places of shape (rows, columns, 2) in mm to shares."""
    for piece in pieces:
        x = np.arange(piece.columns.start, piece.columns.stop)
        y = np.arange(piece.rows.start, piece.rows.stop)
        places = apply_homography(easel.to_card, np.stack(np.meshgrid(x, y), axis=-1))
        share = profile(places).astype(np.float32)
        yield Piece(piece.rows, piece.columns, share if piece.share is None else share * piece.share)


def place_easel(easel: Easel, card: CardLayout, second: SecondCard) -> Easel:
    """Return an easel on which the card's mm lie where a second copy of the card lies."""
    angle = np.deg2rad(second.angle_deg)
    middle = np.array([card.width_mm, card.height_mm]) / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved = np.eye(3)
    moved[:2, :2] = turn
    moved[:2, 2] = middle + np.array(second.offset_mm) - turn @ middle
    homography = easel.homography @ moved
    return replace(easel, homography=homography, to_card=np.asarray(np.linalg.inv(homography), np.float64))


def paint_card(easel: Easel, card: CardLayout) -> None:
    """Paint the card as it is printed, with the thin shadow of its paper."""
    sheet = card.corners_mm
    easel.shade(sheet + np.array([0.6, 0.8]), 0.35)
    easel.fill(sheet, "paper")
    for patch in card.patches:
        easel.fill(patch.rect.corners, f"patch:{patch.id}")
    if card.slot is not None:
        easel.fill(card.slot.corners, "slot_ground")
    for marker in card.markers:
        _paint_marker(easel, card, marker)
    fine = int(np.clip(np.ceil(2 * max(easel.px_per_mm(corner) for corner in sheet)), 4, 60))
    for part in _drawing(pickle.dumps(card)):
        if isinstance(part, Line):
            _paint_line(easel, part, _ink(easel, part.rgb))
        elif isinstance(part, Words):
            _paint_words(easel, part, _ink(easel, part.rgb), fine)
        elif len(part.points) == 3:  # arrows; all other filled parts are painted above, in the print's own colours
            easel.fill(part.points, "ink_black")


@lru_cache(maxsize=8)
def _drawing(pickled_card: bytes) -> tuple[Part, ...]:
    """Return the card's drawing; kept, for it takes longer than painting. A card holds arrays, so bytes are the key."""
    return card_parts(pickle.loads(pickled_card))


def _ink(easel: Easel, rgb: Rgb) -> Float:
    """Return what a grey of the drawing prints as: paper and black in the shares of its light (sRGB, IEC 61966-2-1)."""
    code = sum(rgb) / (3 * 255)
    light = code / 12.92 if code <= 0.04045 else ((code + 0.055) / 1.055) ** 2.4
    mixed: Float = light * easel.paints["paper"] + (1 - light) * easel.paints["ink_black"]
    return mixed


def stroke(start_mm: Float, end_mm: Float, width_mm: float) -> Float:
    """Return a straight line's outline, shape (4, 2)."""
    start, end = np.asarray(start_mm, np.float64), np.asarray(end_mm, np.float64)
    along = (end - start) / np.hypot(*(end - start))
    side = np.array([-along[1], along[0]]) * width_mm / 2
    return np.array([start - side, end - side, end + side, start + side])


def circle(centre_mm: tuple[float, float], radius_mm: float, corners: int = 48) -> Float:
    """Return a disc's outline, shape (corners, 2)."""
    angles = np.arange(corners) * (2 * np.pi / corners)
    return np.array(centre_mm) + radius_mm * np.stack([np.cos(angles), np.sin(angles)], axis=1)


def _paint_marker(easel: Easel, card: CardLayout, marker: Marker) -> None:
    """Paint a marker's black square, then its white modules as one mask, so that no seams show between them."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    modules = dictionary.markerSize + 2
    drawn = cv2.aruco.generateImageMarker(dictionary, marker.id, modules)
    corners = marker.corners_mm
    side_px = easel.px_per_mm(corners.mean(axis=0)) * float(np.hypot(*(corners[1] - corners[0])))
    fine = int(np.clip(np.ceil(4 * side_px / modules), 4, 400))
    mask = np.kron(drawn, np.ones((fine, fine), np.uint8))
    edges = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * modules * fine
    to_card = cv2.getPerspectiveTransform(edges, corners.astype(np.float32))
    easel.fill(corners, "ink_black")
    blend(easel.layers, mask_pieces(mask, easel.homography @ to_card, easel.size), easel.paints["paper"])


def _paint_line(easel: Easel, line: Line, ink: Float) -> None:
    start, end = np.array(line.start), np.array(line.end)
    length = float(np.hypot(*(end - start)))
    dash = _DASH_MM if line.dashed else length
    for step in np.arange(0.0, length - 1e-9, 2 * dash):
        first, last = (start + (end - start) * min(s, length) / length for s in (step, step + dash))
        blend(easel.layers, easel.pieces(stroke(first, last, line.thickness)), ink)


def _paint_words(easel: Easel, words: Words, ink: Float, fine: int) -> None:
    """Write words by way of a mask of ``fine`` pixels per mm."""
    font = label_font(words.size * fine)
    left, top, right, bottom = (round(edge) for edge in font.getbbox(words.text, anchor="ls"))
    mask = PillowImage.new("L", (right - left + 2, bottom - top + 2))
    ImageDraw.Draw(mask).text((1 - left, 1 - top), words.text, fill=255, font=font, anchor="ls")
    start = words.place[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor] * font.getlength(words.text) / fine
    to_card = np.array(
        [[1 / fine, 0, start + (left - 1) / fine], [0, 1 / fine, words.place[1] + (top - 1) / fine], [0, 0, 1]]
    )
    blend(easel.layers, mask_pieces(np.asarray(mask), easel.homography @ to_card, easel.size), ink)


@lru_cache(maxsize=64)
def label_font(size_px: float) -> ImageFont.FreeTypeFont:
    """Return the typeface that comes with Pillow."""
    font = ImageFont.load_default(size_px)
    if not isinstance(font, ImageFont.FreeTypeFont):  # Pillow built without FreeType offers one size only
        raise RuntimeError("Pillow has no FreeType; the card's words cannot be drawn to size")
    return font
