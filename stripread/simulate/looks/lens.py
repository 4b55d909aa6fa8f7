"""What a lens does to the picture, as far as phones leave it: how it bends it, blurs its corners and strays light.

A shutter that rolls from the first row to the last bends it as well.
"""

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.scene.paint import Image

__all__ = ["bend_through_lens", "light_through_lens", "seen_through_lens"]

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


def _rolled_px(trait: Trait, rows: Float, height_px: int) -> Float:
    """Return how far each row is moved sideways by a hand that moves, and shakes, while the shutter rolls. [px]."""
    rng = trait.rng
    middle = (height_px - 1) / 2
    slope = trait.between(0.002, 0.01) * float(rng.choice([-1, 1]))
    waves, phase = float(rng.uniform(0.5, 1.5)), float(rng.uniform(0, 2 * np.pi))
    shake = trait.between(0.0002, 0.001) * height_px * np.sin(2 * np.pi * waves * rows / height_px + phase)
    moved: Float = slope * (rows - middle) + shake
    return moved


def seen_through_lens(trait: Trait, points_px: Float, size_px: tuple[int, int]) -> Float:
    """Return where points of the straight picture, shape (..., 2), show in the bent one (in its green)."""
    if trait.family == "rolling shutter":
        moved = np.array(points_px, np.float64)
        moved[..., 0] += _rolled_px(trait, moved[..., 1], size_px[1])
        return moved
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
    rows, columns = picture.shape[:2]
    if trait.family == "rolling shutter":
        moved = _rolled_px(trait, np.arange(rows, dtype=np.float64), rows)
        at = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).astype(np.float32)
        at[..., 0] -= moved.astype(np.float32)[:, None]
        return np.asarray(cv2.remap(picture, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32)
    known = _coefficients(trait)
    if known is None:
        return picture
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


def light_through_lens(trait: Trait, raw: Image, keep_clear_px: Float) -> Image:
    """Return the sensor's linear picture with what the lens adds or the phone leaves of its corrections.

    Ghosts of lamps stay away from the points ``keep_clear_px``, shape (n, 2).
    """
    if trait.family == "flare ghosts":
        return _add_ghosts(trait, raw, keep_clear_px)
    if trait.family == "field curvature":
        return _blur_outwards(trait, raw)
    if trait.family == "greasy lens":
        # Grease in streaks smears what is bright across them.
        reach = 2 * round(0.02 * max(raw.shape[:2])) + 1
        kernel = np.zeros((reach, reach), np.float32)
        angle, half = float(trait.rng.uniform(0, np.pi)), reach // 2
        step = np.rint(0.95 * half * np.array([np.cos(angle), np.sin(angle)])).astype(int)
        cv2.line(kernel, (half - int(step[0]), half - int(step[1])), (half + int(step[0]), half + int(step[1])), 1.0, 1)
        smeared = cv2.filter2D(raw, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
        share = np.float32(trait.between(0.03, 0.1))
        return np.asarray((1 - share) * raw + share * smeared, np.float32)
    if trait.family == "veiling glare":
        haze = raw.mean(axis=(0, 1)) * np.float32(trait.between(0.005, 0.03))
        return np.asarray(raw + haze, np.float32)
    if trait.family not in ("vignetting", "colour shading"):
        return raw
    rows, columns = raw.shape[:2]
    x = (np.arange(columns, dtype=np.float32) - (columns - 1) / 2) ** 2
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2) ** 2
    squared = (x[None, :] + y[:, None]) / np.float32((columns**2 + rows**2) / 4)  # 1 in the corners
    if trait.family == "vignetting":
        # The lens takes up to 60 % in the corners, by a fourth power of a cosine; the phone gives most of it back.
        lost = trait.between(0.25, 0.6)
        true = (1 + squared * ((1 - lost) ** -0.5 - 1)) ** -2
        given = (1 + squared * ((1 - lost * trait.rng.uniform(0.75, 1.1)) ** -0.5 - 1)) ** -2
        return np.asarray(raw * (true / given)[..., None], np.float32)
    tint = trait.between(0.01, 0.04) * trait.rng.choice([-1, 1], 3) * np.array([1.0, 0.3, 0.8])
    return np.asarray(raw * (1 + squared[..., None] * tint.astype(np.float32)), np.float32)


def _add_ghosts(trait: Trait, raw: Image, keep_clear_px: Float) -> Image:
    """Add discs of light that mirrors between the lenses: on a line through the middle, each of its own tint."""
    rng = trait.rng
    rows, columns = raw.shape[:2]
    wide = max(rows, columns)
    picture = raw.copy()
    angle = float(rng.uniform(0, np.pi))
    line = np.array([np.cos(angle), np.sin(angle)])
    y, x = np.ogrid[0:rows, 0:columns]
    for _ in range(int(trait.between(4, 8))):
        radius = wide * float(rng.uniform(0.015, 0.04))
        along = float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.55))
        middle = np.array([columns, rows]) / 2 + wide * (along * line + rng.normal(0, 0.01, 2))
        tint = rng.uniform(0.3, 1.0, 3) * trait.between(0.015, 0.05)
        if len(keep_clear_px) and np.hypot(*(keep_clear_px - middle).T).min() < 1.5 * radius:
            continue
        away = np.hypot(x - middle[0], y - middle[1]) / radius
        disc = np.clip((1 - away) / 0.08, 0, 1) * (0.6 + 0.4 * np.clip(away, 0, 1) ** 4)
        picture += (disc[..., None] * tint).astype(np.float32)
    return picture


def _blur_outwards(trait: Trait, raw: Image) -> Image:
    """Blur the picture the more the further out, where the field of sharpness curves away from the card."""
    rows, columns = raw.shape[:2]
    x = (np.arange(columns, dtype=np.float32) - (columns - 1) / 2) ** 2
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2) ** 2
    squared = (x[None, :] + y[:, None]) / np.float32((columns**2 + rows**2) / 4)
    sigma = trait.between(1.0, 3.0) * max(rows, columns) / 2000
    # Two blurs, half and whole, and shares of them by place: near enough to a blur that grows smoothly.
    half, whole = (cv2.GaussianBlur(raw, (0, 0), s) for s in (sigma / 2, sigma))
    level = 2 * np.clip(squared, 0, 1)[..., None]
    inner, outer = np.clip(level, 0, 1), np.clip(level - 1, 0, 1)
    blurred: Image = raw + inner * (half - raw)
    return np.asarray(blurred + outer * (whole - blurred), np.float32)
