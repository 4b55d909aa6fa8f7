"""Whether more than one strip lies in the slot."""

import numpy as np

from stripread.geometry import Float, Rect
from stripread.strip.edges import LongEdges
from stripread.strip.profile import Profile, Run
from stripread.strip.view import STEP_MM, Picture, lab_difference, straighten

__all__ = ["find_rival"]

# Our choice, judged on drawn slots and on the looks of the seen families.
_CLEAR_MM = 1.2  # of the strip's own edges, their blur and thin shadow
_LIKE_PLASTIC = 0.6  # of the plastic's difference from the ground: as bright, and of its colour
_LEAST_AREA, _LEAST_LENGTH, _LEAST_WIDTH = 0.25, 0.4, 0.4  # shares of the strip's own


def find_rival(picture: Picture, slot: Rect, edges: LongEdges, run: Run, profile: Profile) -> Float | None:
    """Return the middle on the card of a second strip beside the one that was found; None where there is none.

    What counts is a piece of the plastic's own colour, as long and as wide as a good part of a strip.
    """
    from cv2 import connectedComponentsWithStats, minAreaRect

    half_length, half_width = max(slot.width, slot.height) / 2, min(slot.width, slot.height) / 2
    axis = np.array([1.0, 0.0]) if slot.width >= slot.height else np.array([0.0, 1.0])
    ribbon = straighten(
        picture, slot, centre=slot.centre, direction=axis, half_length_mm=half_length, half_width_mm=half_width
    )
    on_strip = (profile.along > run.start) & (profile.along < run.end) & profile.in_slot
    if not on_strip.any():
        return None
    plastic = np.median(profile.raw[on_strip], axis=0)
    ground = np.median(ribbon.roots[ribbon.in_slot], axis=0)
    # Places of the ribbon from the found strip: along its run, across its middle line.
    step = np.stack(np.meshgrid(ribbon.along, ribbon.across), axis=-1)
    card = ribbon.centre + step[..., :1] * ribbon.direction + step[..., 1:] * ribbon.normal - edges.centre
    across = card @ np.array([-edges.direction[1], edges.direction[0]])
    free = ribbon.in_slot & (np.abs(across) > edges.width_mm / 2 + _CLEAR_MM)
    share = lab_difference(ribbon.roots - ground) @ plastic / (plastic @ plastic)
    like = free & (share > _LIKE_PLASTIC)
    length = run.end - run.start
    if like.sum() * STEP_MM**2 < _LEAST_AREA * length * edges.width_mm:
        return None
    count, labels, stats, centres = connectedComponentsWithStats(like.astype(np.uint8), connectivity=4)
    for label in range(1, count):
        if stats[label, 4] * STEP_MM**2 < _LEAST_AREA * length * edges.width_mm:
            continue
        points = np.argwhere(labels == label)[:, ::-1].astype(np.float32)
        _, sides, _ = minAreaRect(points)
        if max(sides) * STEP_MM > _LEAST_LENGTH * length and min(sides) * STEP_MM > _LEAST_WIDTH * edges.width_mm:
            column, row = centres[label]
            return ribbon.to_card(ribbon.along[0] + column * STEP_MM, ribbon.across[0] + row * STEP_MM)
    return None
