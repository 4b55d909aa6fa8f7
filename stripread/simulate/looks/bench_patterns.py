"""Benches that are drawn: boards, wet steel, a checked cloth, newsprint, fallen leaves. Linear light, 0 to 1."""

import itertools
from collections.abc import Callable, Mapping

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.strip_canvas import smooth_noise
from stripread.simulate.scene.artwork import label_font
from stripread.simulate.scene.paint import Image

__all__ = ["PATTERNS"]

_SIDE = 900  # px of a drawn tile
_SIZE = (_SIDE, _SIDE)


def _boards(rng: np.random.Generator) -> Image:
    """Planed boards side by side, each of its own tone, with grain along and dark gaps between."""
    y = np.mgrid[0:_SIDE, 0:_SIDE][0].astype(np.float32) / _SIDE
    picture = np.empty((*_SIZE, 3), np.float32)
    edges = np.concatenate([[0], np.sort(rng.uniform(0.1, 0.9, 5)), [1]])
    for start, end in itertools.pairwise(edges):
        rows = slice(round(start * _SIDE), round(end * _SIDE))
        rings = 14 * y + 0.9 * smooth_noise(rng, _SIZE, (60, 400))
        grain = 0.5 + 0.5 * np.sin(2 * np.pi * rings) + 0.25 * smooth_noise(rng, _SIZE, (2, 60))
        tone = np.array([0.40, 0.25, 0.13]) * rng.uniform(0.6, 1.2)
        picture[rows] = (tone * (1 - 0.35 * np.clip(grain, 0, 1.5)[..., None]))[rows]
    gap = np.min(np.abs(y[..., None] - edges[1:-1]), axis=-1)
    return np.asarray(picture * np.clip(gap / 0.004, 0.08, 1)[..., None], np.float32)


def _wet_steel(rng: np.random.Generator) -> Image:
    """Brushed steel with a soft mirrored window and drops that stand on it."""
    tone = 0.32 * (1 + 0.05 * smooth_noise(rng, _SIZE, (1.5, 200)) + 0.3 * smooth_noise(rng, _SIZE, (300, 300)))
    rows, columns = np.mgrid[0:_SIDE, 0:_SIDE].astype(np.float32)
    for _ in range(90):
        x, y = rng.uniform(0, _SIDE, 2)
        radius = float(np.exp(rng.normal(np.log(9), 0.6)).clip(3, 35))
        u, v = (columns - np.float32(x)) / np.float32(radius), (rows - np.float32(y)) / np.float32(radius)
        away = np.hypot(u, v)
        disc = np.clip((1 - away) * radius + 0.5, 0, 1)
        glint = np.exp(-(((u + 0.4) ** 2 + (v + 0.4) ** 2) / 0.05))
        tone *= 1 + disc * (0.25 * (u + v) - 0.1)
        tone += 0.5 * disc * glint
    return np.asarray(np.clip(tone, 0.02, 1)[..., None] * np.array([0.97, 1.0, 1.04]), np.float32)


def _gingham(rng: np.random.Generator) -> Image:
    """Cloth of white and coloured threads: checks of three tones, and the weave."""
    cells = (np.arange(_SIDE) // (_SIDE // 12)) % 2
    share = (cells[:, None] + cells[None, :]) / 2
    colour = rng.permutation([0.45, 0.12, 0.15])
    x = np.arange(_SIDE) * np.float32(np.pi / 3)
    weave = 1 + 0.12 * np.sin(x)[:, None] * np.sin(x)[None, :] + 0.04 * smooth_noise(rng, _SIZE, (40, 40))
    picture = 0.75 * (1 - share[..., None]) + share[..., None] * colour
    return np.asarray(picture * weave[..., None], np.float32)


def _newsprint(rng: np.random.Generator) -> Image:
    """Columns of letters at random on greyish paper, with headlines and grey boxes."""
    from PIL import Image as PillowImage
    from PIL import ImageDraw

    page = PillowImage.new("L", _SIZE, 255)
    draw = ImageDraw.Draw(page)
    letters = list("eeetaoinsrhldcumfpgwyb    ")
    for left in range(15, _SIDE - 100, 225):
        top = 15.0
        while top < _SIDE - 20:
            kind = rng.random()
            if kind < 0.06:
                high = float(rng.uniform(50, 130))
                draw.rectangle((left, top, left + 205, top + high), fill=int(rng.integers(60, 170)))
                top += high + 12
            else:
                size = float(rng.choice([26.0, 34.0])) if kind < 0.12 else 12.0
                text = "".join(rng.choice(letters, int(205 / (0.5 * size))))
                draw.text((left, top), text, fill=25, font=label_font(size))
                top += 1.3 * size
    light = 0.05 + 0.55 * (np.asarray(page, np.float32) / 255) ** 1.5
    light = light * (1 + 0.03 * smooth_noise(rng, _SIZE, (3, 3)))
    return np.asarray(light[..., None] * np.array([1.0, 0.97, 0.88]), np.float32)


def _leaves(rng: np.random.Generator) -> Image:
    """Leaves over one another on dark soil: each with its green or brown, a midrib, light on one half."""
    picture = np.asarray(
        np.array([0.06, 0.04, 0.025]) * (1 + 0.4 * smooth_noise(rng, _SIZE, (5, 5)))[..., None], np.float32
    )
    t = np.linspace(0, np.pi, 24)
    for _ in range(150):
        reach, wide = float(rng.uniform(60, 150)), float(rng.uniform(0.18, 0.42))
        angle = float(rng.uniform(0, 2 * np.pi))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        middle = rng.uniform(0, _SIDE, 2)
        brown = rng.random() < 0.3
        tone = (np.array([0.22, 0.12, 0.04]) if brown else np.array([0.09, 0.15, 0.06])) * rng.uniform(0.5, 1.5)
        side = np.stack([-np.cos(t) * reach / 2, np.sin(t) ** 1.3 * wide * reach / 2], axis=-1)

        def place(points: Float, by: Float = turn, to: Float = middle) -> list[Float]:
            return [np.rint(points @ by.T + to).astype(np.int32)]

        cv2.fillPoly(picture, place(np.vstack([side, side[::-1] * (1, -1)]) + 6), (0.02, 0.02, 0.01))
        cv2.fillPoly(picture, place(side), tone.tolist())
        cv2.fillPoly(picture, place(side * (1, -1)), (0.75 * tone).tolist())
        cv2.polylines(picture, place(side[[0, -1]] * (1, 0)), False, (1.6 * tone).tolist(), 2)
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8), np.float32)


PATTERNS: Mapping[str, Callable[[np.random.Generator], Image]] = {
    "boards": _boards,
    "wet steel": _wet_steel,
    "gingham": _gingham,
    "newsprint": _newsprint,
    "leaves": _leaves,
}
