"""The photo as every later step sees it: upright pixels, and the way from their codes to linear light."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float, scale_points

__all__ = ["Photo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright photo, possibly decoded at a reduced size.

    Attributes
    ----------
    pixels : ndarray of uint8 or uint16, shape (rows, columns, 3)
        Codes as stored, red green blue, upright.
    reduction : int
        Full-size pixels per pixel of ``pixels`` along a side: 1, 2 or 4.
    full_size : tuple of int
        Width and height of the upright photo at full size. [px]
    decode_table : ndarray of float32, shape (codes, 3)
        Linear light of each code and channel, 0 to 1, by the embedded profile's curves (sRGB's where there is none).
    to_srgb : ndarray, shape (3, 3)
        From the profile's linear RGB to linear sRGB.
    taken_at : datetime or None
        From EXIF, with its zone where EXIF has one.
    camera : str or None
        EXIF make and model.
    code_steps : tuple of float
        Steps in which a JPEG keeps an area's mean brightness and mean colour differences, in codes; 0 in other formats.
    """

    name: str
    sha256: str
    format: str
    pixels: NDArray[Any]
    reduction: int
    full_size: tuple[int, int]
    decode_table: NDArray[np.float32]
    to_srgb: Float
    taken_at: datetime | None
    camera: str | None
    code_steps: tuple[float, float] = (0.0, 0.0)

    def linear(self, rows: slice, columns: slice) -> NDArray[np.float32]:
        """Linear light of a part of ``pixels``, in sRGB's primaries, 0 to 1 (beyond where the profile is wider)."""
        codes = self.pixels[rows, columns]
        if codes.dtype == np.uint8 and codes.size:
            table = np.ascontiguousarray(self.decode_table)
            light = np.asarray(cv2.LUT(codes, table.reshape(1, 256, 3)), dtype=np.float32)
        else:
            light = np.stack([np.take(self.decode_table[:, c], codes[..., c]) for c in range(3)], axis=-1)
        if np.array_equal(self.to_srgb, np.eye(3)):
            return light
        mixed: NDArray[np.float32] = light @ self.to_srgb.T.astype(np.float32)
        return mixed

    def to_full(self, points: Float) -> Float:
        """Carry points of ``pixels`` to the full-size upright photo."""
        return scale_points(points, float(self.reduction))

    def from_full(self, points: Float) -> Float:
        """Carry points of the full-size upright photo to ``pixels``."""
        return scale_points(points, 1.0 / self.reduction)

    @property
    def from_full_matrix(self) -> Float:
        """The same as a homography, shape (3, 3)."""
        k = 1.0 / self.reduction
        return np.array([[k, 0.0, 0.5 * k - 0.5], [0.0, k, 0.5 * k - 0.5], [0.0, 0.0, 1.0]])
