"""Where a strip lies on the card."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stripread.findings import Finding
from stripread.geometry import Float, Rect
from stripread.strip.kinds import PadSpec, StripKind

__all__ = ["StripPose", "make_pose"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPose:
    """Where a strip lies on the card.

    Attributes
    ----------
    origin_mm : ndarray, shape (2,)
        The middle of the dipped tip's edge.
    direction : ndarray, shape (2,)
        Unit vector from the tip to the handle.
    flipped : bool
        Whether the tip lies at the slot's right (or, in an upright slot, lower) end.
    angle_deg : float
        How far the strip is turned from the slot's long axis, clockwise on the card.
    outline_mm : ndarray, shape (4, 2)
        Corners: at the tip the one where across is 0, then at the handle, and back along the other long edge.
    shifts_mm : mapping from pad id to float
        How far each pad was found from its kind's place, along the strip.
    steps : mapping from pad id to float
        How much each pad differs from the plastic around it. [about Delta E]
    unseen : bool
        No pad shows: it has the plastic's colour, or the strip lies face down.
    other_way : StripPose or None
        Where no pad shows and the tip may as well be at the other end: the pose with its tip there.
    """

    origin_mm: Float
    direction: Float
    flipped: bool
    angle_deg: float
    outline_mm: Float
    width_mm: float
    shifts_mm: Mapping[str, float]
    steps: Mapping[str, float]
    unseen: bool = False
    other_way: "StripPose | None" = None
    findings: tuple[Finding, ...] = ()

    def pad_polygon_mm(self, pad: PadSpec, share: float = 1.0) -> Float:
        """Corners of a pad on the card with sides of ``share`` times its own; (along, across) low-low first."""
        along, across = pad.centre_mm[0] + self.shifts_mm.get(pad.id, 0.0), pad.centre_mm[1]
        half = np.array(pad.size_mm) / 2 * share
        corners = np.array([along, across]) + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        return _on_card(self.origin_mm, self.direction, corners - [0, self.width_mm / 2])


def make_pose(
    origin: Float,
    direction: Float,
    shifts: Mapping[str, float],
    steps: Mapping[str, float],
    slot: Rect,
    kind: StripKind,
) -> StripPose:
    """Return the pose of a strip whose tip's middle lies at ``origin`` and which leads along ``direction``."""
    axis = direction if slot.width >= slot.height else np.array([direction[1], -direction[0]])
    flipped = bool(axis[0] < 0)
    if flipped:
        axis = -axis
    half = kind.width_mm / 2
    corners = np.array([[0, -half], [kind.length_mm, -half], [kind.length_mm, half], [0, half]])
    return StripPose(
        origin_mm=origin,
        direction=direction,
        flipped=flipped,
        angle_deg=float(np.degrees(np.arctan2(axis[1], axis[0]))),
        outline_mm=_on_card(origin, direction, corners),
        width_mm=kind.width_mm,
        shifts_mm=shifts,
        steps=steps,
    )


def _on_card(origin: Float, direction: Float, places: Float) -> Float:
    """Carry places (along from the tip, across from the strip's middle) to the card."""
    result: Float = origin + places @ np.array([direction, [-direction[1], direction[0]]])
    return result
