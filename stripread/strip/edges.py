"""Find the two long edges of a strip in the slot, whatever the colours of strip and ground.

A strip that lies over the slot's long side shows one edge within it; its width is known, so that is enough.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float, Rect
from stripread.strip.view import STEP_MM, Float32, Picture, Ribbon, lab_difference, lengths, quantile, straighten

__all__ = ["LongEdges", "find_edge_at_border", "find_long_edges", "refine_long_edges"]

# Slopes to the slot's axis: as strips are laid, and as short ones may lie over a corner of the slot.
_USUAL_ANGLES, _WIDE_ANGLES = (np.tan(np.deg2rad(np.arange(-reach, reach + 0.1, 1.5))) for reach in (12.0, 27.0))
_BLOCK = 5  # columns of 0.25 mm: short enough to stay on an edge turned by 12 degrees
_REACH = 2  # rows to either side of an edge, 0.5 mm: the blur of a coarse photo
_LEAST_SIGNIFICANCE = 7.0  # standard deviations; chance alone reaches about 4.5 over all the places that are tried
# Of the kind's width: how far a pair's distance may be off, tried in turn. Stripes along a handle are narrower than it.
_WIDTHS_OFF = (0.12, 0.4)
_LEAST_SHARE_ALONE = 0.5  # of the strip's length along which a single edge must show
_UNLIKE_GROUND = 5.0  # Delta E
_BOW_MM, _BOW_AT_MM = 0.6, 40.0  # by which a curled strip strays from the straight line there, standard deviation
_EDGE_MM = 0.15  # an edge's own scatter
_LEAST_SHARE = 0.30  # of the strip's length along which both edges must show. Both judged on drawn slots (tests)


@dataclass(frozen=True, slots=True)
class LongEdges:
    """A pair of parallel lines, or of curves, as a strip curls.

    Attributes
    ----------
    centre, direction : ndarray (2,)
        A point midway between them on the card, and the unit vector along them there. [mm]
    width_mm : float
        How far apart they are.
    bow : float
        At x mm from the centre their middle lies ``bow`` x^2 mm off the straight line, along its normal. [1/mm]
    side : float or None
        -1 or 1 where only the edge on that side of the middle was seen.
    """

    centre: Float
    direction: Float
    width_mm: float
    bow: float = 0.0
    side: float | None = None

    def at(self, along_mm: float) -> tuple[Float, Float]:
        """Return the middle's place on the card and its direction so far from the centre."""
        normal = np.array([-self.direction[1], self.direction[0]])
        place = self.centre + along_mm * self.direction + self.bow * along_mm**2 * normal
        tangent = self.direction + 2 * self.bow * along_mm * normal
        return place, tangent / np.hypot(*tangent)


def find_long_edges(slot: Ribbon, *, length_mm: float, width_mm: float, askew: bool = False) -> LongEdges | None:
    """Return the best pair of opposite edges about ``width_mm`` apart, roughly; None where no pair stands out.

    Every line within 12 degrees of the slot's axis is tried, 27 where a strip may lie ``askew``: the colour step across
    it is added up along it, each place counting no more than a few times the noise, so that a long faint edge beats a
    short strong one.
    """
    lines = _add_up_lines(slot, _WIDE_ANGLES if askew else _USUAL_ANGLES)
    gaps = range(round(0.55 * width_mm / STEP_MM), round(1.7 * width_mm / STEP_MM) + 1)
    best, places = np.empty(len(gaps)), []
    for k, gap in enumerate(gaps):
        product = np.einsum("kar,kar->ar", lines.sums[..., :-gap], lines.sums[..., gap:])
        # minus the weaker edge's length times the cosine between both: opposite steps, in and out of the strip
        grade = product / np.maximum(lines.lengths[:, :-gap], lines.lengths[:, gap:])
        top = int(grade.argmin())
        best[k] = -grade.flat[top]
        places.append(divmod(top, grade.shape[1]))
    off = np.array(gaps) * STEP_MM / width_mm - 1
    for scale in _WIDTHS_OFF:
        likely = best * np.exp(-0.5 * (off / scale) ** 2)
        k = int(likely.argmax())
        if likely[k] >= lines.least(length_mm, _LEAST_SHARE):
            angle, row = places[k]
            return _line(lines, angle, row + gaps[k] / 2, gaps[k] * STEP_MM)
    return None


def find_edge_at_border(slot: Ribbon, *, length_mm: float, width_mm: float) -> LongEdges | None:
    """Return where a strip lies of which one long edge shows in the slot and the other lies over the slot's side."""
    lines = _add_up_lines(slot, _USUAL_ANGLES)
    across = lines.ribbon.across
    clear = across[lines.ribbon.in_slot.any(axis=1)]
    best, found = 0.0, None
    for side, border in ((1.0, clear[0]), (-1.0, clear[-1])):  # the edge that shows is the one away from the border
        near = np.abs(across - border) < width_mm
        grade = np.where(near, lines.lengths, 0.0)
        top = int(grade.argmax())
        if grade.flat[top] > best:
            best, found = float(grade.flat[top]), (*divmod(top, grade.shape[1]), side)
    if found is None or best < lines.least(length_mm, _LEAST_SHARE_ALONE):
        return None
    angle, row, side = found
    if not _reaches_border(lines, side, length_mm):
        return None
    edge = _line(lines, angle, row - side * width_mm / 2 / STEP_MM, width_mm)
    return replace(edge, width_mm=width_mm, side=side)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Colour steps added up along every line: by channel, angle and row of its middle; (3, a, r), lengths (a, r)."""

    ribbon: Ribbon
    slopes: Float
    sums: Float32
    lengths: Float32
    blocks: int
    noise: float
    cap: float

    def least(self, length_mm: float, share: float) -> float:
        """Return the sum from which an edge is none of chance, and shows along a share of the strip."""
        along = length_mm / (_BLOCK * STEP_MM)
        return float(max(_LEAST_SIGNIFICANCE * self.noise * np.sqrt(self.blocks), share * self.cap * along))


def _reaches_border(lines: _Lines, side: float, length_mm: float) -> bool:
    """Tell whether the colour beside the edge that shows goes on up to the slot's border."""
    ribbon = lines.ribbon
    rows = np.flatnonzero(ribbon.in_slot.any(axis=1))
    border = rows[:3] if side > 0 else rows[-3:]
    ground = np.median(ribbon.roots[ribbon.in_slot], axis=0)
    off = lab_difference(ribbon.roots[border].mean(axis=0) - ground)
    other = lengths(off) > max(_UNLIKE_GROUND, 4 * lines.noise)
    return bool(other.sum() * STEP_MM > _LEAST_SHARE_ALONE * length_mm)


def _add_up_lines(ribbon: Ribbon, slopes: Float) -> _Lines:
    steps, noise, cap = _clipped_steps(ribbon)
    rows, blocks = steps.shape[:2]
    block = np.arange(blocks)
    # Rows by which each line lies off the row of its middle: of every block all rows are moved at once.
    rise = np.rint(np.outer(slopes, block - (blocks - 1) / 2) * _BLOCK).astype(int)
    reach = int(np.abs(rise).max())
    padded = np.zeros((blocks, rows + 2 * reach, 3), dtype=np.float32)
    padded[:, reach : reach + rows] = steps.transpose(1, 0, 2)
    moved = np.lib.stride_tricks.sliding_window_view(padded.reshape(blocks, -1), 3 * rows, axis=1)
    sums = moved[block, 3 * (rise + reach)].sum(axis=1).reshape(len(slopes), rows, 3)
    by_channel = np.ascontiguousarray(sums.transpose(2, 0, 1))
    return _Lines(ribbon, slopes, by_channel, np.maximum(lengths(sums), 1e-6), blocks, noise, cap)


def _line(lines: _Lines, angle: int, row: float, gap_mm: float) -> LongEdges:
    slope, ribbon = float(lines.slopes[angle]), lines.ribbon
    tilt = float(np.hypot(1, slope))
    middle = ribbon.across[0] + row * STEP_MM
    return LongEdges(ribbon.to_card(0.0, middle), (ribbon.direction + slope * ribbon.normal) / tilt, gap_mm / tilt)


def _clipped_steps(ribbon: Ribbon) -> tuple[Float32, float, float]:
    """Return colour steps across, (rows, blocks, 3), clipped; their noise per channel and the clip, in Delta E."""
    lab, valid = _in_blocks(ribbon)
    steps = np.zeros_like(lab)
    steps[_REACH:-_REACH] = lab[2 * _REACH :] - lab[: -2 * _REACH]
    valid[_REACH:-_REACH] &= valid[2 * _REACH :] & valid[: -2 * _REACH]
    valid[:_REACH] = valid[-_REACH:] = False
    size = lengths(steps)
    # most of the slot is plain ground; the median length of a Gaussian 3-vector is 1.54 standard deviations
    noise = max(float(np.median(size[valid])) / 1.54, 0.02) if valid.any() else 1.0
    cap = max(4 * noise, 0.5)
    steps *= (np.minimum(1, cap / np.maximum(size, 1e-9)) * valid)[..., None]
    return steps, noise, cap


def _in_blocks(ribbon: Ribbon) -> tuple[Float32, NDArray[np.bool_]]:
    """Return colours as about CIELAB, averaged over blocks of columns, and which blocks lie wholly in the slot."""
    rows, blocks = len(ribbon.across), len(ribbon.along) // _BLOCK
    mean = cv2.resize(ribbon.roots[:, : blocks * _BLOCK], (blocks, rows), interpolation=cv2.INTER_AREA)
    inside = ribbon.in_slot[:, : blocks * _BLOCK]
    whole = inside[:, ::_BLOCK] & inside[:, _BLOCK - 1 :: _BLOCK]  # both ends tell: the slot is convex
    return lab_difference(mean), whole


def refine_long_edges(
    picture: Picture, slot: Rect, rough: LongEdges, *, reach_mm: float, curled: bool = True
) -> LongEdges:
    """Return the edges fitted to sub-pixel places of the colour step, robust against pads and whatever crosses them.

    Where ``rough`` knows one side only, its width stays as it is. Without ``curled`` straight lines are fitted, near to
    the rough ones.
    """
    ribbon = straighten(
        picture,
        slot,
        centre=rough.centre,
        direction=rough.direction,
        half_length_mm=reach_mm,
        half_width_mm=rough.width_mm / 2 + 3,
    )
    lab, valid = _in_blocks(ribbon)
    blocks = valid.shape[1]
    steps = lab[2:] - lab[:-2]
    valid = valid[2:] & valid[1:-1] & valid[:-2]
    across = ribbon.across[1:-1]
    places = (np.arange(blocks) + 0.5) * _BLOCK * STEP_MM + ribbon.along[0] - STEP_MM / 2
    rows, weights, design = [], [], []
    for side in (-1.0, 1.0) if rough.side is None else (rough.side,):
        near = np.abs(across - side * rough.width_mm / 2) <= (1.3 if curled else 0.7)
        # Whatever its direction: a handle may be darker than the ground where plastic is lighter.
        strength = lengths(steps[near]) * valid[near]
        top = np.clip(strength.argmax(axis=0), 1, len(strength) - 2)
        column = np.arange(blocks)
        before, peak, after = (strength[top + k, column] for k in (-1, 0, 1))
        bend = before - 2 * peak + after
        part = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
        rows.append(across[near][top] + np.clip(part, -1, 1) * STEP_MM)
        weights.append(np.clip(peak, 0, None))
        curve = (places / _BOW_AT_MM) ** 2
        design.append(np.column_stack([np.ones(blocks), places, np.full(blocks, side / 2), curve]))
    target, weight, matrix = np.concatenate(rows), np.concatenate(weights), np.concatenate(design)
    weight = np.minimum(weight, quantile(weight, 0.75) + 1e-9)
    # Priors: the width where one side was seen, and how much strips curl.
    heavy = float(np.sqrt(weight.mean() + 1e-9)) * _EDGE_MM
    prior = np.diag(np.array([0, 0, 0 if rough.side is None else 1e3, 1 / _BOW_MM if curled else 1e3]) * heavy) ** 2
    solution = expected = np.array([0.0, 0.0, rough.width_mm, 0.0])
    for scale in (0.5, 0.4, 0.3, 0.2, _EDGE_MM, _EDGE_MM, _EDGE_MM):  # mm; down to an edge's own
        distance = (target - matrix @ solution) / scale
        weighted = matrix.T * (weight / (1 + distance**2) ** 2 + 1e-18)
        solution = np.linalg.solve(weighted @ matrix + prior, weighted @ target + prior @ expected)
    middle, slope, width, bow = (float(x) for x in solution)
    tilt = float(np.hypot(1, slope))
    direction = (ribbon.direction + slope * ribbon.normal) / tilt
    return LongEdges(
        ribbon.to_card(0.0, middle), direction, width / tilt, bow=bow / _BOW_AT_MM**2 / tilt**3, side=rough.side
    )
