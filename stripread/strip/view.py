"""The slot as the strip finder sees it: a picture in card coordinates, and pieces of it turned straight."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float, Rect

__all__ = [
    "Float32",
    "Picture",
    "Ribbon",
    "SlotView",
    "lab_difference",
    "lengths",
    "quantile",
    "shrink_view",
    "straighten",
    "straighten_slot",
]

Float32 = NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)

WORK_PX_PER_MM = 4.0  # enough for sub-pixel edges of a strip 6 mm wide, and a quarter of the pixels of a usual view
STEP_MM = 1.0 / WORK_PX_PER_MM

# CIELAB is linear in the cube roots of X, Y, Z over the white's. Near the neutral axis these cube roots are the same
# mixtures of the cube roots of R, G, B as X, Y, Z are of R, G, B (sRGB primaries, IEC 61966-2-1, rows scaled to add
# up to 1). Good enough to tell colours apart; never used to measure one.
_TO_XYZ = np.array([[0.4339, 0.3763, 0.1899], [0.2126, 0.7152, 0.0722], [0.0178, 0.1095, 0.8728]])
_TO_LAB = np.stack([116 * _TO_XYZ[1], 500 * (_TO_XYZ[0] - _TO_XYZ[1]), 200 * (_TO_XYZ[1] - _TO_XYZ[2])])


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotView:
    """A picture of the slot and its surroundings, upright on the card.

    Attributes
    ----------
    linear : ndarray of float32, shape (rows, columns, 3)
        Linear RGB, about 1 on the card's white, with the light's fall-off roughly divided out.
    px_per_mm : float
        Pixels per mm along both axes.
    origin_mm : ndarray, shape (2,)
        Where on the card the centre of the top left pixel lies.
    slot : Rect
        The slot on the card.
    printed : bool
        Whether the slot is one that the card has, with a ground of one colour; not merely room left on it.
    tip_mark_mm : tuple of float or None
        Where the card marks the end at which the dipped tip is to lie.
    to_lab : callable or None
        CIELAB (n, 3) of colours (n, 3) of the view at places (n, 2) on the card, where the photo's correction is known.
    """

    linear: Float32
    px_per_mm: float
    origin_mm: Float
    slot: Rect
    printed: bool = True
    tip_mark_mm: tuple[float, float] | None = None
    to_lab: Callable[[Float, Float], Float] | None = None

    def mm_to_view(self, points: Float) -> Float:
        """Carry points on the card, shape (..., 2), to pixels of the view."""
        result: Float = (np.asarray(points, dtype=np.float64) - self.origin_mm) * self.px_per_mm
        return result

    def view_to_mm(self, points: Float) -> Float:
        """Carry pixels of the view, shape (..., 2), to points on the card."""
        result: Float = np.asarray(points, dtype=np.float64) / self.px_per_mm + self.origin_mm
        return result


@dataclass(frozen=True, slots=True)
class Picture:
    """The view at the finder's own scale: cube roots of linear RGB, shape (rows, columns, 3).

    A point p [mm] on the card lies at ``p * scale + shift`` [px].
    """

    roots: Float32
    scale: Float
    shift: Float


def shrink_view(view: SlotView) -> Picture:
    """Return the view at no more than 4 px/mm, as cube roots."""
    factor = min(1.0, WORK_PX_PER_MM / view.px_per_mm)
    rows, columns = view.linear.shape[:2]
    size = (max(round(columns * factor), 1), max(round(rows * factor), 1))
    small = cv2.resize(view.linear, size, interpolation=cv2.INTER_AREA) if factor < 1 else view.linear
    known = np.clip(np.fmax(small, 0.0), 0.0, 8.0)  # of NaN and a number, fmax is the number
    roots = cv2.pow(known, 1 / 3)  # a tenth of the time of numpy's
    ratio = np.array([size[0] / columns, size[1] / rows])
    scale = view.px_per_mm * ratio
    return Picture(roots, scale, (0.5 - view.origin_mm * view.px_per_mm) * ratio - 0.5)


def lab_difference(roots: NDArray[Real]) -> NDArray[Real]:
    """Return differences of cube roots, shape (..., 3), as differences of L*, a*, b*, approximately."""
    if not roots.size:  # OpenCV knows no empty pictures; it takes a third of the time of numpy for so narrow a matrix
        return roots
    off: NDArray[Real] = cv2.transform(roots.reshape(1, -1, 3), _TO_LAB).reshape(roots.shape)
    return off


def lengths(vectors: NDArray[Real]) -> NDArray[Real]:
    """Return the lengths of vectors, shape (..., 3), by a matrix product: sums over so short an axis are slow."""
    result: NDArray[Real] = np.sqrt(vectors**2 @ np.ones(3, dtype=vectors.dtype))
    return result


def quantile(values: NDArray[Real], share: float = 0.5) -> NDArray[Real]:
    """Return the quantile over the first axis, by default the median; `numpy.quantile` is far slower for few."""
    ordered = np.sort(np.ascontiguousarray(values.T))
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    between: NDArray[Real] = ordered[..., low].T + (place - low) * (ordered[..., high] - ordered[..., low]).T
    return between


@dataclass(frozen=True, slots=True)
class Ribbon:
    """A straightened piece: columns run along ``direction``, rows along ``normal`` (a quarter turn clockwise from it).

    ``roots`` has shape (rows, columns, 3); ``along`` and ``across`` are the places of columns and rows from ``centre``
    [mm]; ``in_slot`` tells which pixels lie clear of the slot's border and within the view.
    """

    roots: Float32
    along: Float
    across: Float
    centre: Float
    direction: Float
    normal: Float
    in_slot: NDArray[np.bool_]

    def to_card(self, along: float, across: float) -> Float:
        """Carry a place on the ribbon to the card, both in mm."""
        result: Float = self.centre + along * self.direction + across * self.normal
        return result


def straighten_slot(picture: Picture, slot: Rect) -> Ribbon:
    """Return the whole slot along its longer sides."""
    half_length, half_width = max(slot.width, slot.height) / 2, min(slot.width, slot.height) / 2
    axis = np.array([1.0, 0.0]) if slot.width >= slot.height else np.array([0.0, 1.0])
    return straighten(
        picture, slot, centre=slot.centre, direction=axis, half_length_mm=half_length, half_width_mm=half_width
    )


def straighten(
    picture: Picture,
    slot: Rect,
    *,
    centre: Float,
    direction: Float,
    half_length_mm: float,
    half_width_mm: float,
    bow: float = 0.0,
) -> Ribbon:
    """Return the piece of the picture about ``centre`` along ``direction`` (unit vector), 4 px/mm.

    With a ``bow`` [1/mm] it follows a curve that lies ``bow`` x^2 off the straight line at x mm from the centre.
    """
    normal = np.array([-direction[1], direction[0]])
    columns, rows = round(half_length_mm / STEP_MM), round(half_width_mm / STEP_MM)
    along = _steps(columns)
    across = _steps(rows)
    step = STEP_MM * picture.scale
    corner = centre + along[0] * direction + across[0] * normal
    affine = np.stack([direction * step, normal * step, corner * picture.scale + picture.shift], axis=1)
    off = bow * along**2
    if np.abs(off).max() < _STRAIGHT_MM:
        off = np.zeros(1)
        roots = cv2.warpAffine(
            picture.roots,
            affine,
            (len(along), len(across)),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    else:
        x, y = np.arange(len(along)), np.arange(len(across))[:, None] + off / STEP_MM
        at_x, at_y = ((row[0] * x + row[1] * y + row[2]).astype(np.float32) for row in affine)
        roots = cv2.remap(picture.roots, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    clear = slot.grown(-_BORDER_MM)
    height, width = picture.roots.shape[:2]
    low = np.maximum(-picture.shift / picture.scale, [clear.x, clear.y])
    high = np.minimum(
        (np.array([width - 1, height - 1]) - picture.shift) / picture.scale,
        [clear.x + clear.width, clear.y + clear.height],
    )
    in_slot = np.ones((len(across), len(along)), dtype=bool)
    for axis in (0, 1):
        place = (along * direction[axis] + off * normal[axis]) + (centre[axis] + across * normal[axis])[:, None]
        in_slot &= (place >= low[axis]) & (place <= high[axis])
    return Ribbon(roots, along, across, centre, direction, normal, in_slot)


def _steps(count: int) -> Float:
    return np.arange(-count, count + 1, dtype=np.float64) * STEP_MM


_STRAIGHT_MM = 0.1  # from which a curve is followed
_BORDER_MM = 0.8  # a printed border and its blur in a coarse photo
