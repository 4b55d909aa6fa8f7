"""What phones do to a picture as a whole, beyond one tone curve: tone by place, colours by hue, lens, detail.

Each effect works on encoded sRGB, 0 to 1, float32, shape (rows, columns, 3), unless it says otherwise. The forms follow
published methods in their plainest version; strengths are our own, judged by eye.
"""

from collections.abc import Callable

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks import USUAL, Trait
from stripread.simulate.paint import Image

__all__ = ["change_colour", "change_tone", "guided_filter", "light_through_lens"]

_LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601, as JPEG has it
_ROWS = 64  # per block: small enough to stay in the processor's cache
_ENCODING = 2.2  # near enough to sRGB where only a ratio of light is turned into one of codes

Codes = Callable[[float], Image]
"""The picture developed at an exposure changed by so many stops."""


def light_through_lens(trait: Trait, raw: Image) -> Image:
    """Return the sensor's linear picture with what the lens adds or the phone leaves of its corrections."""
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


def change_tone(trait: Trait, codes_at: Codes) -> Image:
    """Return the picture with its tones as the phone maps them."""
    codes = codes_at(0.0)
    if trait.family == "lifted shadows":
        luma = codes @ _LUMA
        lift = np.float32(trait.between(0.15, 0.6)) * (1 - luma) ** 3
        black = np.float32(trait.rng.uniform(0, 0.03))
        return _within(black + (1 - black) * codes * (1 + lift)[..., None])
    if trait.family == "base and detail":
        return _by_ratio(codes, _base_and_detail(codes @ _LUMA, trait))
    if trait.family == "exposure fusion":
        return _fuse(trait, codes, codes_at)
    if trait.family == "pyramid detail":
        return _by_ratio(codes, _pyramid_detail(codes @ _LUMA, trait))
    if trait.family == "local histogram":
        luma = codes @ _LUMA
        tiles = int(trait.rng.integers(4, 10))
        equaliser = cv2.createCLAHE(clipLimit=trait.between(1.2, 2.2), tileGridSize=(tiles, tiles))
        equal = equaliser.apply(np.rint(65535 * np.clip(luma, 0, 1)).astype(np.uint16)).astype(np.float32) / 65535
        share = np.float32(trait.between(0.1, 0.4))
        return _by_ratio(codes, ((1 - share) * luma + share * equal) / np.maximum(luma, 1e-3))
    return codes


def _within(codes: Image | Float) -> Image:
    """Clip codes to 0 to 1."""
    return np.asarray(np.clip(codes, 0, 1), np.float32)


def _by_ratio(codes: Image, ratio: Image) -> Image:
    return _within(codes * ratio[..., None])


def guided_filter(picture: Image, radius: int, smooth: float) -> Image:
    """Return a picture of one channel smoothed but for its edges, guided by itself (He, Sun and Tang 2013)."""
    window = (2 * radius + 1, 2 * radius + 1)
    mean = cv2.blur(picture, window)
    variance = cv2.blur(picture * picture, window) - mean * mean
    slope = variance / (variance + np.float32(smooth))
    return np.asarray(cv2.blur(slope, window) * picture + cv2.blur(mean * (1 - slope), window), np.float32)


def _base_and_detail(luma: Image, trait: Trait) -> Image:
    """Return the ratio that flattens the smooth part of the picture and lifts the rest."""
    rows, columns = luma.shape
    log = np.log(np.maximum(luma, 0.01), dtype=np.float32)
    small = cv2.resize(log, (columns // 4, rows // 4), interpolation=cv2.INTER_AREA)
    radius = max(4, round(max(small.shape) * float(trait.rng.uniform(0.02, 0.06))))
    base = cv2.resize(guided_filter(small, radius, 0.05), (columns, rows), interpolation=cv2.INTER_LINEAR)
    flat = -np.float32(trait.between(0.04, 0.22)) * (base - np.float32(np.median(base)))
    lifted = np.float32(trait.rng.uniform(0.0, 0.2)) * (log - base)
    ratio: Image = np.exp(flat + lifted)
    return ratio


def _pyramid_detail(luma: Image, trait: Trait) -> Image:
    """Return the ratio that lifts small steps at every scale and tames large ones, over a Laplacian pyramid.

    The idea of local Laplacian filters (Paris, Hasinoff and Kautz 2011), one remapping for all pixels.
    """
    levels, knee = 5, np.float32(0.12)
    boost, tame = np.float32(trait.between(0.1, 0.5)), np.float32(trait.between(0.03, 0.12))
    stack = [luma]
    for _ in range(levels):
        stack.append(cv2.pyrDown(stack[-1]))
    result = stack[-1] - tame * (stack[-1] - np.float32(np.median(stack[-1])))
    for level in range(levels - 1, -1, -1):
        size = (stack[level].shape[1], stack[level].shape[0])
        band = stack[level] - cv2.pyrUp(stack[level + 1], dstsize=size)
        band = band * (1 + boost * np.exp(-((band / knee) ** 2)) - tame * (1 - np.exp(-((band / knee) ** 2))))
        result = cv2.pyrUp(result, dstsize=size) + band
    return np.asarray(np.clip(result, 0, 1) / np.maximum(luma, 1e-3), np.float32)


def _fuse(trait: Trait, codes: Image, codes_at: Codes) -> Image:
    """Merge exposures by their well-exposedness, contrast and saturation (Mertens, Kautz and Van Reeth 2007)."""
    stops = trait.between(0.7, 1.6)
    exposures = [codes_at(-stops), codes, codes_at(stops)] if trait.rng.random() < 0.6 else [codes_at(-stops), codes]
    merge = cv2.createMergeMertens(0.3, 0.5, 1.0)
    fused = merge.process([np.rint(255 * e).astype(np.uint8) for e in exposures])
    # The phone sets the merged picture's light parts to where a single exposure has them.
    light = [float(np.percentile((p @ _LUMA)[::8, ::8], 97)) for p in (codes, fused)]
    share = np.float32(trait.between(0.35, 0.9))
    return _within((1 - share) * codes + share * np.float32(light[0] / max(light[1], 0.05)) * fused)


def change_colour(trait: Trait, codes: Image) -> Image:
    """Return the picture with its colours as the phone likes them."""
    if trait.family == USUAL:
        return codes
    changed = np.empty_like(codes)
    for top in range(0, len(codes), _ROWS):
        changed[top : top + _ROWS] = _change_colours(trait, codes[top : top + _ROWS])
    return changed


def _change_colours(trait: Trait, codes: Image) -> Image:
    luma = (codes @ _LUMA)[..., None]
    away = codes - luma
    if trait.family == "saturation by hue":
        rng = trait.rng
        red, green, blue = np.moveaxis(codes, -1, 0)
        hue = np.arctan2(np.float32(3**0.5) * (green - blue), 2 * red - green - blue)
        gain: Image = np.full(hue.shape, 1 + rng.uniform(0, 0.1), np.float32)
        for order in (1, 2, 3):
            phase = np.float32(rng.uniform(0, 2 * np.pi))
            share = np.float32(trait.between(0.02, 0.09) * rng.uniform(0.4, 1))
            gain += share * np.cos(np.float32(order) * hue - phase)
        return _within(luma + away * gain[..., None])
    if trait.family == "gamut clipping":
        linear: Image = codes ** np.float32(_ENCODING)
        grey: Image = (linear @ _LUMA)[..., None]
        wide = grey + np.float32(trait.between(1.05, 1.35)) * (linear - grey)
        clipped: Image = _within(wide) ** np.float32(1 / _ENCODING)
        return clipped
    spread = np.abs(away).max(axis=2, keepdims=True)
    if trait.family == "vibrance":
        more = np.float32(trait.between(0.08, 0.35)) * np.exp(-((spread / np.float32(0.2)) ** 2))
        return _within(luma + away * (1 + more))
    if trait.family == "gamut compression":
        knee = np.float32(trait.between(0.3, 0.15))
        over = np.maximum(spread - knee, 0)
        kept = (np.minimum(spread, knee) + over / (1 + 2 * over)) / np.maximum(spread, 1e-4)
        return _within(luma + away * kept)
    if trait.family == "toned shadows":
        tone = np.float32(trait.between(0.006, 0.025)) * trait.rng.normal(0, 1, 3).astype(np.float32)
        tone -= tone @ _LUMA
        return _within(codes + (1 - 2 * luma) * tone)
    return codes
