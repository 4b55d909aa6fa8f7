"""A strip painted flat in its own mm, finer than the picture shows it, and then laid into the picture.

The plain strip is a few polygons (`stripread.simulate.scene.strip`); plastic with a texture, prints, bled dye and soft
shadows need pixels.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from stripread.geometry import Float, apply_homography
from stripread.simulate.scene.artwork import Easel
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import Materials, StripGeometry

__all__ = ["StripCanvas", "lay_canvas", "new_canvas", "smooth_noise"]

_MARGIN_MM = 7.0  # around the strip: shadows, dirt, drops
_FINER = 1.5  # canvas pixels per picture pixel
_SAMPLES = 2  # per pixel and side when it is laid


@dataclass(frozen=True, slots=True, kw_only=True)
class StripCanvas:
    """What is painted, in place; row and column grow with across and along.

    Attributes
    ----------
    layers : ndarray (groups, rows, columns, 3)
        Colour under each group of lights.
    cover : ndarray (rows, columns)
        Share of the ground that is hidden.
    ground : ndarray (rows, columns)
        What the ground's light is multiplied by, under and beside the strip.
    along, across : ndarray (rows, columns)
        Place on the strip: from the dipped tip, from the long edge. [mm]
    light : ndarray (2,)
        Direction into which the light from the card's upper left throws shadows, on the strip.
    """

    kind: StripGeometry
    layers: Image
    cover: Image
    ground: Image
    along: Image
    across: Image
    scale: float
    light: Float
    paints: Materials

    def inside(self, depth_mm: Image, *, soft_mm: float = 0.0) -> Image:
        """Return the share of each pixel inside a shape from the signed depth in it."""
        width = max(soft_mm, 1.0 / self.scale)
        return np.asarray(np.clip(depth_mm / np.float32(width) + np.float32(0.5), 0.0, 1.0), np.float32)

    def near(self, place: Float, reach_mm: float) -> tuple[slice, slice]:
        """Return the rows and columns within reach of a place (along, across)."""
        x, y = ((place - (self.along[0, 0], self.across[0, 0])) * self.scale).tolist()
        reach = reach_mm * self.scale
        rows, columns = ((max(int(v - reach), 0), max(int(v + reach) + 2, 0)) for v in (y, x))
        return slice(*rows), slice(*columns)

    def mix(self, share: Image, material: str) -> None:
        """Paint a material, so much of it at each place."""
        for layer, paint in zip(self.layers, self.paints[material], strict=True):
            layer += share[..., None] * (paint.astype(np.float32) - layer)

    def add(self, share: Image, material: str) -> None:
        """Add a material's light, so much of it at each place."""
        for layer, paint in zip(self.layers, self.paints[material], strict=True):
            layer += share[..., None] * paint.astype(np.float32)

    def gain(self, factor: Image) -> None:
        """Multiply what is painted."""
        self.layers[...] *= factor[None, :, :, None]

    def noise(self, rng: np.random.Generator, cell_mm: tuple[float, float]) -> Image:
        """Return smooth noise, mean 0, standard deviation 1, with cells of a size along and across."""
        return smooth_noise(rng, self.cover.shape, (cell_mm[1] * self.scale, cell_mm[0] * self.scale))


def smooth_noise(rng: np.random.Generator, shape: tuple[int, ...], cell_px: tuple[float, float]) -> Image:
    """Return noise of mean 0 and standard deviation 1 with cells of (rows, columns) pixels."""
    rows, columns = (max(2, round(n / max(c, 1.0))) + 3 for n, c in zip(shape[:2], cell_px, strict=True))
    coarse = rng.standard_normal((rows, columns)).astype(np.float32)
    size = (round(columns * max(cell_px[1], 1.0)) + 1, round(rows * max(cell_px[0], 1.0)) + 1)
    full = cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)
    full = cv2.resize(full, (max(size[0], shape[1]), max(size[1], shape[0])))[: shape[0], : shape[1]]
    return np.asarray((full - full.mean()) / max(float(full.std()), 1e-6), np.float32)


def new_canvas(easel: Easel, kind: StripGeometry, to_card: Float, *, plastic: str = "plastic") -> StripCanvas:
    """Return an empty canvas for a strip that ``to_card`` (3, 3) carries onto the card."""
    middle = apply_homography(to_card, np.array([kind.length_mm, kind.width_mm]) / 2)
    scale = float(np.clip(_FINER * easel.px_per_mm(middle), 6.0, 24.0))
    columns, rows = (int(np.ceil((n + 2 * _MARGIN_MM) * scale)) for n in (kind.length_mm, kind.width_mm))
    x = ((np.arange(columns) + 0.5) / scale - _MARGIN_MM).astype(np.float32)
    y = ((np.arange(rows) + 0.5) / scale - _MARGIN_MM).astype(np.float32)
    along, across = np.meshgrid(x, y)
    paint = np.asarray(easel.paints[plastic], np.float32)
    return StripCanvas(
        kind=kind,
        layers=np.ascontiguousarray(np.broadcast_to(paint[:, None, None, :], (len(paint), rows, columns, 3))),
        cover=np.zeros((rows, columns), np.float32),
        ground=np.ones((rows, columns), np.float32),
        along=along,
        across=across,
        scale=scale,
        light=np.linalg.inv(to_card[:2, :2]) @ np.array([0.6, 0.8]),
        paints=easel.paints,
    )


def lay_canvas(easel: Easel, canvas: StripCanvas, to_card: Float, sag_mm: Image | None = None) -> None:
    """Lay a canvas into the picture; ``sag_mm`` (columns,) moves each column across by so much."""
    # The outermost pixels count for all that is beyond them.
    planes = [
        canvas.cover,
        canvas.ground - 1,
        *(c for g in canvas.layers for c in cv2.split(g * canvas.cover[..., None])),
    ]
    if sag_mm is not None:
        rows, columns = canvas.cover.shape
        x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
        y -= (sag_mm * np.float32(canvas.scale))[None, :]
        planes = [cv2.remap(p, x, y, cv2.INTER_LINEAR, borderValue=0.0) for p in planes]
    to_strip = np.array(
        [
            [1 / canvas.scale, 0, 0.5 / canvas.scale - _MARGIN_MM],
            [0, 1 / canvas.scale, 0.5 / canvas.scale - _MARGIN_MM],
            [0, 0, 1],
        ]
    )
    to_picture = easel.homography @ to_card @ to_strip
    rows, columns = canvas.cover.shape
    outline = apply_homography(to_picture, np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float64))
    low = np.maximum(np.floor(outline.min(axis=0)) - 1, 0).astype(int)
    high = np.minimum(np.ceil(outline.max(axis=0)) + 2, easel.size).astype(int)
    if (high <= low).any():
        return
    width, height = (high - low).tolist()
    k = float(_SAMPLES)
    fine = np.array([[k, 0, (0.5 - low[0]) * k - 0.5], [0, k, (0.5 - low[1]) * k - 0.5], [0, 0, 1]]) @ to_picture
    laid = [
        cv2.resize(
            cv2.warpPerspective(p, fine, (width * _SAMPLES, height * _SAMPLES), flags=cv2.INTER_LINEAR),
            (width, height),
            interpolation=cv2.INTER_AREA,
        )
        for p in planes
    ]
    kept = (1 - laid[0]) * (1 + laid[1])
    block = easel.layers[:, low[1] : high[1], low[0] : high[0]]
    for group, layer in enumerate(block):
        for channel in range(3):
            layer[..., channel] *= kept
            layer[..., channel] += laid[2 + 3 * group + channel]
