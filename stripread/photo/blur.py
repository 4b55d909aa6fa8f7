"""How blurred a photo is, from edges whose places are known."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stripread.geometry import Float
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
    along_mm = start[:, None] + share[:, None] * side[:, None]
    across_mm = across[:, None] * (reach * normal)[:, None]
    # Side, place along it, place across: both ways are carried through the homography apart and added up, which is
    # quicker than to carry each point.
    x, y, depth = (
        (along_mm @ row[:2] + row[2])[:, :, None] + (across_mm @ row[:2])[:, None]
        for row in photo.from_full_matrix @ homography
    )
    x, y = x / depth, y / depth
    flat = (-1, _ACROSS)
    seen = cv2.remap(
        photo.pixels,  # all channels: a copy of one would take longer
        x.astype(np.float32).reshape(flat),
        y.astype(np.float32).reshape(flat),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = np.take(np.ascontiguousarray(photo.decode_table[:, 1]), seen[..., 1])
    light = light.reshape(len(start), _SEGMENTS, _ALONG, _ACROSS).mean(axis=2)
    span_px = photo.reduction * np.hypot(x[..., -1] - x[..., 0], y[..., -1] - y[..., 0])
    px_per_mm = span_px.mean(axis=1) / (2 * reach[:, 0])
    ends = _ACROSS // 6
    low, high = np.median(np.stack([light[..., :ends], light[..., -ends:]]), axis=-1)
    steps = high - low > 0.3 * high
    if not steps.any():
        return None
    side_of, _ = np.nonzero(steps)
    profile = (light[steps] - low[steps, None]) / (high - low)[steps, None]
    profile = np.maximum.accumulate(profile, axis=1) + 1e-9 * np.arange(_ACROSS)
    sigma = (_crossing(profile, 0.8) - _crossing(profile, 0.2)) * 2 / (_ACROSS - 1) * reach[side_of, 0] / 1.683
    down = (np.abs(normal[:, 0]) > np.abs(normal[:, 1]))[side_of]
    if down.all() or not down.any():
        return None
    both = np.stack([sigma * px_per_mm[side_of], sigma])
    (down_px, down_mm), (along_px, along_mm) = (np.median(both[:, one], axis=1).tolist() for one in (down, ~down))
    return Blur(px=(down_px, along_px), mm=(down_mm, along_mm))


def _crossing(profiles: Float, level: float) -> Float:
    """Where each of the rising profiles (n, samples) reaches a level, in samples; its end where it never does."""
    last = profiles.shape[1] - 1
    after = np.clip((profiles <= level).sum(axis=1), 1, last)
    row = np.arange(len(profiles))
    low, high = profiles[row, after - 1], profiles[row, after]
    return np.asarray(after - 1 + np.clip((level - low) / (high - low), 0.0, 1.0), dtype=np.float64)
