"""Whether more than one strip lies in the slot."""

import numpy as np

from stripread.geometry import Rect
from stripread.strip.edges import LongEdges
from stripread.strip.view import STEP_MM, Picture, lab_difference, straighten

__all__ = ["has_rival"]

# Our choice, judged on drawn slots and on the looks of the seen families.
_CLEAR_MM = 1.2  # of the strip's own edges, their blur and thin shadow
_LIKE_PLASTIC = 0.6  # of the plastic's difference from the ground: as bright, and of its colour
_SKIP = 3  # pixels of 0.25 mm: plenty for something as large as a strip
_LEAST_AREA, _LEAST_LENGTH, _LEAST_WIDTH = 0.25, 0.4, 0.4  # shares of the strip's own


def has_rival(picture: Picture, slot: Rect, edges: LongEdges, *, length_mm: float) -> bool:
    """Tell whether a second strip lies in the slot beside the one between the edges.

    What counts is a piece of the plastic's own colour, as long and as wide as a good part of a strip of that length.
    """
    from cv2 import connectedComponentsWithStats, minAreaRect

    half_length, half_width = max(slot.width, slot.height) / 2, min(slot.width, slot.height) / 2
    axis = np.array([1.0, 0.0]) if slot.width >= slot.height else np.array([0.0, 1.0])
    ribbon = straighten(
        picture, slot, centre=slot.centre, direction=axis, half_length_mm=half_length, half_width_mm=half_width
    )
    roots, in_slot = ribbon.roots[::_SKIP, ::_SKIP], ribbon.in_slot[::_SKIP, ::_SKIP]
    # Places of the ribbon from the found strip: along its run, across its middle line.
    step = np.stack(np.meshgrid(ribbon.along[::_SKIP], ribbon.across[::_SKIP]), axis=-1)
    card = ribbon.centre + step[..., :1] * ribbon.direction + step[..., 1:] * ribbon.normal - edges.centre
    across = card @ np.array([-edges.direction[1], edges.direction[0]])
    inside = in_slot & (np.abs(across) < edges.width_mm / 4)
    free = in_slot & (np.abs(across) > edges.width_mm / 2 + _CLEAR_MM)
    if not inside.any() or not free.any():
        return False
    ground = np.median(roots[free], axis=0)
    apart = lab_difference(roots[inside] - ground)
    far = np.linalg.norm(apart, axis=1)
    plastic = np.median(apart[far >= np.median(far)], axis=0)
    share = lab_difference(roots - ground) @ plastic / (plastic @ plastic)
    like = free & (share > _LIKE_PLASTIC)
    pixel = _SKIP * STEP_MM
    if like.sum() * pixel**2 < _LEAST_AREA * length_mm * edges.width_mm:
        return False
    count, labels, stats, _ = connectedComponentsWithStats(like.astype(np.uint8), connectivity=4)
    for label in range(1, count):
        if stats[label, 4] * pixel**2 < _LEAST_AREA * length_mm * edges.width_mm:
            continue
        points = np.argwhere(labels == label)[:, ::-1].astype(np.float32)
        _, sides, _ = minAreaRect(points)
        long, wide = max(sides) * pixel / length_mm, min(sides) * pixel / edges.width_mm
        if long > _LEAST_LENGTH and wide > _LEAST_WIDTH:
            return True
    return False
