"""Whether more than one strip lies in the slot."""

import numpy as np

from stripread.strip.edges import LongEdges
from stripread.strip.view import STEP_MM, Ribbon, lab_difference, lengths, quantile

__all__ = ["has_rival"]

# Our choice, judged on drawn slots and on the looks of the seen families.
_CLEAR_MM = 1.2  # of the strip's own edges, their blur and thin shadow
_LEAST_CONTRAST = 0.3  # of the stronger half's difference from the ground
_OUTER = 0.85  # of the slot's half length
_LIKE_STRIP = 0.6  # of the strip's difference from the ground: as bright, and of its colour
_SKIP = 3  # pixels of 0.25 mm: plenty for something as large as a strip
_LEAST_AREA, _LEAST_LENGTH, _LEAST_WIDTH = 0.25, 0.4, 0.4  # shares of the strip's own


def has_rival(ribbon: Ribbon, edges: LongEdges, *, length_mm: float) -> bool:
    """Tell whether a second strip lies in the slot, all of which is ``ribbon``, beside the one between the edges.

    What counts is a piece of the strip's own colours, as long and as wide as a good part of a strip of that length.
    """
    from cv2 import connectedComponentsWithStats, minAreaRect

    roots, in_slot = ribbon.roots[::_SKIP, ::_SKIP], ribbon.in_slot[::_SKIP, ::_SKIP]
    normal = np.array([-edges.direction[1], edges.direction[0]])  # of the found strip; places across its middle line:
    across = (ribbon.centre - edges.centre + ribbon.across[::_SKIP, None] * ribbon.normal) @ normal
    across = across[:, None] + ribbon.along[::_SKIP] * (ribbon.direction @ normal)
    inside = in_slot & (np.abs(across) < edges.width_mm / 4)
    free = in_slot & (np.abs(across) > edges.width_mm / 2 + _CLEAR_MM)
    if not inside.any() or not free.any():
        return False
    outer = free & (np.abs(ribbon.along[::_SKIP]) > _OUTER * np.abs(ribbon.along).max())  # two strips leave that free
    ground = quantile(roots[outer if outer.any() else free])
    apart = lab_difference(roots[inside] - ground)
    far = lengths(apart)
    strip = far >= quantile(far) / 2
    along = np.nonzero(inside)[1][strip]
    like = np.zeros_like(free)
    halves = (along <= np.median(along), along > np.median(along))  # plastic, and what may be a coloured handle
    colours = [quantile(apart[strip][half]) for half in halves if half.any()]
    strongest = max(float(np.linalg.norm(own)) for own in colours)
    for own in colours:
        if np.linalg.norm(own) < _LEAST_CONTRAST * strongest:  # a handle of about the ground's colour
            continue
        share = (roots - ground) @ (lab_difference(np.eye(3)) @ own / max(float(own @ own), 1e-9))
        like |= free & (share > _LIKE_STRIP)
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
