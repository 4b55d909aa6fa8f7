"""How a lens bends the picture, as far as phones leave it: radial distortion, and colours of unlike size."""

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks import Trait
from stripread.simulate.paint import Image

__all__ = ["bend_through_lens", "seen_through_lens"]

_NODE_PX = 16  # between the nodes of the map; straight lines between them


def _coefficients(trait: Trait) -> tuple[Float, Float] | None:
    """Return radial k1 and magnification of each channel, as phones leave them; None where nothing is left.

    A point at radius r (1 in the corner) shows at r (1 + k1 r^2), times the magnification.
    """
    if trait.family in ("barrel", "pincushion"):
        k = trait.between(0.0005, 0.004)
        return np.full(3, -k if trait.family == "barrel" else k), np.ones(3)
    if trait.family == "lateral colour":
        spread = trait.between(0.0002, 0.001)
        return np.zeros(3), 1 + spread * np.array([1.0, 0.0, -float(trait.rng.uniform(0.5, 1.2))])
    return None


def seen_through_lens(trait: Trait, points_px: Float, size_px: tuple[int, int]) -> Float:
    """Return where points of the straight picture, shape (..., 2), show in the bent one (in its green)."""
    known = _coefficients(trait)
    if known is None:
        return points_px
    middle = (np.array(size_px) - 1) / 2
    away = (points_px - middle) / float(np.hypot(*middle))
    squared = np.sum(away**2, axis=-1, keepdims=True)
    bent: Float = middle + (points_px - middle) * known[1][1] * (1 + known[0][1] * squared)
    return bent


def bend_through_lens(trait: Trait, picture: Image) -> Image:
    """Return the picture bent, shape (rows, columns, 3)."""
    known = _coefficients(trait)
    if known is None:
        return picture
    rows, columns = picture.shape[:2]
    middle = (np.array([columns, rows]) - 1) / 2
    x = np.arange(-(-columns // _NODE_PX)) * _NODE_PX + (_NODE_PX - 1) / 2
    y = np.arange(-(-rows // _NODE_PX)) * _NODE_PX + (_NODE_PX - 1) / 2
    nodes = (np.stack(np.meshgrid(x, y), axis=-1) - middle) / float(np.hypot(*middle))
    planes: list[Image] = []
    for k1, size in zip(*known, strict=True):
        squared = np.sum(nodes**2, axis=-1, keepdims=True)
        for _ in range(4):  # solve r' = size r (1 + k1 r^2) for r; each round gains a factor of k1
            straight = nodes / (size * (1 + k1 * squared))
            squared = np.sum(straight**2, axis=-1, keepdims=True)
        source = (middle + straight * float(np.hypot(*middle))).astype(np.float32)
        full = cv2.resize(source, (source.shape[1] * _NODE_PX, source.shape[0] * _NODE_PX))
        plane = np.ascontiguousarray(picture[..., len(planes)])
        planes.append(cv2.remap(plane, full[:rows, :columns], None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE))
    return np.asarray(cv2.merge(planes), np.float32)
