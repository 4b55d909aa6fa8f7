"""Benches and desks from the photographs that scikit-image ships inside its wheel (no download)."""

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image as PillowImage

from stripread.simulate.artwork import Easel
from stripread.simulate.looks import Trait
from stripread.simulate.paint import Image

__all__ = ["paint_bench_photo"]

# File in scikit-image's wheel, and how many mm its longer side spans, at least and at most.
_PHOTOS: dict[str, tuple[str, tuple[float, float]]] = {
    "brick": ("brick.png", (120, 500)),
    "coffee": ("coffee.png", (250, 700)),
    "page": ("page.png", (120, 350)),
    "rocket": ("rocket.jpg", (200, 700)),
    "gravel": ("gravel.png", (100, 400)),
    "grass": ("grass.png", (100, 400)),
    "motorcycle": ("motorcycle_left.png", (300, 900)),
    "coins": ("coins.png", (100, 300)),
    "cells": ("ihc.png", (100, 400)),
}


@lru_cache(maxsize=2)
def _texture(family: str) -> Image:
    """Return a photograph as linear light 0 to 1, mirrored to a tile without seams; shape (rows, columns, 3)."""
    import skimage

    path = Path(skimage.__file__).parent / "data" / _PHOTOS[family][0]
    with PillowImage.open(path) as photograph:
        codes = np.asarray(photograph.convert("RGB"), np.float32)
    half: Image = (codes / np.float32(255)) ** np.float32(2.2)
    return np.ascontiguousarray(np.vstack([np.hstack([half, half[:, ::-1]]), np.hstack([half, half[:, ::-1]])[::-1]]))


def paint_bench_photo(easel: Easel, trait: Trait) -> None:
    """Fill the picture with a photograph that lies on the bench, repeated in mirrored tiles.

    A pixel of it reflects as much of each of the camera's channels as its linear sRGB values say, by a tint: some of
    the photographs are grey.
    """
    rng = trait.rng
    tile = _texture(trait.family)
    rows, columns = tile.shape[:2]
    span = float(rng.uniform(*_PHOTOS[trait.family][1]))
    scale = 2 * span / max(rows, columns)  # mm a pixel
    angle = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    shift = np.array([[scale, 0, float(rng.uniform(-300, 300))], [0, scale, float(rng.uniform(-300, 300))], [0, 0, 1]])
    to_tile = np.linalg.inv(turn @ shift) @ easel.to_card
    per_px = 1 / (scale * easel.px_per_mm(np.array([95.0, 65.0])))  # tile pixels per picture pixel
    if per_px > 1:
        tile = np.asarray(cv2.GaussianBlur(tile, (0, 0), 0.5 * per_px), np.float32)
    gain = np.float32(trait.between(0.6, 1.1)) * rng.normal(1, 0.1, 3).clip(0.7, 1.3).astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(tile, to_tile, easel.size, flags=flags, borderMode=cv2.BORDER_WRAP)
    for layer, paint in zip(easel.layers, easel.paints["paper"], strict=True):
        np.multiply(seen, gain * paint.astype(np.float32), out=layer)
