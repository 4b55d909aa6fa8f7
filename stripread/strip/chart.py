"""Find the colour chart on a vial's label: a row of printed blocks of one size and one spacing.

Along the vial the light on its label hardly changes, whatever it does across. So each line along it is held against its
own ground, which a grey closing gives: the label as it would be without anything printed on it that is narrower than
14 mm. What departs from the ground and is a full rectangle may be a block; the row with most of them, alike in size and
evenly spaced, is the chart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float, Rect
from stripread.strip.view import STEP_MM, Picture, Ribbon, SlotView, lab_difference, shrink_view, straighten

__all__ = ["ChartBlock", "ChartRow", "find_chart"]

# Thresholds of our choice, judged on drawn vials of the seen part (tests/unit/test_chart.py).
_LARGEST_TURN_DEG, _TURN_STEP_DEG = 20.0, 4.0  # a vial turned by 15, and what perspective adds
_GROUND_MM = 14.0  # blocks are narrower; label, cap and card are wider
_CONTRASTS = (24.0, 12.0, 6.0, 3.0)  # Delta E from the ground: rows are looked for at each
_FAINTEST = 1.0  # Delta E from the gaps to both sides: a block at the end of a row that is known
_GAPS_DIFFER, _QUARTER = 0.8, 0.3  # it differs more than by this share of what the gaps do, and in each quarter by this
_SMALLEST_MM, _LARGEST_MM = (2.5, 3.0), (12.5, 16.0)  # along, across
_FULLNESS = 0.8  # of the box round it
_ALIKE = 0.22  # sides may depart so far from the row's median, and pitches from the row's mean
_OFF_LINE_MM = 1.0
_LEAST_BLOCKS = 3  # fewer make no row
_CARD_PATCH_MM, _ON_PATCHES = 0.75, 0.8  # a row is the card's where half its boxes lie so far on patches so much grown


@dataclass(frozen=True, slots=True)
class ChartBlock:
    """One block, in mm: its middle on the card (as if it lay flat there), and its size along and across the row."""

    centre_mm: Float
    size_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ChartRow:
    """A row of blocks, in order along ``direction`` (unit vector on the card, towards the right)."""

    blocks: tuple[ChartBlock, ...]
    direction: Float
    pitch_mm: float

    @property
    def across(self) -> Float:
        """Unit vector across the row, a quarter turn clockwise from ``direction``."""
        return np.array([-self.direction[1], self.direction[0]])


@dataclass(frozen=True, slots=True)
class _Box:
    along: float
    across: float
    size: tuple[float, float]


def find_chart(view: SlotView, *, patches: Sequence[Rect]) -> ChartRow | None:
    """Return the row of blocks in the view; None where no three blocks stand in a row.

    Parameters
    ----------
    view : SlotView
        Room for the vial with its surroundings; its ``slot`` is where blocks are looked for.
    patches : sequence of Rect
        The card's own patches, which are no blocks.
    """
    picture = shrink_view(view)
    area = view.slot
    axis = np.array([1.0, 0.0]) if area.width >= area.height else np.array([0.0, 1.0])
    best: tuple[int, float, float, list[_Box], Ribbon] | None = None
    turns = np.arange(-_LARGEST_TURN_DEG, _LARGEST_TURN_DEG + 0.1, _TURN_STEP_DEG)
    for turn in turns:
        found = _row_at(picture, area, _turned(axis, float(turn)), patches)
        if found is not None and (best is None or (found[0], -found[1]) > (best[0], -best[1])):
            best = (found[0], found[1], float(turn), found[2], found[3])
    if best is None:
        return None
    for _ in range(2):  # along the row itself boxes are upright and gaps straight
        slope = _line(best[3])[1]
        turn = best[2] + float(np.degrees(np.arctan(slope)))
        found = _row_at(picture, area, _turned(axis, turn), patches)
        if found is None or found[0] < best[0]:
            break
        best = (found[0], found[1], turn, found[2], found[3])
    _, _, _, boxes, ribbon = best
    boxes = _with_faint_ends(boxes, ribbon)
    pitch = float(np.mean(np.diff([box.along for box in boxes])))
    tall = float(np.median([box.size[1] for box in boxes]))
    blocks = tuple(ChartBlock(ribbon.to_card(box.along, box.across), (box.size[0], tall)) for box in boxes)
    return ChartRow(blocks, ribbon.direction, pitch)


def _turned(axis: Float, turn_deg: float) -> Float:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.array([c * axis[0] - s * axis[1], s * axis[0] + c * axis[1]])


def _row_at(
    picture: Picture, area: Rect, direction: Float, patches: Sequence[Rect]
) -> tuple[int, float, list[_Box], Ribbon] | None:
    """Return the best row along a direction: how many blocks, how uneven, the blocks, the straightened picture."""
    half_length, half_width = max(area.width, area.height) / 2, min(area.width, area.height) / 2
    ribbon = straighten(
        picture, area, centre=area.centre, direction=direction, half_length_mm=half_length, half_width_mm=half_width
    )
    size, printed = _departure(ribbon), _patch_mask(ribbon, patches)
    best: tuple[int, float, list[_Box]] | None = None
    for contrast in _CONTRASTS:
        for row in _rows(_boxes(size, contrast, ribbon)):
            if 2 * sum(_on_patches(box, ribbon, printed) for box in row) >= len(row):
                continue
            uneven = _unevenness(row)
            if best is None or (len(row), -uneven) > (best[0], -best[1]):
                best = (len(row), uneven, row)
    return None if best is None else (*best, ribbon)


def _departure(ribbon: Ribbon) -> Float:
    """How far each place departs from its ground along the row, in Delta E, shape (rows, columns)."""
    smooth = cv2.blur(ribbon.roots, (3, 3))
    kernel = np.ones((1, round(_GROUND_MM / STEP_MM)), np.uint8)
    ground = cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, kernel)
    off = lab_difference(ground - smooth)
    result: Float = np.where(ribbon.in_slot, np.sqrt((off**2).sum(axis=-1)), 0.0)
    return result


def _boxes(size: Float, contrast: float, ribbon: Ribbon) -> list[_Box]:
    """Return the full rectangles that depart from their ground; each is cut at half its own contrast."""
    mask = (size > contrast).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))  # 1.25 mm: letters, lines
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 1), np.uint8))  # a mirrored lamp along the vial
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    found = []
    for label in range(1, count):
        left, top, width, height, _ = (int(x) for x in stats[label])
        if width * STEP_MM > 1.5 * _LARGEST_MM[0] or height * STEP_MM > 1.5 * _LARGEST_MM[1]:
            continue
        part = (slice(top, top + height), slice(left, left + width))
        seed = labels[part] == label
        inner = seed & (size[part] > float(np.percentile(size[part][seed], 75)) / 2)
        inner = cv2.morphologyEx(inner.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 1), np.uint8)) > 0
        box = _box_of(inner, ribbon, top, left)
        if box is not None:
            found.append(box)
    return found


def _box_of(inside: NDArray[np.bool_], ribbon: Ribbon, top: int, left: int) -> _Box | None:
    """Return the box round the rows and columns that are mostly inside; None if it is no full rectangle of a size."""
    rows, columns = inside.sum(axis=1), inside.sum(axis=0)
    if not rows.any():
        return None
    own_rows = np.nonzero(rows >= 0.5 * np.percentile(rows[rows > 0], 75))[0]
    own_columns = np.nonzero(columns >= 0.5 * np.percentile(columns[columns > 0], 75))[0]
    box = inside[own_rows[0] : own_rows[-1] + 1, own_columns[0] : own_columns[-1] + 1]
    sides = (box.shape[1] * STEP_MM, box.shape[0] * STEP_MM)
    fits = all(least <= side <= most for least, side, most in zip(_SMALLEST_MM, sides, _LARGEST_MM, strict=True))
    if not fits or box.mean() < _FULLNESS:
        return None
    along = ribbon.along[0] + (left + (own_columns[0] + own_columns[-1]) / 2) * STEP_MM
    across = ribbon.across[0] + (top + (own_rows[0] + own_rows[-1]) / 2) * STEP_MM
    return _Box(float(along), float(across), sides)


def _patch_mask(ribbon: Ribbon, patches: Sequence[Rect]) -> NDArray[np.uint8]:
    """Return where in the ribbon the card's patches are, each a little larger than printed."""
    mask = np.zeros(ribbon.in_slot.shape, dtype=np.uint8)
    turn = np.column_stack([ribbon.direction, ribbon.normal])
    for patch in patches:
        corners = (patch.grown(_CARD_PATCH_MM).corners - ribbon.centre) @ turn  # along, across
        points = (corners - [ribbon.along[0], ribbon.across[0]]) / STEP_MM
        cv2.fillConvexPoly(mask, np.rint(points).astype(np.int32), 1)
    return mask


def _on_patches(box: _Box, ribbon: Ribbon, mask: NDArray[np.uint8]) -> bool:
    """Tell whether a box lies where patches are."""
    left, top = (box.along - box.size[0] / 2, box.across - box.size[1] / 2)
    column, row = (round((left - ribbon.along[0]) / STEP_MM), round((top - ribbon.across[0]) / STEP_MM))
    wide, tall = round(box.size[0] / STEP_MM), round(box.size[1] / STEP_MM)
    return bool(mask[row : row + tall + 1, column : column + wide + 1].mean() > _ON_PATCHES)


def _rows(boxes: Sequence[_Box]) -> list[list[_Box]]:
    """Return the longest even row through each pair of neighbours."""
    found = []
    for first in boxes:
        for second in boxes:
            pitch = second.along - first.along
            slope = (second.across - first.across) / pitch if pitch > 0 else np.inf
            if not 1.05 * first.size[0] < pitch < 2.2 * first.size[0] or abs(slope) > 0.15 or not _alike(first, second):
                continue
            row = [first, second]
            for step, end in ((1, -1), (-1, 0)):
                while True:
                    last = row[end]
                    wanted = last.along + step * pitch
                    near = [
                        box
                        for box in boxes
                        if box not in row
                        and _alike(box, first)
                        and abs(box.along - wanted) < _ALIKE * pitch
                        and abs(box.across - last.across - step * pitch * slope) < _OFF_LINE_MM
                    ]
                    if not near:
                        break
                    nearest = min(near, key=lambda box: abs(box.along - wanted))
                    row.insert(len(row) if step > 0 else 0, nearest)
            if len(row) >= _LEAST_BLOCKS:
                found.append(row)
    return found


def _alike(one: _Box, other: _Box) -> bool:
    return all(abs(a - b) < _ALIKE * max(a, b) + 0.5 for a, b in zip(one.size, other.size, strict=True))


def _line(row: Sequence[_Box]) -> tuple[float, float]:
    """Return place across and slope of the straight line through the row's middles."""
    slope, start = np.polyfit([box.along for box in row], [box.across for box in row], 1)
    return float(start), float(slope)


def _unevenness(row: Sequence[_Box]) -> float:
    """Scatter of pitches, sizes and places across, in mm."""
    start, slope = _line(row)
    off = [box.across - start - slope * box.along for box in row]
    sizes = np.array([box.size for box in row])
    return float(np.std(np.diff([box.along for box in row])) + sizes.std(axis=0).sum() + np.std(off))


def _with_faint_ends(boxes: list[_Box], ribbon: Ribbon) -> list[_Box]:
    """Add blocks at the ends of the row that are fainter than the search's threshold, such as a blank's."""
    boxes = list(boxes)
    for end in (0, -1):
        while len(boxes) >= _LEAST_BLOCKS:
            pitch = float(np.mean(np.diff([box.along for box in boxes])))
            start, slope = _line(boxes)
            along = boxes[end].along + (pitch if end else -pitch)
            box = _Box(along, start + slope * along, tuple(np.median([b.size for b in boxes], axis=0)))
            if not _stands_out(box, pitch, ribbon):
                break
            boxes.insert(len(boxes) if end else 0, box)
    return boxes


def _stands_out(box: _Box, pitch: float, ribbon: Ribbon) -> bool:
    """Tell whether a place of the row has another colour than the gaps on both of its sides, all over."""
    gap = max(pitch - box.size[0], 2 * STEP_MM)

    def median(along: float, across: float, width: float, height: float) -> Float | None:
        columns = np.abs(ribbon.along - along) <= max(width / 2, STEP_MM / 2)
        rows = np.abs(ribbon.across - across) <= height / 2
        if not columns.any() or not rows.any() or not ribbon.in_slot[np.ix_(rows, columns)].all():
            return None
        result: Float = np.median(lab_difference(ribbon.roots[np.ix_(rows, columns)]).reshape(-1, 3), axis=0)
        return result

    wide, tall = 0.6 * box.size[0], 0.6 * box.size[1]
    left, right = (median(box.along + sign * pitch / 2, box.across, 0.5 * gap, tall) for sign in (-1, 1))
    quarters = [
        median(box.along + i * wide / 4, box.across + j * tall / 4, wide / 2, tall / 2)
        for i in (-1, 1)
        for j in (-1, 1)
    ]
    inside = [quarter for quarter in quarters if quarter is not None]
    if left is None or right is None or len(inside) < 4:
        return False
    ground, middle = (left + right) / 2, np.mean(inside, axis=0)
    step = float(np.linalg.norm(middle - ground))
    least = min(float(np.linalg.norm(middle - side)) for side in (left, right))
    if least < max(_FAINTEST, _GAPS_DIFFER * float(np.linalg.norm(left - right))):
        return False
    towards = (middle - ground) / step
    return all(float((quarter - ground) @ towards) > _QUARTER * step for quarter in inside)
