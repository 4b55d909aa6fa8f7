"""Find the pads alone, where the strip's plastic cannot be told from the slot's ground (white on white)."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.view import STEP_MM, Ribbon, lab_difference

__all__ = ["BarePads", "find_bare_pads"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py).
_LEAST_STEP, _LEAST_SIGNIFICANCE = 1.2, 5.0  # Delta E; times the scatter of the smoothed ground
_ROUGHEST = (
    6.0  # Delta E: on a ground this uneven (a shadow on it) plastic might go unseen, and a pad alone prove nothing
)
_SIZE_OFF, _SIZE_OFF_MM = 0.15, 0.5
_THIN = 7  # pixels of the picture, 1.75 mm: wider than an edge's shadow, narrower than any pad
_FULLNESS = 0.85  # of its smallest box: a disc fills 0.79
_PLACE_MM = 8.0  # how far along the slot a pad may lie from its place on a strip in the slot's middle
_ACROSS_MM = 1.0  # how far several pads may lie from one line
_LARGEST_TURN_DEG = 12.0


@dataclass(frozen=True, slots=True)
class BarePads:
    """Where a strip lies by its pads: the middle of the tip's edge on the card (mm), the way to the handle."""

    origin: Float
    direction: Float
    step: float


@dataclass(frozen=True, slots=True)
class _Region:
    along: float
    across: float
    turn_deg: float
    sides: tuple[float, float]
    fullness: float
    step: float
    cut: bool  # by the slot's border: its middle cannot be known


def find_bare_pads(ribbon: Ribbon, kind: StripKind) -> BarePads | None:
    """Return the strip's place by its pads alone; None unless exactly the kind's pads stand out, of their size.

    ``ribbon`` is the whole slot. Which way round the strip lies follows from the end of it at which the pads are.
    """
    regions = sorted(_regions(ribbon), key=lambda region: region.along)
    if len(regions) != len(kind.pads):
        return None
    middle = kind.length_mm / 2
    expected = np.array([pad.centre_mm[0] - middle for pad in kind.pads])
    flipped = bool(np.mean([region.along for region in regions]) > 0)
    pads = kind.pads[::-1] if flipped else kind.pads
    places = np.array([[region.along, region.across] for region in regions])
    wanted = -expected[::-1] if flipped else expected
    if abs(expected.mean()) < _PLACE_MM or (np.abs(places[:, 0] - wanted) > _PLACE_MM).any():
        return None
    for region, pad in zip(regions, pads, strict=True):
        sides = np.sort(region.sides) - np.sort(pad.size_mm)
        if (
            (np.abs(sides) > _SIZE_OFF * np.sort(pad.size_mm) + _SIZE_OFF_MM).any()
            or region.fullness < _FULLNESS
            or region.cut
        ):
            return None
    if len(regions) > 1:
        span = places[-1] - places[0]
        turn = float(np.degrees(np.arctan2(span[1], span[0])))
        if abs(np.hypot(*span) - np.ptp(wanted)) > _ACROSS_MM:
            return None
    else:
        turn = regions[0].turn_deg
    if abs(turn) > _LARGEST_TURN_DEG:
        return None
    rightwards = np.cos(np.radians(turn)) * ribbon.direction + np.sin(np.radians(turn)) * ribbon.normal
    direction = -rightwards if flipped else rightwards
    normal = np.array([-direction[1], direction[0]])
    along = float(np.mean([pad.centre_mm[0] for pad in pads]))
    across = float(np.mean([pad.centre_mm[1] for pad in pads])) - kind.width_mm / 2
    centre = ribbon.to_card(*(float(x) for x in places.mean(axis=0)))
    return BarePads(centre - along * direction - across * normal, direction, min(region.step for region in regions))


def _regions(ribbon: Ribbon) -> list[_Region]:
    """Return the regions of the slot that differ from its ground, cut at half their own step."""
    smooth = cv2.blur(ribbon.roots, (3, 3))
    ground = np.median(smooth[ribbon.in_slot], axis=0)
    off = lab_difference(smooth - ground)
    size = np.where(ribbon.in_slot, np.sqrt((off**2).sum(axis=-1)), 0.0)
    noise = float(np.median(size[ribbon.in_slot])) / 1.54  # median length of a Gaussian 3-vector
    least = max(_LEAST_STEP, _LEAST_SIGNIFICANCE * noise)
    if least > _ROUGHEST:
        return []
    # Opened, so that the thin shadows along the strip's edges neither count nor join the pads.
    seeds = cv2.morphologyEx((size > least).astype(np.uint8), cv2.MORPH_OPEN, np.ones((_THIN, _THIN), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(seeds, connectivity=8)
    found = []
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] * STEP_MM**2 < 3.0:  # mm2: specks
            continue
        found.append(_outlined(labels == label, size, ribbon))
    return found


def _outlined(seed: NDArray[np.bool_], size: Float, ribbon: Ribbon) -> _Region:
    step = float(np.percentile(size[seed], 75))
    mask = seed & (size > step / 2)
    points = np.argwhere(mask)[:, ::-1]
    (x, y), (width, height), turn = cv2.minAreaRect(points.astype(np.float32))
    turn = (turn + 45.0) % 90.0 - 45.0
    area = max((width + 1) * (height + 1), 1e-6)  # pixels have a size, their centres do not
    rows, columns = np.array([y, x]) * STEP_MM + [ribbon.across[0], ribbon.along[0]]
    sides = ((width + 1) * STEP_MM, (height + 1) * STEP_MM)
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    cut = bool((grown & ~ribbon.in_slot).any())
    return _Region(float(columns), float(rows), float(turn), sides, len(points) / area, step, cut)
