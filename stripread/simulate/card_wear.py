"""A card that has been used for months: faded and yellowed inks, stains, creases, wrinkles, scuffs, a dirty slot."""

from collections.abc import Callable

import cv2
import numpy as np

from stripread.card.layout import CardLayout
from stripread.geometry import Float, Rect, apply_homography
from stripread.simulate.artwork import Easel
from stripread.simulate.looks import Trait
from stripread.simulate.paint import Image
from stripread.simulate.spectra import gaussian
from stripread.simulate.strip_canvas import smooth_noise

__all__ = ["aged", "wear_card"]

_STEP_PX_PER_MM = 4.0  # of the maps of wear
_BANDS = ((640.0, 60.0), (540.0, 45.0), (435.0, 45.0))  # where cyan, magenta and yellow ink absorb [nm]


def aged(trait: Trait, spectrum: Float) -> Float:
    """Return the reflectance (81,) of a print that has faded or yellowed.

    Light bleaches an ink in the shares of its density; old paper absorbs violet.
    """
    if trait.family == "faded ink":
        centre, width = _BANDS[int(trait.rng.integers(len(_BANDS)))]
        kept = 1 - trait.between(0.02, 0.07) * gaussian(centre, width)
        faded: Float = np.clip(spectrum, 1e-4, None) ** kept
        return faded
    if trait.family == "yellowed":
        yellow: Float = spectrum * np.exp(-trait.between(0.02, 0.09) * gaussian(395.0, 45.0))
        return yellow
    return spectrum


def wear_card(easel: Easel, card: CardLayout, trait: Trait) -> None:
    """Paint the wear onto a card that is in the picture."""
    make = _WEAR.get(trait.family)
    if make is None:
        return
    whole = Rect(0, 0, card.width_mm, card.height_mm)
    area = card.slot if trait.family == "smudged slot" and card.slot is not None else whole
    rows, columns = round(area.height * _STEP_PX_PER_MM), round(area.width * _STEP_PX_PER_MM)
    x = ((np.arange(columns) + 0.5) / _STEP_PX_PER_MM).astype(np.float32)
    y = ((np.arange(rows) + 0.5) / _STEP_PX_PER_MM).astype(np.float32)
    gain = make(trait, np.stack(np.meshgrid(x, y), axis=-1))
    _multiply(easel, area, gain)


def _stains(trait: Trait, places: Image) -> Image:
    """Brownish blots with a darker rim, as drops of tea or concentrate leave them."""
    rng, size = trait.rng, places.shape[:2]
    gain = np.ones((*size, 3), np.float32)
    wobble = smooth_noise(rng, size, (30.0, 30.0))
    for _ in range(int(trait.between(1, 7))):
        centre = rng.uniform(0, 1, 2) * places[-1, -1]
        radius = float(np.exp(rng.uniform(np.log(2.0), np.log(12.0))))
        depth = radius * (1 + 0.15 * wobble) - np.hypot(*np.moveaxis(places - centre.astype(np.float32), -1, 0))
        inner = np.clip(depth / 1.2 + 0.5, 0, 1) * 0.6 + 0.4 * np.exp(-((depth / 0.8) ** 2))
        dark = trait.between(0.02, 0.10) * float(rng.uniform(0.5, 1.0)) * np.array([0.5, 0.8, 1.3])
        gain *= (1 - inner[..., None] * dark).astype(np.float32)
    return gain


def _smudges(trait: Trait, places: Image) -> Image:
    """Grey smears where strips were laid: drawn out along the slot."""
    rng, size = trait.rng, places.shape[:2]
    low = smooth_noise(rng, size, (14.0, 60.0)) + 0.7 * smooth_noise(rng, size, (5.0, 25.0))
    gain = 1 + np.float32(trait.between(0.015, 0.06)) * low
    return np.repeat(np.clip(gain, 0.7, 1.3)[..., None], 3, axis=2).astype(np.float32)


def _creases(trait: Trait, places: Image) -> Image:
    """One or two folds right across: a line whose ink has cracked, and the light that steps beside it."""
    rng = trait.rng
    gain = np.ones(places.shape[:2], np.float32)
    for _ in range(int(rng.integers(1, 3))):
        angle = float(rng.choice([0.0, np.pi / 2])) + float(rng.normal(0, 0.12))
        through = rng.uniform(0.2, 0.8, 2) * places[-1, -1]
        offset = (places - through.astype(np.float32)) @ np.array([np.cos(angle), np.sin(angle)], np.float32)
        step = trait.between(0.01, 0.045) * float(rng.choice([-1, 1]))
        gain *= 1 + np.float32(step) * np.sign(offset) * np.exp(-np.abs(offset) / np.float32(rng.uniform(8, 40)))
        line = np.exp(-((offset / np.float32(0.25)) ** 2)) * float(rng.choice([-1, 1])) * trait.between(0.05, 0.2)
        gain *= (1 + line).astype(np.float32)
    return np.repeat(gain[..., None], 3, axis=2)


def _wrinkles(trait: Trait, places: Image) -> Image:
    """Light and shade of paper that was wet once."""
    rng, size = trait.rng, places.shape[:2]
    low = smooth_noise(rng, size, (60.0, 90.0)) + 0.5 * smooth_noise(rng, size, (25.0, 40.0))
    return np.repeat((1 + np.float32(trait.between(0.006, 0.022)) * low)[..., None], 3, axis=2)


def _scuffs(trait: Trait, places: Image) -> Image:
    """Fine light scratches and rubbed spots."""
    rng, (rows, columns) = trait.rng, places.shape[:2]
    lines = np.zeros((rows, columns), np.float32)
    for _ in range(int(trait.between(20, 120))):
        start = rng.uniform(0, 1, 2) * (columns, rows)
        end = start + rng.normal(0, 12 * _STEP_PX_PER_MM / 2, 2)
        ends = [tuple(int(v) for v in np.rint(p)) for p in (start, end)]
        cv2.line(lines, ends[0], ends[1], float(rng.uniform(0.03, 0.18)), 1, cv2.LINE_AA)
    return np.repeat((1 + np.float32(trait.between(0.4, 1.0)) * lines)[..., None], 3, axis=2)


_WEAR: dict[str, Callable[[Trait, Image], Image]] = {
    "stains": _stains,
    "smudged slot": _smudges,
    "creases": _creases,
    "wrinkles": _wrinkles,
    "scuffs": _scuffs,
}


def _multiply(easel: Easel, area: Rect, gain: Image) -> None:
    """Multiply what is painted inside an area of the card by a map of shape (rows, columns, 3)."""
    step = 1 / _STEP_PX_PER_MM
    to_card = np.array([[step, 0, area.x + step / 2], [0, step, area.y + step / 2], [0, 0, 1]])
    outline = apply_homography(easel.homography, area.corners)
    low = np.maximum(np.floor(outline.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(outline.max(axis=0)) + 1, easel.size).astype(int)
    if (high <= low).any():
        return
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    size = tuple((high - low).tolist())
    # 1 outside of the area: what is warped is the departure from it
    laid = 1 + cv2.warpPerspective(gain - 1, shift @ easel.homography @ to_card, size, flags=cv2.INTER_LINEAR)
    for layer in easel.layers[:, low[1] : high[1], low[0] : high[0]]:
        layer *= laid
