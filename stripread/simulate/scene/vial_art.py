"""The vial, painted: a cylinder seen through the pinhole, ray by ray, with its label, shading and mirrored lamp."""

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw

from stripread.geometry import Float, Rect
from stripread.simulate.scene.artwork import Easel, label_font
from stripread.simulate.scene.paint import Image, blend, polygon_pieces
from stripread.simulate.scene.scene import Scene
from stripread.simulate.scene.vial import Vial, VialLight
from stripread.simulate.scene.view import height_column

__all__ = ["paint_vial", "vial_axis", "vial_block_middles"]

_FINE = 12  # label pixels per mm
_RAYS = 2  # rays per pixel and side
_END = 0.6  # light on the upright ends, relative to that on the card
_BODY, _CAP, _LABEL, _INK, _FIRST_BLOCK = 0, 1, 2, 3, 4


def vial_axis(scene: Scene, vial: Vial) -> tuple[Float, Float]:
    """Return where on the card the middle of the vial lies (2,), and the unit vector from its cap on (2,)."""
    card = scene.card
    room = card.vial or Rect(0.0, 0.0, card.width_mm, card.height_mm)
    angle = np.deg2rad(vial.angle_deg + (180.0 if vial.flipped else 0.0))
    return room.centre + np.array(vial.offset_mm), np.array([np.cos(angle), np.sin(angle)])


def vial_block_middles(scene: Scene, vial: Vial) -> Float:
    """Return where the blocks show in the picture: their middles in pixels, shape (n, 2), from the cap on."""
    middle, along = vial_axis(scene, vial)
    side = np.array([-along[1], along[0]])
    radius, roll = vial.diameter_mm / 2, np.deg2rad(vial.roll_deg)
    places = vial.first_mm + vial.pitch_mm * np.arange(len(vial.reflectances)) - vial.length_mm / 2
    flat = middle + places[:, None] * along + radius * np.sin(roll) * side
    height = radius * (1 + np.cos(roll))
    homography, up = height_column(scene.card, scene.view)
    seen = flat @ homography[:, :2].T + homography[:, 2] + height * up
    result: Float = seen[:, :2] / seen[:, 2:]
    return result


def paint_vial(easel: Easel, scene: Scene, vial: Vial) -> None:
    """Paint the vial with the shadow at its foot."""
    middle, along = vial_axis(scene, vial)
    side = np.array([-along[1], along[0]])
    radius, half = vial.diameter_mm / 2, vial.length_mm / 2
    foot = np.array([[-half, -0.75], [half, -0.75], [half, 0.75], [-half, 0.75]]) * [1.0, radius]
    away = -np.sign(vial.light.from_deg or 1.0) * 0.5 * radius
    outline = middle + foot[:, :1] * along + foot[:, 1:] * side
    for share in (1.0, 0.6, 0.3):
        easel.shade(outline + share * away * side, 0.12)
    homography, up = height_column(scene.card, scene.view)
    for end, name in ((-half, "cap"), (half, "plastic")):  # the one that is turned away is painted over below
        round_it = np.arange(64) * (2 * np.pi / 64)
        rim = middle + end * along + radius * np.sin(round_it)[:, None] * side
        seen = rim @ homography[:, :2].T + homography[:, 2] + radius * (1 + np.cos(round_it))[:, None] * up
        blend(easel.layers, polygon_pieces(seen[:, :2] / seen[:, 2:], easel.size), _END * easel.paints[name])
    lens = np.column_stack([homography[:, :2], up])
    eye = -np.linalg.solve(lens, homography[:, 2])
    window = _window(easel, homography, up, middle, along, side, radius, half)
    if window is None:
        return
    x0, y0, x1, y1 = window
    steps = (np.arange(_RAYS) + 0.5) / _RAYS - 0.5
    x = (np.arange(x0, x1)[:, None] + steps).ravel()
    y = (np.arange(y0, y1)[:, None] + steps).ravel()
    pixels = np.stack([*np.meshgrid(x, y), np.ones((len(y), len(x)))], axis=-1)
    rays: Float = pixels @ np.asarray(np.linalg.inv(lens), np.float64).T
    place, turn = _hits(np.asarray(eye, np.float64), rays, middle, along, side, radius)
    hit = np.isfinite(turn) & (np.abs(place) <= half)
    label = _label(vial)
    column = np.clip(((place + half) * _FINE), 0, label.shape[1] - 1)
    row = np.clip((turn * radius + label.shape[0] / (2 * _FINE)) * _FINE, 0, label.shape[0] - 1)
    material = label[np.where(hit, row, 0).astype(int), np.where(hit, column, 0).astype(int)]
    turn = np.where(hit, turn, 0.0)
    shading, gloss = _shading(turn, vial.light), _gloss(turn, vial.light)
    names = ("plastic", "cap", "label", "label_ink", *(f"block:{i}" for i in range(len(vial.reflectances))))
    cover = _average(hit.astype(np.float64)[..., None])
    for index, layer in enumerate(easel.layers):
        paints = np.array([easel.paints[name][index] for name in names])
        lit = paints[material] * shading[..., None] + gloss[..., None] * easel.paints["plastic"][index]
        part = layer[y0:y1, x0:x1]
        part *= 1 - cover
        part += _average(lit * hit[..., None])


def _window(
    easel: Easel, homography: Float, up: Float, middle: Float, along: Float, side: Float, radius: float, half: float
) -> tuple[int, int, int, int] | None:
    corners = [
        homography[:, :2] @ (middle + i * half * along + j * radius * side) + homography[:, 2] + z * up
        for i in (-1, 1)
        for j in (-1, 1)
        for z in (0.0, 2 * radius)
    ]
    seen = np.array([c[:2] / c[2] for c in corners])
    low = np.clip(np.floor(seen.min(axis=0)) - 1, 0, easel.size).astype(int)
    high = np.clip(np.ceil(seen.max(axis=0)) + 2, 0, easel.size).astype(int)
    return None if (high <= low).any() else (int(low[0]), int(low[1]), int(high[0]), int(high[1]))


def _hits(
    eye: Float, rays: Float, middle: Float, along: Float, side: Float, radius: float
) -> tuple[Float, NDArray[np.float64]]:
    """Where rays meet the cylinder: mm along it from its middle, and how far round from straight up [rad]; NaN: not."""
    start = np.array([(eye[:2] - middle) @ side, eye[2] - radius])
    across, rise = rays[..., :2] @ side, rays[..., 2]
    a = across**2 + rise**2
    b = across * start[0] + rise * start[1]
    inside = b**2 - a * (start @ start - radius**2)
    t = np.where(inside > 0, (-b - np.sqrt(np.maximum(inside, 0))) / a, np.nan)
    turn = np.arctan2(start[0] + t * across, start[1] + t * rise)
    place: Float = (eye[:2] - middle) @ along + t * (rays[..., :2] @ along)
    return place, turn


def _shading(turn: Float, light: VialLight) -> Float:
    """Light on the cylinder relative to that on the card (Lambert's cosine; a sky that is bright all over)."""
    lamp = np.maximum(np.cos(turn - np.deg2rad(light.from_deg)), 0.0) / np.cos(np.deg2rad(light.from_deg))
    result: Float = light.ambient * (1 + np.cos(turn)) / 2 + (1 - light.ambient) * lamp
    return result


def _gloss(turn: Float, light: VialLight) -> Float:
    off = (turn - np.deg2rad(light.gloss_deg)) / np.deg2rad(light.gloss_width_deg)
    result: Float = light.gloss * np.exp(-0.5 * off**2)
    return result


def _average(fine: Float) -> Image:
    rows, columns, channels = fine.shape
    blocks = fine.reshape(rows // _RAYS, _RAYS, columns // _RAYS, _RAYS, channels)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)


def _label(vial: Vial) -> NDArray[np.uint8]:
    """Material of each place of the vial's upper half, unrolled: columns along it, rows round it."""
    radius = vial.diameter_mm / 2
    width, height = round(vial.length_mm * _FINE), round(np.pi * radius * _FINE)
    image = PillowImage.new("L", (width, height), _BODY)
    canvas = ImageDraw.Draw(image)
    canvas.fontmode = "1"  # numbers of materials do not mix, so letters have hard edges

    def box(x: float, y: float, right: float, bottom: float) -> tuple[float, float, float, float]:
        """Mm along the vial and round it, the latter from the chart's middle."""
        shift = height / 2 + radius * np.deg2rad(vial.roll_deg) * _FINE
        return (x * _FINE, shift + y * _FINE, right * _FINE, shift + bottom * _FINE)

    canvas.rectangle((0, 0, vial.cap_mm * _FINE, height), fill=_CAP)
    start, end = vial.label_mm
    canvas.rectangle((start * _FINE, 0, end * _FINE, height), fill=_LABEL)
    wide, tall = vial.block_mm
    canvas.rectangle(box(start + 0.8, -tall / 2 - 7, end - 0.8, tall / 2 + 7), outline=_INK, width=4)
    title = box(start + 4, -tall / 2 - 4.5, 0, 0)
    canvas.text(title[:2], "compare the pad after the time stated", fill=_INK, font=label_font(2.2 * _FINE))
    canvas.rectangle(box(end - 20, -tall / 2 - 3.9, end - 4, -tall / 2 - 2.2), fill=_INK)
    for index, text in enumerate(vial.words):
        x = vial.first_mm + index * vial.pitch_mm
        canvas.rectangle(box(x - wide / 2, -tall / 2, x + wide / 2, tall / 2), fill=_FIRST_BLOCK + index)
        place = box(x, tall / 2 + 2.6, 0, 0)
        canvas.text(place[:2], text, fill=_INK, font=label_font(2.6 * _FINE), anchor="mm")
    return np.asarray(image)
