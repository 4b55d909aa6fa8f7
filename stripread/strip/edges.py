"""Find the two long edges of a strip in the slot, whatever the colours of strip and ground."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float, Rect
from stripread.strip.view import STEP_MM, Picture, Ribbon, lab_difference, straighten

__all__ = ["LongEdges", "find_long_edges", "refine_long_edges"]

_ANGLES = np.tan(np.deg2rad(np.arange(-12.0, 12.1, 1.5)))
_BLOCK = 5  # columns of 0.25 mm: short enough to stay on an edge turned by 12 degrees
_REACH = 2  # rows to either side of an edge, 0.5 mm: the blur of a coarse photo
_LEAST_SIGNIFICANCE = 7.0  # standard deviations; chance alone reaches about 4.5 over all the places that are tried
_LEAST_SHARE = 0.30  # of the strip's length along which both edges must show. Both judged on drawn slots (tests)


@dataclass(frozen=True, slots=True)
class LongEdges:
    """A pair of parallel lines: a point midway between them, their direction, how far apart they are in mm."""

    centre: Float
    direction: Float
    width_mm: float


def find_long_edges(picture: Picture, slot: Rect, *, length_mm: float, width_mm: float) -> LongEdges | None:
    """Return the best pair of opposite edges about ``width_mm`` apart, roughly; None where no pair stands out.

    Every line within 12 degrees of the slot's axis is tried: the colour step across it is added up along it, each
    place counting no more than a few times the noise, so that a long faint edge beats a short strong one.
    """
    axis = np.array([1.0, 0.0]) if slot.width >= slot.height else np.array([0.0, 1.0])
    half = np.array([slot.width, slot.height]) / 2
    half_length, half_width = (half[0], half[1]) if axis[0] else (half[1], half[0])
    ribbon = straighten(
        picture, slot, centre=slot.centre, direction=axis, half_length_mm=half_length, half_width_mm=half_width
    )
    steps, noise, cap = _clipped_steps(ribbon)
    rows, blocks = steps.shape[:2]
    sums = np.empty((3, len(_ANGLES), rows), dtype=np.float32)  # channel, angle, row of the middle
    for index, slope in enumerate(_ANGLES):
        rise = slope * _BLOCK  # rows a block; none at the middle of the slot
        sheared = cv2.warpAffine(
            steps,
            np.array([[1.0, 0.0, 0.0], [rise, 1.0, -rise * (blocks - 1) / 2]]),
            (blocks, rows),
            flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        )
        sums[:, index] = cv2.reduce(sheared, 1, cv2.REDUCE_SUM)[:, 0].T
    squares = (sums**2).sum(axis=0)
    best, found = 0.0, None
    for gap in range(round(0.55 * width_mm / STEP_MM), round(1.7 * width_mm / STEP_MM) + 1):
        one, other = squares[:, :-gap], squares[:, gap:]
        product = np.einsum("car,car->ar", sums[:, :, :-gap], sums[:, :, gap:])
        # the weaker edge's length times minus the cosine between both: opposite steps, in and out of the strip
        grade = np.clip(-product, 0, None) / np.sqrt(np.maximum(np.maximum(one, other), 1e-12))
        off = (gap * STEP_MM - width_mm) / width_mm
        grade = grade * np.exp(-0.5 * (off / 0.4) ** 2)  # of equals, the pair nearer to the kind's width
        top = int(grade.argmax())
        if grade.flat[top] > best:
            best = float(grade.flat[top])
            found = (*divmod(top, grade.shape[1]), gap)
    along_strip = length_mm / (_BLOCK * STEP_MM)
    if found is None or best < max(_LEAST_SIGNIFICANCE * noise * np.sqrt(blocks), _LEAST_SHARE * cap * along_strip):
        return None
    angle, row, gap = found
    slope = float(_ANGLES[angle])
    direction = ribbon.direction + slope * ribbon.normal
    middle = ribbon.across[0] + (row + gap / 2) * STEP_MM
    tilt = float(np.hypot(1, slope))
    return LongEdges(ribbon.to_card(0.0, middle), direction / tilt, gap * STEP_MM / tilt)


def _clipped_steps(ribbon: Ribbon) -> tuple[NDArray[np.float32], float, float]:
    """Return colour steps across, (rows, blocks, 3), clipped; their noise per channel and the clip, in Delta E."""
    blocks = len(ribbon.along) // _BLOCK
    used = ribbon.roots[:, : blocks * _BLOCK]
    lab = lab_difference(used.reshape(len(used), blocks, _BLOCK, 3).mean(axis=2))
    valid = ribbon.in_slot[:, : blocks * _BLOCK].reshape(len(used), blocks, _BLOCK).min(axis=2)
    steps = np.zeros_like(lab)
    steps[_REACH:-_REACH] = lab[2 * _REACH :] - lab[: -2 * _REACH]
    valid[_REACH:-_REACH] &= valid[2 * _REACH :] & valid[: -2 * _REACH]
    valid[:_REACH] = valid[-_REACH:] = False
    size = np.sqrt(np.einsum("rbk,rbk->rb", steps, steps))
    # most of the slot is plain ground; the median length of a Gaussian 3-vector is 1.54 standard deviations
    noise = max(float(np.median(size[valid])) / 1.54, 0.02) if valid.any() else 1.0
    cap = max(4 * noise, 0.5)
    steps *= (np.minimum(1, cap / np.maximum(size, 1e-9)) * valid)[..., None]
    return steps.astype(np.float32), noise, cap


def refine_long_edges(picture: Picture, slot: Rect, rough: LongEdges, *, reach_mm: float) -> LongEdges:
    """Return the edges fitted to sub-pixel places of the colour step, robust against pads and whatever crosses them."""
    ribbon = straighten(
        picture,
        slot,
        centre=rough.centre,
        direction=rough.direction,
        half_length_mm=reach_mm,
        half_width_mm=rough.width_mm / 2 + 3,
    )
    blocks = len(ribbon.along) // _BLOCK
    shape = (len(ribbon.across), blocks, _BLOCK)
    lab = lab_difference(ribbon.roots[:, : blocks * _BLOCK].reshape(*shape, 3).mean(axis=2))
    valid = ribbon.in_slot[:, : blocks * _BLOCK].reshape(shape).min(axis=2)
    steps = lab[2:] - lab[:-2]
    valid = valid[2:] & valid[1:-1] & valid[:-2]
    across = ribbon.across[1:-1]
    places = (np.arange(blocks) + 0.5) * _BLOCK * STEP_MM + ribbon.along[0] - STEP_MM / 2
    rows, weights, design = [], [], []
    for side in (-1.0, 1.0):
        near = np.abs(across - side * rough.width_mm / 2) <= 1.3
        here = steps[near] * valid[near][..., None]
        unit = here.reshape(-1, 3).T @ here.reshape(-1, 3)
        main = np.linalg.eigh(unit)[1][:, -1]  # the usual colour step across this edge, up to its sign
        strength = here @ main
        if strength.sum() < 0:
            strength = -strength
        top = np.clip(strength.argmax(axis=0), 1, len(strength) - 2)
        column = np.arange(blocks)
        before, peak, after = (strength[top + k, column] for k in (-1, 0, 1))
        bend = before - 2 * peak + after
        part = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
        rows.append(across[near][top] + np.clip(part, -1, 1) * STEP_MM)
        weights.append(np.clip(peak, 0, None))
        design.append(np.column_stack([np.ones(blocks), places, np.full(blocks, side / 2)]))
    target, weight, matrix = np.concatenate(rows), np.concatenate(weights), np.concatenate(design)
    weight = np.minimum(weight, np.percentile(weight, 75) + 1e-9)
    solution = np.array([0.0, 0.0, rough.width_mm])
    for scale in (0.6, 0.4, 0.25, 0.15, 0.15, 0.15):  # mm; from the rough search's steps down to an edge's own scatter
        distance = (target - matrix @ solution) / scale
        root = np.sqrt(weight / (1 + distance**2) ** 2) + 1e-9
        solution = np.linalg.lstsq(matrix * root[:, None], target * root, rcond=None)[0]
    middle, slope, width = (float(x) for x in solution)
    tilt = float(np.hypot(1, slope))
    direction = (ribbon.direction + slope * ribbon.normal) / tilt
    return LongEdges(ribbon.to_card(0.0, middle), direction, width / tilt)
