"""What phones do to a picture as a whole, beyond one tone curve: tone by place, colours by hue.

Each effect works on encoded sRGB, 0 to 1, float32, shape (rows, columns, 3), unless it says otherwise. The forms follow
published methods in their plainest version; strengths are our own, judged by eye.
"""

from collections.abc import Callable

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import USUAL, Trait
from stripread.simulate.scene.paint import Image

__all__ = ["change_colour", "change_tone", "guided_filter"]

_LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601, as JPEG has it
_ROWS = 64  # per block: small enough to stay in the processor's cache
_ENCODING = 2.2  # near enough to sRGB where only a ratio of light is turned into one of codes

Codes = Callable[[float], Image]
"""The picture developed at an exposure changed by so many stops."""


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
    if trait.family == "local adaptation":
        return _by_ratio(codes, _local_adaptation(codes @ _LUMA, trait))
    if trait.family == "crushed blacks":
        black, steep = np.float32(trait.between(0.015, 0.06)), np.float32(trait.between(0.1, 0.45))
        above = _within((codes - black) / (1 - black))
        return _within((1 - steep) * above + steep * above * above * (3 - 2 * above))
    if trait.family == "soft shoulder":
        # A straight line up to the knee, then a hyperbola with the same slope there: light parts lose contrast, colour.
        knee, bend = np.float32(trait.rng.uniform(0.5, 0.65)), np.float32(trait.between(0.15, 0.6))
        over = np.maximum(codes - knee, 0) / (1 - knee)
        return _within(np.minimum(codes, knee) + (1 - knee) * over / (1 + bend * over))
    if trait.family == "gain grid":
        return _by_ratio(codes, _gain_grid(codes @ _LUMA, trait))
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


def _local_adaptation(luma: Image, trait: Trait) -> Image:
    """Return the ratio by which a picture adapts to the light about each place, as eyes do.

    The local photographic operator of Reinhard, Stark, Shirley and Ferwerda (2002) with one size of surround.
    """
    rows, columns = luma.shape
    light: Image = np.maximum(luma, 0.01) ** np.float32(_ENCODING)
    small = cv2.resize(light, (columns // 8, rows // 8), interpolation=cv2.INTER_AREA)
    around = cv2.GaussianBlur(small, (0, 0), max(small.shape) * float(trait.rng.uniform(0.03, 0.1)))
    ratio: Image = (1 + around) ** np.float32(-trait.between(0.5, 1.5) / _ENCODING)
    # The phone sets the light parts to where they were.
    ratio *= np.float32(np.percentile(small, 97) / np.percentile(small * ratio**_ENCODING, 97)) ** (1 / _ENCODING)
    return np.asarray(cv2.resize(ratio, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _gain_grid(luma: Image, trait: Trait) -> Image:
    """Return the ratio of a coarse grid of gains, each drawing its cell's mean towards the picture's."""
    rows, columns = luma.shape
    cells = int(trait.rng.integers(5, 12))
    grid = cv2.resize(luma, (cells, max(2, round(cells * rows / columns))), interpolation=cv2.INTER_AREA)
    gains = (np.float32(grid.mean()) / np.maximum(grid, 0.05)) ** np.float32(trait.between(0.06, 0.25))
    return np.asarray(cv2.resize(gains, (columns, rows), interpolation=cv2.INTER_CUBIC), np.float32)


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
    if trait.family in _PRESETS:
        return _within(_PRESETS[trait.family](trait, codes))
    if trait.family == "toned shadows":
        tone = np.float32(trait.between(0.006, 0.025)) * trait.rng.normal(0, 1, 3).astype(np.float32)
        tone -= tone @ _LUMA
        return _within(codes + (1 - 2 * luma) * tone)
    return codes


def _hue_shift(trait: Trait, codes: Image) -> Image:
    """Turn each hue by an angle of its own, as presets that flatter skin and leaves do."""
    red, green, blue = np.moveaxis(codes, -1, 0)
    u, v = 2 * red - green - blue, np.float32(3**0.5) * (green - blue)
    phase = trait.rng.uniform(0, 2 * np.pi, 2).astype(np.float32)
    hue = np.arctan2(v, u)
    wave = np.sin(hue - phase[0]) + np.float32(0.6) * np.sin(2 * hue - phase[1])
    turn = np.float32(np.deg2rad(trait.between(3.0, 10.0))) * wave
    right = np.cos(turn) * u - np.sin(turn) * v
    up = (np.sin(turn) * u + np.cos(turn) * v) * np.float32(3**0.5)
    away = np.stack([2 * right, up - right, -up - right], axis=-1) / np.float32(6)
    return np.asarray(codes.mean(axis=2, keepdims=True) + away, np.float32)


def _warm_preset(trait: Trait, codes: Image) -> Image:
    """Warm (or, less often, cool) the light, mix the channels a little, lift the blacks to a matte."""
    rng = trait.rng
    sense = 1.0 if rng.random() < 0.7 else -1.0
    gains = 1 + sense * trait.between(0.03, 0.1) * np.array([0.9, 0.15, -1.1])
    mixed = np.eye(3) + trait.between(0.0, 0.06) * (np.full((3, 3), 1 / 3) - np.eye(3))
    light: Image = (codes ** np.float32(_ENCODING)) @ (mixed * gains).astype(np.float32)
    matte = np.float32(rng.uniform(0, 0.03))
    warm: Image = matte + (1 - matte) * np.clip(light, 0, 1) ** np.float32(1 / _ENCODING)
    return warm


def _channel_curves(trait: Trait, codes: Image) -> Image:
    """Give each channel a curve of its own, as prints from film have: an S or its opposite, its ends held."""
    bends = trait.between(0.008, 0.025) * trait.rng.uniform(0.5, 1.0, 3) * trait.rng.permutation([1.0, 0.4, -1.0])
    tilts = trait.between(0.0, 0.03) * trait.rng.uniform(-1, 1, 3)
    bent: Image = codes - bends.astype(np.float32) * np.sin(np.float32(2 * np.pi) * codes)
    return bent + tilts.astype(np.float32) * np.float32(4) * codes * (1 - codes)


def _lookup_table(trait: Trait, codes: Image) -> Image:
    """Move colours smoothly within the cube, as a small three-dimensional lookup table does; black and white stay."""
    rng = trait.rng
    room: Image = np.float32(4) * codes * (1 - codes)
    moved = codes.copy()
    for _ in range(3):
        direction = rng.normal(0, 1, 3).astype(np.float32) * np.float32(4.0)
        wave = np.sin(codes @ direction + np.float32(rng.uniform(0, 2 * np.pi)))
        moved += (
            np.float32(trait.between(0.006, 0.02)) * wave[..., None] * rng.normal(0, 0.7, 3).astype(np.float32) * room
        )
    return moved


_PRESETS: dict[str, Callable[[Trait, Image], Image]] = {
    "warm preset": _warm_preset,
    "channel curves": _channel_curves,
    "hue shift": _hue_shift,
    "lookup table": _lookup_table,
}
