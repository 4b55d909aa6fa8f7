"""Antialiased shapes on float pictures: OpenCV smooths edges only on 8-bit ones.

A shape is a run of pieces: a block of pixels with the share of each pixel that the shape covers. Inside a shape the
share is exactly 1, so that a painted colour stays exact.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["Image", "Piece", "add", "blend", "mask_pieces", "polygon_pieces", "quad_pieces", "shade"]

Image = NDArray[np.float32]

_TILE = 128  # px; small enough that tiles on an edge are few, large enough that the loop costs nothing
_FINE = 4  # samples per pixel and side where a shape is drawn finely and averaged
_FAR = 1 << 20  # px; keeps OpenCV's fixed-point coordinates from overflowing


@dataclass(frozen=True, slots=True)
class Piece:
    """A block of pixels and the share of each that is covered (None: all of every one)."""

    rows: slice
    columns: slice
    share: Image | None


def quad_pieces(quad: Float, size: tuple[int, int]) -> Iterator[Piece]:
    """Cover of a convex quadrilateral with corners in order, shape (4, 2), on a picture of (width, height).

    Each pair of opposite sides cuts a band; the share is the product of the two bands' box-filtered profiles. It is
    exact along straight sides, also for strokes thinner than a pixel, and near enough at corners.
    """
    window = _window(quad, size)
    if window is None:
        return
    sides = np.roll(quad, -1, axis=0) - quad
    if sides[0, 0] * sides[1, 1] - sides[0, 1] * sides[1, 0] < 0:  # the other way round: inside must be positive
        quad = quad[::-1]
        sides = np.roll(quad, -1, axis=0) - quad
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if lengths.min() < 1e-9:
        return
    normals = np.stack([-sides[:, 1], sides[:, 0]], axis=1) / lengths[:, None]
    offsets = -np.einsum("ij,ij->i", normals, quad)
    x0, y0, x1, y1 = window
    for top in range(y0, y1, _TILE):
        bottom = min(top + _TILE, y1)
        for left in range(x0, x1, _TILE):
            right = min(left + _TILE, x1)
            ends = np.array([[left, top], [right - 1, top], [left, bottom - 1], [right - 1, bottom - 1]], np.float64)
            distances = ends @ normals.T + offsets
            if (distances.max(axis=0) <= -0.5).any():
                continue
            rows, columns = slice(top, bottom), slice(left, right)
            if distances.min() >= 0.5:
                yield Piece(rows, columns, None)
                continue
            x, y = np.arange(left, right), np.arange(top, bottom)[:, None]
            depths = [
                np.minimum((n[0] * x + (n[1] * y + (d + 0.5))).astype(np.float32), 1.0)
                for n, d in zip(normals, offsets, strict=True)
            ]
            share = np.maximum(depths[0] + depths[2] - 1.0, 0.0) * np.maximum(depths[1] + depths[3] - 1.0, 0.0)
            yield Piece(rows, columns, share)


def polygon_pieces(polygon: Float, size: tuple[int, int]) -> Iterator[Piece]:
    """Cover of any polygon, shape (n, 2), on a picture of (width, height); drawn finely and averaged."""
    window = _window(polygon, size)
    if window is None:
        return
    x0, y0, x1, y1 = window
    fine = np.zeros(((y1 - y0) * _FINE, (x1 - x0) * _FINE), np.uint8)
    points = (polygon - (x0, y0) + 0.5) * _FINE - 0.5
    bits = 6
    cv2.fillPoly(fine, [np.clip(np.rint(points * (1 << bits)), -_FAR, _FAR).astype(np.int32)], 255, shift=bits)
    yield Piece(slice(y0, y1), slice(x0, x1), _average(fine))


def mask_pieces(mask: NDArray[np.uint8], to_picture: Float, size: tuple[int, int]) -> Iterator[Piece]:
    """Cover of a drawn mask (255: covered) that a homography carries from its outer edges' coordinates to the picture.

    ``to_picture`` maps (0, 0) to (columns, rows) of the mask, its outer corners, to picture points.
    """
    rows, columns = mask.shape
    outline = np.array([[0, 0, 1], [columns, 0, 1], [columns, rows, 1], [0, rows, 1]], np.float64) @ to_picture.T
    window = _window(outline[:, :2] / outline[:, 2:], size)
    if window is None:
        return
    x0, y0, x1, y1 = window
    centres = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    to_fine = np.array([[_FINE, 0, (0.5 - x0) * _FINE - 0.5], [0, _FINE, (0.5 - y0) * _FINE - 0.5], [0, 0, 1]])
    fine = cv2.warpPerspective(mask, to_fine @ to_picture @ centres, ((x1 - x0) * _FINE, (y1 - y0) * _FINE))
    yield Piece(slice(y0, y1), slice(x0, x1), _average(np.asarray(fine, np.uint8)))


def blend(layers: Image, pieces: Iterable[Piece], colours: Float) -> None:
    """Paint a shape onto pictures of shape (lights, rows, columns, 3), each in its colour of shape (lights, 3)."""
    paints = np.asarray(colours, np.float32)
    for piece in pieces:
        for layer, paint in zip(layers, paints, strict=True):
            part = layer[piece.rows, piece.columns]
            if piece.share is None:
                part[...] = paint
                continue
            for channel in range(3):
                plane = part[..., channel]
                plane += piece.share * (paint[channel] - plane)


def add(layers: Image, pieces: Iterable[Piece], colours: Float) -> None:
    """Add light to a shape; as `blend`, but what was there stays."""
    paints = np.asarray(colours, np.float32)
    for piece in pieces:
        share = np.float32(1.0) if piece.share is None else piece.share
        for layer, paint in zip(layers, paints, strict=True):
            for channel in range(3):
                layer[piece.rows, piece.columns, channel] += share * paint[channel]


def shade(layers: Image, pieces: Iterable[Piece], darkness: float) -> None:
    """Take a share of the light from a shape."""
    for piece in pieces:
        kept = 1.0 - np.float32(darkness) * (np.float32(1.0) if piece.share is None else piece.share)
        for layer in layers:
            for channel in range(3):
                layer[piece.rows, piece.columns, channel] *= kept


def _window(points: Float, size: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """Return the block of pixels (left, top, right, bottom; ends left out) that the points may touch, if any."""
    if not np.isfinite(points).all():
        return None
    width, height = size
    low, high = np.floor(points.min(axis=0) - 0.5), np.ceil(points.max(axis=0) + 0.5) + 1
    x0, y0 = max(0, int(low[0])), max(0, int(low[1]))
    x1, y1 = min(width, int(high[0])), min(height, int(high[1]))
    return (x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None


def _average(fine: NDArray[np.uint8]) -> Image:
    rows, columns = fine.shape
    share = cv2.resize(fine, (columns // _FINE, rows // _FINE), interpolation=cv2.INTER_AREA)
    return np.asarray(share, np.float32) / np.float32(255.0)
