"""Benches and desks: photographs that scikit-image ships inside its wheel (no download), and drawn patterns."""

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image as PillowImage

from stripread.simulate.looks.bench_patterns import PATTERNS
from stripread.simulate.looks.families import Trait
from stripread.simulate.scene.artwork import Easel
from stripread.simulate.scene.paint import Image

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
_DRAWN_MM = {
    "boards": (300, 700), "wet steel": (200, 500), "gingham": (80, 250), "newsprint": (150, 350), "leaves": (200, 500)
}  # fmt: skip


@lru_cache(maxsize=2)
def _texture(family: str) -> Image:
    """Return a photograph or pattern in linear light, mirrored to a tile without seams; shape (rows, columns, 3)."""
    half = PATTERNS[family](np.random.default_rng(31)) if family in PATTERNS else _photograph(_PHOTOS[family][0])
    return np.ascontiguousarray(np.vstack([np.hstack([half, half[:, ::-1]]), np.hstack([half, half[:, ::-1]])[::-1]]))


def _photograph(name: str) -> Image:
    import skimage

    with PillowImage.open(Path(skimage.__file__).parent / "data" / name) as photograph:
        codes = np.asarray(photograph.convert("RGB"), np.float32)
    return np.asarray((codes / np.float32(255)) ** np.float32(2.2), np.float32)


def paint_bench_photo(easel: Easel, trait: Trait) -> None:
    """Fill the picture with a photograph that lies on the bench, repeated in mirrored tiles.

    A pixel of it reflects as much of each of the camera's channels as its linear sRGB values say, by a tint: some of
    the photographs are grey.
    """
    rng = trait.rng
    tile = _texture(trait.family)
    rows, columns = tile.shape[:2]
    sizes = _DRAWN_MM.get(trait.family) or _PHOTOS[trait.family][1]
    span = float(rng.uniform(*sizes))
    scale = 2 * span / max(rows, columns)  # mm a pixel
    angle = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    shift = np.array([[scale, 0, float(rng.uniform(-300, 300))], [0, scale, float(rng.uniform(-300, 300))], [0, 0, 1]])
    to_tile = np.linalg.inv(turn @ shift) @ easel.to_card
    per_px = 1 / (scale * easel.px_per_mm(np.array([95.0, 65.0])))  # tile pixels per picture pixel
    if per_px > 1:
        tile = np.asarray(cv2.GaussianBlur(tile, (0, 0), 0.5 * per_px), np.float32)
    tint = 0.03 if trait.family in PATTERNS else 0.1
    gain = np.float32(trait.between(0.6, 1.1)) * rng.normal(1, tint, 3).clip(0.7, 1.3).astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(tile, to_tile, easel.size, flags=flags, borderMode=cv2.BORDER_WRAP)
    for layer, paint in zip(easel.layers, easel.paints["paper"], strict=True):
        np.multiply(seen, gain * paint.astype(np.float32), out=layer)
