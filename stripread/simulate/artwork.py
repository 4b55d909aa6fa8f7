"""The printed card, painted: paper, markers, patches, slot, room for the vial, words."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stripread.card.layout import CardLayout, Marker
from stripread.geometry import Float, Rect, apply_homography
from stripread.simulate.paint import Image, Piece, blend, mask_pieces, polygon_pieces, quad_pieces, shade
from stripread.simulate.scene import Materials, SecondCard

__all__ = ["Easel", "circle", "paint_card", "place_easel", "stroke", "varied"]

_FONT = cv2.FONT_HERSHEY_SIMPLEX


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
    for marker in card.markers:
        _paint_marker(easel, card, marker)
    if card.slot is not None:
        easel.fill(card.slot.corners, "slot_ground")
        _outline(easel, card.slot, 0.25)
        _write(easel, "strip here, dipped end left", (card.slot.x, card.slot.y - 1.2), 2.2)
    if card.vial is not None:
        _outline(easel, card.vial, 0.25)
        _write(easel, f"vial here        card {card.name}", (card.vial.x, card.vial.y - 1.2), 2.2)


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


def _outline(easel: Easel, rect: Rect, width_mm: float) -> None:
    corners = rect.grown(width_mm / 2).corners
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        easel.fill(stroke(start, end, width_mm), "ink_black")


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


def _write(easel: Easel, words: str, baseline_mm: tuple[float, float], height_mm: float) -> None:
    """Write words in black from a baseline's left end; ``height_mm`` is that of capitals."""
    fine = int(np.clip(np.ceil(2 * easel.px_per_mm(np.array(baseline_mm))), 4, 80))  # px of the mask per mm
    scale = height_mm * fine / 21.0  # Hershey capitals are 21 px high at scale 1
    thick = max(1, round(0.12 * height_mm * fine))
    (width, height), below = cv2.getTextSize(words, _FONT, scale, thick)
    mask = np.zeros((height + below + 2 * thick, width + 2 * thick), np.uint8)
    cv2.putText(mask, words, (thick, height + thick), _FONT, scale, 255, thick, cv2.LINE_AA)
    to_card = np.array(
        [
            [1 / fine, 0, baseline_mm[0] - thick / fine],
            [0, 1 / fine, baseline_mm[1] - (height + thick) / fine],
            [0, 0, 1],
        ]
    )
    blend(easel.layers, mask_pieces(mask, easel.homography @ to_card, easel.size), easel.paints["ink_black"])
