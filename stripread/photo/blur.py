"""How blurred a photo is, from edges whose places are known."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stripread.geometry import Float, apply_homography
from stripread.photo.photo import Photo

__all__ = ["Blur", "measure_blur"]

_SEGMENTS, _ALONG, _ACROSS = 3, 8, 41


@dataclass(frozen=True, slots=True)
class Blur:
    """Standard deviation of the blur across edges that run down and along the card: full-size pixels and mm."""

    px: tuple[float, float]
    mm: tuple[float, float]

    @property
    def worst_px(self) -> float:
        """The larger of the two, in full-size pixels."""
        return max(self.px)

    @property
    def worst_mm(self) -> float:
        """The larger of the two, in mm on the card."""
        return max(self.mm)


def measure_blur(photo: Photo, homography: Float, squares_mm: Sequence[Float]) -> Blur | None:
    """Return the blur of the picture, from the sides of dark squares on white; None if no side shows a step.

    The light across each third of a side goes from dark to bright; a Gaussian blur of standard deviation s takes
    1.683 s from a fifth of the way to four fifths. An even movement by d gives s = d / sqrt(12), nearly. The median
    over the sides is taken, for those that run down the card and those that run along it, each.
    """
    if not squares_mm:
        return None
    start = np.concatenate(squares_mm)
    side = np.concatenate([np.roll(s, -1, axis=0) - s for s in squares_mm])
    middle = np.repeat([s.mean(axis=0) for s in squares_mm], [len(s) for s in squares_mm], axis=0)
    length = np.linalg.norm(side, axis=1, keepdims=True)
    normal = np.stack([side[:, 1], -side[:, 0]], axis=1) / length
    outwards = np.sign(((start + side / 2 - middle) * normal).sum(axis=1, keepdims=True))
    normal *= np.where(outwards == 0, 1, outwards)
    reach = length / 7  # about a module, which stays dark inside and white outside
    share = np.linspace(0.08, 0.92, _SEGMENTS * _ALONG)
    across = np.linspace(-1, 1, _ACROSS)
    points = (start[:, None] + share[None, :, None] * side[:, None])[:, :, None] + (
        across[None, None, :, None] * (reach * normal)[:, None, None]
    )
    full = apply_homography(homography, points)
    px = photo.from_full(full).astype(np.float32)
    seen = cv2.remap(
        photo.pixels,  # all channels: a copy of one would take longer
        px[..., 0].reshape(-1, _ACROSS),
        px[..., 1].reshape(-1, _ACROSS),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = photo.decode_table[:, 1][seen[..., 1]].reshape(len(start), _SEGMENTS, _ALONG, _ACROSS).mean(axis=2)
    px_per_mm = np.linalg.norm(full[:, :, -1] - full[:, :, 0], axis=-1).mean(axis=1) / (2 * reach[:, 0])
    ends = _ACROSS // 6
    low, high = np.median(light[..., :ends], axis=-1), np.median(light[..., -ends:], axis=-1)
    widths: tuple[list[float], list[float]] = ([], [])
    pixels: tuple[list[float], list[float]] = ([], [])
    for k, s in np.argwhere(high - low > 0.3 * high):
        profile = np.maximum.accumulate((light[k, s] - low[k, s]) / (high[k, s] - low[k, s]))
        rise = np.interp([0.2, 0.8], profile + 1e-9 * np.arange(_ACROSS), across * reach[k, 0])
        sigma = float(rise[1] - rise[0]) / 1.683
        runs = 0 if abs(normal[k, 0]) > abs(normal[k, 1]) else 1
        widths[runs].append(sigma)
        pixels[runs].append(sigma * float(px_per_mm[k]))
    if not widths[0] or not widths[1]:
        return None
    return Blur(
        px=(float(np.median(pixels[0])), float(np.median(pixels[1]))),
        mm=(float(np.median(widths[0])), float(np.median(widths[1]))),
    )
