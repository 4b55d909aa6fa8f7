"""What a card's drawing consists of: filled polygons, lines and words in mm, whatever the file they end up in."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.card.design import SLOT_LAB
from stripread.card.layout import CardLayout, Marker, Patch
from stripread.colour import colour_science, lab_to_xyz
from stripread.errors import DrawingError
from stripread.geometry import Float, Rect
from stripread.i18n import Message, Verbatim

__all__ = ["Fill", "Line", "Part", "Rgb", "Words", "card_parts", "lab_to_srgb", "marker_bits"]

Rgb = tuple[int, int, int]
_BLACK, _WHITE, _TEXT, _FAINT = (0, 0, 0), (255, 255, 255), (70, 70, 70), (170, 170, 170)
_CAP = 0.72  # cap height of common sans-serif fonts, as a share of their size
_CLEAR_MM = 0.2  # least distance of words to anything else


@dataclass(frozen=True, slots=True)
class Fill:
    """A filled polygon, points of shape (n, 2) [mm]."""

    points: Float
    rgb: Rgb


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line of a given thickness [mm]."""

    start: tuple[float, float]
    end: tuple[float, float]
    thickness: float
    rgb: Rgb
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; ``place`` is the start, middle or end of its baseline, ``size`` the font's [mm]."""

    place: tuple[float, float]
    text: str
    size: float
    anchor: Literal["start", "middle", "end"] = "middle"
    rgb: Rgb = _TEXT


Part = Fill | Line | Words


def card_parts(card: CardLayout) -> tuple[Part, ...]:
    """Return what is drawn within the card's rectangle, from the bottom up; origin at its top left corner.

    Raises
    ------
    DrawingError
        If OpenCV has no such dictionary or the dictionary no such marker.
    """
    return tuple(_parts(card))


def lab_to_srgb(lab: Float) -> Float:
    """Return sRGB in 0..1, not clipped, of CIELAB (D50) of shape (..., 3); adapted to D65 with Bradford's transform."""
    colour = colour_science()
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    rgb: Float = colour.XYZ_to_sRGB(lab_to_xyz(lab), d50, chromatic_adaptation_transform="Bradford")
    return rgb


def _rgb(lab: tuple[float, float, float]) -> Rgb:
    r, g, b = np.rint(np.clip(lab_to_srgb(np.array(lab)), 0.0, 1.0) * 255).astype(int)
    return int(r), int(g), int(b)


@lru_cache(maxsize=64)
def marker_bits(dictionary: str, marker_id: int) -> NDArray[np.bool_]:
    """Return the modules of a marker with its black border, True where white; shape (n + 2, n + 2)."""
    number = getattr(cv2.aruco, dictionary, None) if dictionary.startswith("DICT_") else None
    if not isinstance(number, int):
        raise DrawingError(
            expected=Message("a dictionary of markers that OpenCV knows, such as DICT_4X4_50"),
            found=Verbatim(repr(dictionary)),
            remedy=Message("Correct the field 'dictionary' of the card layout file."),
        )
    markers = cv2.aruco.getPredefinedDictionary(number)
    count = len(markers.bytesList)
    if marker_id >= count:
        raise DrawingError(
            expected=Message("marker ids from 0 to %(last)s for %(dictionary)s", last=count - 1, dictionary=dictionary),
            found=Verbatim(str(marker_id)),
            remedy=Message("Correct the field 'id' of this [[marker]] of the card layout file."),
        )
    bits: NDArray[np.bool_] = cv2.aruco.generateImageMarker(markers, marker_id, markers.markerSize + 2) > 127
    bits.flags.writeable = False
    return bits


def _parts(card: CardLayout) -> Iterator[Part]:
    if card.slot is not None:
        yield Fill(card.slot.corners, _rgb(SLOT_LAB))
        yield from _outline(card.slot, 0.2, _TEXT)
    if card.vial is not None:
        yield from _outline(card.vial, 0.2, _FAINT, dashed=True)
    for patch in card.patches:
        rgb = _rgb(patch.lab)
        if rgb != _WHITE:
            yield Fill(patch.rect.corners, rgb)
    for patch in card.patches:
        if patch.role == "white":  # outside the patch, for whoever measures it
            yield from _outline(patch.rect.grown(0.2), 0.1, _FAINT)
    for marker in card.markers:
        yield from _marker(card, marker)
    yield from _outline(Rect(0, 0, card.width_mm, card.height_mm).grown(-0.1), 0.2, _FAINT)
    obstacles = _obstacles(card)
    yield from _patch_names(card, obstacles)
    if card.slot is not None:
        if card.tip_mark_mm is None:
            yield from _call(card, card.slot, "STRIP HERE  -  pad side up, either way round", obstacles)
        else:
            yield from _call(card, card.slot, "STRIP HERE  -  pads up, dipped end at TIP", obstacles, card.tip_mark_mm)
    if card.vial is not None:
        yield from _call(card, card.vial, "VIAL HERE  -  colour chart up, or leave empty", obstacles)
    note = f"{card.name}  -  keep dry and dark  -  lay flat, whole card in the picture"
    name = Words((card.width_mm / 2, card.height_mm - 0.8), note, 1.7)
    if _is_clear(_box(name), card, obstacles):
        yield name


def _outline(rect: Rect, thickness: float, rgb: Rgb, *, dashed: bool = False) -> Iterator[Line]:
    corners = [(float(x), float(y)) for x, y in rect.corners]
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        yield Line(start, end, thickness, rgb, dashed)


def _marker(card: CardLayout, marker: Marker) -> Iterator[Fill]:
    """Black square, then its white modules as runs both along rows and down columns: so no seam shows anywhere."""
    bits = marker_bits(card.dictionary, marker.id)
    n = len(bits)
    square = np.array([[0, 0], [n, 0], [n, n], [0, n]], dtype=np.float32)
    to_card = cv2.getPerspectiveTransform(square, marker.corners_mm.astype(np.float32))

    def place(x0: int, y0: int, x1: int, y1: int) -> Fill:
        points = np.array([[[x0, y0], [x1, y0], [x1, y1], [x0, y1]]], dtype=np.float64)
        # to 0.1 micrometre: takes away what the transform adds to round numbers
        return Fill(np.round(cv2.perspectiveTransform(points, to_card)[0], 4), _WHITE)

    yield Fill(marker.corners_mm, _BLACK)
    for i in range(n):
        for start, end in _runs(bits[i]):
            yield place(start, i, end, i + 1)
        for start, end in _runs(bits[:, i]):
            yield place(i, start, i + 1, end)


def _runs(flags: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _obstacles(card: CardLayout) -> list[Rect]:
    """Everything that words must not touch: patches, slot, vial, markers with a quiet zone of one module."""
    rects = [p.rect for p in card.patches] + [r for r in (card.slot, card.vial) if r is not None]
    for marker in card.markers:
        (x0, y0), (x1, y1) = marker.corners_mm.min(axis=0), marker.corners_mm.max(axis=0)
        module = (x1 - x0) / len(marker_bits(card.dictionary, marker.id))
        rects.append(Rect(float(x0), float(y0), float(x1 - x0), float(y1 - y0)).grown(float(module)))
    return rects


def _box(words: Words) -> Rect:
    """Room that the words take, on the wide side."""
    width, height = 0.62 * words.size * len(words.text), _CAP * words.size
    start = words.place[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor] * width
    return Rect(start, words.place[1] - height, width, height)


def _is_clear(box: Rect, card: CardLayout, obstacles: list[Rect]) -> bool:
    inside = Rect(0, 0, card.width_mm, card.height_mm).grown(-0.5)
    if not _holds(inside, box):
        return False
    grown = box.grown(_CLEAR_MM)
    return not any(
        grown.x < o.x + o.width
        and o.x < grown.x + grown.width
        and grown.y < o.y + o.height
        and o.y < grown.y + grown.height
        for o in obstacles
    )


def _holds(outer: Rect, inner: Rect) -> bool:
    return (
        outer.x <= inner.x
        and outer.y <= inner.y
        and inner.x + inner.width <= outer.x + outer.width
        and inner.y + inner.height <= outer.y + outer.height
    )


def _patch_names(card: CardLayout, obstacles: list[Rect]) -> Iterator[Words]:
    """Row letters beside, column numbers above and below the patches, where ids are such and there is room."""
    rows: dict[str, list[Patch]] = {}
    columns: dict[str, list[Patch]] = {}
    for patch in card.patches:
        if (match := re.fullmatch(r"([A-Z]+)([0-9]+)", patch.id)) is None:
            return
        rows.setdefault(match[1], []).append(patch)
        columns.setdefault(match[2], []).append(patch)
    size = 1.6
    names = []
    for letter, row in rows.items():
        left, right = min(row, key=lambda p: p.rect.x).rect, max(row, key=lambda p: p.rect.x).rect
        drop = _CAP * size / 2
        names.append(Words((left.x - 1.1, float(left.centre[1]) + drop), letter, size))
        names.append(Words((right.x + right.width + 1.1, float(right.centre[1]) + drop), letter, size))
    for number, column in columns.items():
        top, bottom = min(column, key=lambda p: p.rect.y).rect, max(column, key=lambda p: p.rect.y).rect
        names.append(Words((float(top.centre[0]), top.y - 0.5), number, size))
        names.append(Words((float(bottom.centre[0]), bottom.y + bottom.height + 0.5 + _CAP * size), number, size))
    yield from (words for words in names if _is_clear(_box(words), card, obstacles))


def _call(
    card: CardLayout, rect: Rect, text: str, obstacles: list[Rect], tip_mark: tuple[float, float] | None = None
) -> Iterator[Part]:
    """Words and two arrows just outside a rectangle, above or else below it, in the largest size that has room.

    With a tip mark one arrow is left, at the end nearest to the mark, and the word TIP beside it.
    """
    others = [o for o in obstacles if o != rect]
    middle, bottom = float(rect.centre[0]), rect.y + rect.height
    ends: tuple[float, ...] = (rect.x + 4.0, rect.x + rect.width - 4.0)
    if tip_mark is not None:
        ends = (min(ends, key=lambda x: abs(x - tip_mark[0])),)
    for size in (3.2, 2.6, 2.0):
        for baseline, tip in ((rect.y - 1.0, rect.y - 0.6), (bottom + 1.0 + _CAP * size, bottom + 0.6)):
            words = Words((middle, baseline), text, size, rgb=_BLACK)
            if not _is_clear(_box(words).grown(0.2), card, others):
                continue
            yield words
            back = tip + (2.6 if tip > bottom else -2.6)
            for x in ends:
                arrow = Rect(x - 1.8, min(tip, back), 3.6, 2.6)
                if not _is_clear(arrow, card, others):
                    continue
                yield Fill(np.array([[x - 1.8, back], [x + 1.8, back], [x, tip]]), _BLACK)
                if tip_mark is not None:
                    yield Words((x + 2.6, baseline), "TIP", size, rgb=_BLACK, anchor="start")
            return
