"""A card that has been used for months: faded and yellowed inks, stains, prints of hands, creases, a dirty slot."""

from collections.abc import Callable

import cv2
import numpy as np

from stripread.card import CardLayout
from stripread.geometry import Float, Rect, apply_homography
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import smooth_noise
from stripread.simulate.optics.spectra import gaussian
from stripread.simulate.scene.artwork import Easel
from stripread.simulate.scene.paint import Image

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
    if trait.family == "sun fading":
        _fade(easel, card, trait)
        return
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


def _rings(trait: Trait, places: Image) -> Image:
    """Rings that wet bottles have left: thin, broken here and there, a fainter one inside."""
    rng, size = trait.rng, places.shape[:2]
    gain = np.ones((*size, 3), np.float32)
    for _ in range(int(trait.between(1, 4))):
        centre = rng.uniform(0, 1, 2) * places[-1, -1]
        radius, thick = float(rng.uniform(14.0, 32.0)), float(rng.uniform(0.4, 1.2))
        away = np.hypot(*np.moveaxis(places - centre.astype(np.float32), -1, 0))
        kept = np.clip(0.6 + 0.7 * smooth_noise(rng, size, (50.0, 50.0)), 0, 1)
        ring = np.exp(-(((away - radius) / thick) ** 2)) + 0.5 * np.exp(-(((away - radius + 2.5) / 0.5) ** 2))
        dark = trait.between(0.05, 0.16) * np.array([0.8, 1.0, 1.2])
        gain *= (1 - (kept * ring)[..., None] * dark).astype(np.float32)
    return gain


def _thumbs(trait: Trait, places: Image) -> Image:
    """Greasy prints of thumbs where the card is held, at its edges."""
    rng, size = trait.rng, places.shape[:2]
    gain = np.ones(size, np.float32)
    far = places[-1, -1]
    for _ in range(int(trait.between(1, 5))):
        edge = float(rng.choice([6.0, -6.0]))
        centre = np.array([edge % far[0], rng.uniform(10, far[1] - 10)])
        if rng.random() < 0.5:
            centre = np.array([rng.uniform(10, far[0] - 10), edge % far[1]])
        x, y = np.moveaxis(places - centre.astype(np.float32), -1, 0)
        angle = float(rng.uniform(0, np.pi))
        u, v = np.cos(angle) * x + np.sin(angle) * y, np.cos(angle) * y - np.sin(angle) * x
        away = np.hypot(u, v / 1.4)
        warp = 0.4 * smooth_noise(rng, size, (10.0, 10.0))
        ridges = 0.5 + 0.5 * np.sin(2 * np.pi * (np.hypot(u, v / 1.2 - 3) + warp) / 0.9)
        pressed = np.clip((8.0 - away) / 2.0 + 0.3 * smooth_noise(rng, size, (5.0, 5.0)), 0, 1)
        gain *= (1 - trait.between(0.025, 0.09) * pressed * (0.4 + 0.6 * ridges)).astype(np.float32)
    return np.repeat(gain[..., None], 3, axis=2)


def _banding(trait: Trait, places: Image) -> Image:
    """Bands of a printer whose paper feed and nozzles are not even, each ink by itself."""
    rng, (rows, columns) = trait.rng, places.shape[:2]
    gain = np.ones((rows, columns, 3), np.float32)
    for channel in range(3):
        bands = sum(smooth_noise(rng, (rows, 4), (cell, 8.0))[:, :1] for cell in (2.0, 8.0))
        gain[..., channel] += np.float32(trait.between(0.004, 0.015)) * bands
    for row in rng.integers(0, rows, int(trait.between(2, 12))):
        gain[row] *= (1 - trait.between(0.02, 0.08) * rng.uniform(0, 1, 3)).astype(np.float32)
    return gain


def _splashes(trait: Trait, places: Image) -> Image:
    """Small brown splashes of wet soil, most of them in one or two swarms."""
    rng, (rows, columns) = trait.rng, places.shape[:2]
    share = np.zeros((rows, columns), np.float32)
    swarms = rng.uniform(0, 1, (2, 2)) * (columns, rows)
    for _ in range(int(trait.between(15, 110))):
        radius = float(np.exp(rng.normal(np.log(0.25), 0.5)).clip(0.12, 1.0)) * _STEP_PX_PER_MM
        middle = swarms[int(rng.integers(2))] + rng.normal(0, 90, 2)
        axes = (radius * float(rng.uniform(1.0, 1.8)), radius)
        box = ((float(middle[0]), float(middle[1])), (2 * axes[0], 2 * axes[1]), float(rng.uniform(0, 180)))
        cv2.ellipse(share, box, float(rng.uniform(0.5, 1.0)), -1)
    share = np.asarray(cv2.GaussianBlur(share, (0, 0), 0.7), np.float32)
    dark = trait.between(0.35, 0.7) * np.array([0.75, 0.95, 1.15])
    return (1 - share[..., None] * dark).clip(0.1, 1).astype(np.float32)


_WEAR: dict[str, Callable[[Trait, Image], Image]] = {
    "stains": _stains,
    "smudged slot": _smudges,
    "creases": _creases,
    "wrinkles": _wrinkles,
    "scuffs": _scuffs,
    "bottle rings": _rings,
    "thumb prints": _thumbs,
    "banding": _banding,
    "soil splashes": _splashes,
}


def _fade(easel: Easel, card: CardLayout, trait: Trait) -> None:
    """Bleach the print, more towards one side, where the sun came in: inks lose a share of their density."""
    angle = float(trait.rng.uniform(0, 2 * np.pi))
    rows, columns = round(card.height_mm * _STEP_PX_PER_MM), round(card.width_mm * _STEP_PX_PER_MM)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    towards = np.cos(angle) * (x / columns - 0.5) + np.sin(angle) * (y / rows - 0.5)
    lost = np.float32(trait.between(0.02, 0.07)) * np.clip(0.5 + towards, 0, 1)
    warped = _warped(easel, Rect(0, 0, card.width_mm, card.height_mm), np.repeat(lost[..., None], 3, axis=2))
    if warped is None:
        return
    window, share = warped
    for layer, paper in zip(easel.layers[:, window[0], window[1]], easel.paints["paper"], strict=True):
        white = paper.astype(np.float32)
        ink = np.clip(layer / white, 1e-3, None)
        layer *= np.where(share > 0, ink**-share, np.float32(1))


def _multiply(easel: Easel, area: Rect, gain: Image) -> None:
    """Multiply what is painted inside an area of the card by a map of shape (rows, columns, 3)."""
    warped = _warped(easel, area, gain - 1)  # 0 outside of the area: what is warped is the departure from 1
    if warped is None:
        return
    window, departure = warped
    for layer in easel.layers[:, window[0], window[1]]:
        layer *= 1 + departure


def _warped(easel: Easel, area: Rect, map_: Image) -> tuple[tuple[slice, slice], Image] | None:
    """Return the rows and columns of the picture that an area of the card fills, and a map of it as it lies there."""
    step = 1 / _STEP_PX_PER_MM
    to_card = np.array([[step, 0, area.x + step / 2], [0, step, area.y + step / 2], [0, 0, 1]])
    outline = apply_homography(easel.homography, area.corners)
    low = np.maximum(np.floor(outline.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(outline.max(axis=0)) + 1, easel.size).astype(int)
    if (high <= low).any():
        return None
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    size = tuple((high - low).tolist())
    laid = cv2.warpPerspective(map_, shift @ easel.homography @ to_card, size, flags=cv2.INTER_LINEAR)
    return (slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))), np.asarray(laid, np.float32)
