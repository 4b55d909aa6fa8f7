"""Conventions of place, stated once.

Arrays are ``[row, column]``; points are ``(x, y)``, x to the right and y down, and pixel centres are whole numbers: the
centre of the top left pixel is ``(0, 0)`` and its outer corner ``(-0.5, -0.5)``. Lengths on the card are in mm from its
top left corner.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Float", "Rect", "apply_homography", "scale_points"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rect:
    """An upright rectangle on the card, in mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def corners(self) -> Float:
        """Top left, top right, bottom right, bottom left, in mm; shape (4, 2)."""
        x, y, w, h = self.x, self.y, self.width, self.height
        return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], dtype=np.float64)

    @property
    def centre(self) -> Float:
        """The middle in mm, shape (2,)."""
        return np.array([self.x + self.width / 2, self.y + self.height / 2])

    def shrunk(self, share: float) -> "Rect":
        """Return the rectangle about the same centre with sides of ``share`` times the length."""
        w, h = self.width * share, self.height * share
        return Rect(self.x + (self.width - w) / 2, self.y + (self.height - h) / 2, w, h)

    def grown(self, margin: float) -> "Rect":
        """Return the rectangle with ``margin`` mm added on every side."""
        return Rect(self.x - margin, self.y - margin, self.width + 2 * margin, self.height + 2 * margin)


def apply_homography(homography: Float, points: Float) -> Float:
    """Map points of shape (..., 2) through a 3 x 3 homography."""
    points = np.asarray(points, dtype=np.float64)
    # One product of matrices: NumPy would make one a row of a larger stack.
    mapped = points.reshape(-1, 2) @ homography[:, :2].T + homography[:, 2]
    result: Float = (mapped[:, :2] / mapped[:, 2:]).reshape(points.shape)
    return result


def scale_points(points: Float, factor: float) -> Float:
    """Carry pixel points to a picture ``factor`` times as large; centres stay centres, hence the half pixels."""
    result: Float = (np.asarray(points, dtype=np.float64) + 0.5) * factor - 0.5
    return result
