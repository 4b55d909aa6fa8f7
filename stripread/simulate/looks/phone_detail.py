"""What phones do to a picture's detail, and how they store it: denoising, halos, frames laid together, files."""

from collections.abc import Callable

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.scene.paint import Image

__all__ = ["change_detail"]

_TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], np.float32)
_FROM_YCC = np.linalg.inv(_TO_YCC).astype(np.float32)


def change_detail(trait: Trait, codes: Image, card_px: Float) -> Image:
    """Return the picture after the phone's denoising, merging or blurring; ``card_px`` (4, 2) is the card's outline."""
    wide = max(codes.shape[:2]) / 2000.0  # effects are as large in the picture at any number of pixels
    rng = trait.rng
    if trait.family == "chroma denoising":
        ycc = codes @ _TO_YCC.T
        for channel in (1, 2):
            plane = np.ascontiguousarray(ycc[..., channel])
            calm = cv2.bilateralFilter(plane, 0, float(trait.between(0.02, 0.06)), 1.5 * wide)
            calm = cv2.GaussianBlur(calm, (0, 0), trait.between(0.8, 3.0) * wide)
            ycc[..., channel] = calm
        return np.asarray(np.clip(ycc @ _FROM_YCC.T, 0, 1), np.float32)
    if trait.family == "halos":
        radius, amount = trait.between(1.5, 4.0) * wide, trait.between(0.2, 0.6)
        soft = cv2.GaussianBlur(codes, (0, 0), radius)
        return np.asarray(np.clip(cv2.addWeighted(codes, 1 + amount, soft, -amount, 0), 0, 1), np.float32)
    if trait.family == "smearing":
        calm = cv2.bilateralFilter(codes, 0, float(trait.between(0.03, 0.09)), trait.between(1.5, 3.0) * wide)
        share = np.float32(trait.between(0.5, 1.0))
        return np.asarray((1 - share) * codes + share * calm, np.float32)
    if trait.family == "blended frames":
        angle, far = float(rng.uniform(0, 2 * np.pi)), trait.between(0.7, 3.0) * wide
        turn = float(rng.normal(0, 0.0004))
        move = np.array([[1, -turn, far * np.cos(angle)], [turn, 1, far * np.sin(angle)]])
        rows, columns = codes.shape[:2]
        other = cv2.warpAffine(codes, move, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        share = np.float32(trait.between(0.15, 0.45))
        return np.asarray((1 - share) * codes + share * other, np.float32)
    if trait.family == "portrait blur":
        return _blur_around(trait, codes, card_px, wide)
    if trait.family == "enlarged":
        rows, columns = codes.shape[:2]
        small = trait.between(0.85, 0.6)
        less = cv2.resize(codes, (round(columns * small), round(rows * small)), interpolation=cv2.INTER_AREA)
        full = cv2.resize(less, (columns, rows), interpolation=cv2.INTER_CUBIC)
        return np.asarray(np.clip(full, 0, 1), np.float32)
    if trait.family in _OTHERS:
        return np.asarray(np.clip(_OTHERS[trait.family](trait, codes, wide), 0, 1), np.float32)
    return codes


def _blur_around(trait: Trait, codes: Image, card_px: Float, wide: float) -> Image:
    """Blur all but the card and a margin about it whose width the phone guesses."""
    rows, columns = codes.shape[:2]
    mask = np.zeros((rows, columns), np.float32)
    middle = card_px.mean(axis=0)
    grown = middle + (card_px - middle) * float(trait.rng.uniform(1.02, 1.1))
    cv2.fillPoly(mask, [np.rint(grown).astype(np.int32)], 1.0)
    mask = cv2.GaussianBlur(mask, (0, 0), 5.0 * wide)[..., None]
    # A quarter of the size: what is so blurred holds no more.
    small = cv2.resize(codes, (columns // 4, rows // 4), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), trait.between(3.0, 10.0) * wide / 4)
    blurred = cv2.resize(small, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(mask * codes + (1 - mask) * blurred, np.float32)


def _sharpen_finely(trait: Trait, codes: Image, wide: float) -> Image:
    """Sharpen much within a small radius: bright and dark seams a pixel wide, and noise that stands out."""
    soft = cv2.GaussianBlur(codes, (0, 0), float(trait.rng.uniform(0.6, 0.9)) * max(wide, 1.0))
    amount = trait.between(0.8, 2.2)
    return np.asarray(cv2.addWeighted(codes, 1 + amount, soft, -amount, 0), np.float32)


def _median(trait: Trait, codes: Image, wide: float) -> Image:
    """Take the median of small windows: flat patches, rounded corners, fine lines gone."""
    calm = cv2.medianBlur(codes, 5 if trait.strength > 0.5 or wide > 1.5 else 3)
    return np.asarray(cv2.medianBlur(calm, 3) if trait.strength > 0.8 else calm, np.float32)


def _mosaic(trait: Trait, codes: Image, wide: float) -> Image:
    """Keep one channel a pixel, as a Bayer sensor does, and fill in the others by means: zips and false colours."""
    rows, columns = codes.shape[:2]
    masks = np.zeros((rows, columns, 3), np.float32)
    masks[0::2, 0::2, 0] = masks[1::2, 1::2, 2] = 1
    masks[0::2, 1::2, 1] = masks[1::2, 0::2, 1] = 1
    kernel = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32)
    filled = cv2.filter2D(codes * masks, -1, kernel) / np.maximum(cv2.filter2D(masks, -1, kernel), 1e-3)
    filled = np.where(masks > 0, codes, filled)
    share = np.float32(trait.between(0.6, 1.0))
    return np.asarray((1 - share) * codes + share * filled, np.float32)


def _aliased(trait: Trait, codes: Image, wide: float) -> Image:
    """Throw pixels away without smoothing first, and enlarge again: stairs and broken fine lines."""
    rows, columns = codes.shape[:2]
    small = trait.between(0.85, 0.6)
    less = cv2.resize(codes, (round(columns * small), round(rows * small)), interpolation=cv2.INTER_NEAREST_EXACT)
    return np.asarray(cv2.resize(less, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _line_noise(trait: Trait, codes: Image, wide: float) -> Image:
    """Rows (or columns) that are read out a little brighter or darker, and blotches of colour that denoising left."""
    rng, (rows, columns) = trait.rng, codes.shape[:2]
    along = rows if rng.random() < 0.6 else columns
    lines = trait.between(0.003, 0.012) * rng.standard_normal((along, 1))
    lines = lines if along == rows else lines.T
    small = (max(2, round(columns / (6 * wide))), max(2, round(rows / (6 * wide))))
    blotches = rng.standard_normal((small[1], small[0], 3), dtype=np.float32)
    blotches -= blotches.mean(axis=2, keepdims=True)
    full = cv2.resize(blotches, (columns, rows), interpolation=cv2.INTER_CUBIC)
    return np.asarray(
        codes + lines[..., None].astype(np.float32) + np.float32(trait.between(0.003, 0.012)) * full, np.float32
    )


_OTHERS: dict[str, Callable[[Trait, Image, float], Image]] = {
    "fine sharpening": _sharpen_finely,
    "median": _median,
    "mosaic": _mosaic,
    "aliased": _aliased,
    "line noise": _line_noise,
}
