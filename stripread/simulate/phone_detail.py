"""What phones do to a picture's detail, and how they store it: denoising, halos, frames laid together, files."""

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks import Trait
from stripread.simulate.paint import Image

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
