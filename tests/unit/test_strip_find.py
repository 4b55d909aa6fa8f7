"""Slots drawn with known strips: found to a fraction of a millimetre, or refused with the right error."""

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import pytest

from stripread.errors import PadCountError, PadCoveredError, StripNotFoundError, StripReadError, StripUpsideDownError
from stripread.geometry import Float, Rect
from stripread.strip.find import SlotView, StripPose, find_strip
from stripread.strip.kinds import PadSpec, StripKind, load_kind

GREY = (0.28, 0.28, 0.28)  # L* 60
PLASTIC = (0.80, 0.80, 0.78)
PAPER = (0.95, 0.95, 0.95)
SKIN = (0.55, 0.32, 0.24)
SHADES = {
    "deep violet": (0.20, 0.08, 0.30),
    "pink": (0.75, 0.50, 0.58),
    "faint pink": (0.77, 0.70, 0.72),
    "blank": (0.79, 0.745, 0.745),  # about 2.5 Delta E from the plastic
    "grey like the ground": (0.28, 0.28, 0.27),
    "yellow": (0.75, 0.65, 0.20),
    "orange red": (0.70, 0.30, 0.15),
}
WIDE, FAINT, DUO = (load_kind(name) for name in ("clo2-wide", "clo2-ultralow", "chlorine-ph-duo"))


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A slot and what lies in it; colours are linear RGB, lengths mm."""

    kind: StripKind = WIDE
    shades: tuple[str, ...] = ("pink",)
    offset: tuple[float, float] = (0.0, 0.0)  # along and across the slot
    angle_deg: float = 0.0
    flipped: bool = False
    upright: bool = False
    ground: tuple[float, float, float] = GREY
    plastic: tuple[float, float, float] | None = PLASTIC  # None: no strip
    face_down: bool = False
    length: float | None = None
    width: float | None = None
    rims: bool = True
    cover: tuple[float, float, float] | None = None  # a finger: along the strip from the tip, across, radius
    cover_colour: tuple[float, float, float] = SKIN
    shadow: tuple[float, float, float] | None = None  # place along the slot, turn in degrees, light left in it
    fall_off: float = 0.0  # of the light from end to end
    photo_px_per_mm: float = 6.0
    blur_px: float = 0.8  # of the photo
    noise: float = 0.01
    view_px_per_mm: float = 7.0
    seed: int = 0
    extra: tuple[tuple[float, str], ...] = field(default=())  # further pads: place from the tip, shade


@dataclass(frozen=True)
class Truth:
    origin: Float
    direction: Float
    kind: StripKind

    def place(self, along: float, across: float) -> Float:
        normal = np.array([-self.direction[1], self.direction[0]])
        result: Float = self.origin + along * self.direction + (across - self.kind.width_mm / 2) * normal
        return result

    def centre(self, pad: PadSpec) -> Float:
        return self.place(*pad.centre_mm)


FINE = 16  # px/mm of the drawing


def draw(d: Drawing) -> tuple[SlotView, Truth]:
    slot = Rect(45.0, 38.5, 100.0, 20.0) if not d.upright else Rect(30.0, 12.0, 20.0, 100.0)
    around = slot.grown(8)
    origin = np.array([around.x, around.y])
    axis = np.array([0.0, 1.0]) if d.upright else np.array([1.0, 0.0])
    normal = np.array([-axis[1], axis[0]])
    angle = np.deg2rad(d.angle_deg)
    direction = np.cos(angle) * axis + np.sin(angle) * normal
    if d.flipped:
        direction = -direction
    middle = slot.centre + d.offset[0] * axis + d.offset[1] * normal
    truth = Truth(middle - direction * d.kind.length_mm / 2, direction, d.kind)
    size = (round(around.width * FINE), round(around.height * FINE))
    fine = np.empty((size[1], size[0], 3), np.float32)
    fine[:] = PAPER

    def fill(points: Float, colour: tuple[float, ...]) -> None:
        pixels = (points - origin) * FINE - 0.5
        cv2.fillPoly(fine, [np.round(pixels * 16).astype(np.int32)], colour, lineType=cv2.LINE_8, shift=4)

    def block(along: float, across: float, size_along: float, size_across: float) -> Float:
        a, b = size_along / 2, size_across / 2
        return np.array([truth.place(along + i * a, across + j * b) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))])

    fill(slot.grown(0.15).corners, (0.05, 0.05, 0.05))
    fill(slot.grown(-0.15).corners, d.ground)
    for k in range(6):  # printed patches below and above the slot
        for y in (around.y, slot.y + slot.height + 3):
            fill(Rect(around.x + 6 + 17 * k, y, 14, 5).corners, (0.1 + 0.12 * k, 0.5 - 0.07 * k, 0.3))
    if d.plastic is not None:
        length, width = d.length or d.kind.length_mm, d.width or d.kind.width_mm
        half = d.kind.width_mm / 2
        if d.rims:
            lit = block(length / 2 + 0.2, half + 0.2, length + 0.2, width + 0.2)
            fill(lit, tuple(0.7 * c for c in d.ground))
        fill(block(length / 2, half, length, width), d.plastic)
        if not d.face_down:
            for pad, shade in zip(d.kind.pads, d.shades, strict=True):
                fill(block(*pad.centre_mm, *pad.size_mm), SHADES[shade])
            for along, shade in d.extra:
                fill(block(along, half, 5, 5), SHADES[shade])
    if d.cover is not None:
        centre = (truth.place(d.cover[0], d.kind.width_mm / 2 + d.cover[1]) - origin) * FINE
        cv2.circle(fine, tuple(int(c) for c in centre), round(d.cover[2] * FINE), d.cover_colour, -1)
    y, x = np.mgrid[: size[1], : size[0]].astype(np.float32) / FINE
    light = 1 + d.fall_off * (x / around.width - 0.5) + 0.5 * d.fall_off * (y / around.height - 0.5)
    if d.shadow is not None:
        place, turn, left = d.shadow
        t = np.deg2rad(turn)
        at = (x + around.x - slot.centre[0] - place) * np.cos(t) + (y + around.y - slot.centre[1]) * np.sin(t)
        light *= left + (1 - left) / (1 + np.exp(-at / 0.8))
    fine *= light[..., None]
    rng = np.random.default_rng(d.seed)
    photo_size = tuple(round(s * d.photo_px_per_mm / FINE) for s in size)
    photo = cv2.GaussianBlur(cv2.resize(fine, photo_size, interpolation=cv2.INTER_AREA), (0, 0), d.blur_px)
    photo += (d.noise * np.sqrt(photo) * rng.standard_normal(photo.shape)).astype(np.float32)
    view_size = tuple(round(s * d.view_px_per_mm / FINE) for s in size)
    linear = cv2.resize(photo, view_size, interpolation=cv2.INTER_LINEAR)
    corner = np.array([0.5, 0.5]) / d.view_px_per_mm
    return SlotView(linear=linear, px_per_mm=d.view_px_per_mm, origin_mm=origin + corner, slot=slot), truth


def pad_misses(pose: StripPose, truth: Truth) -> list[float]:
    """Distances of the pads' centres from the truth. [mm]"""
    return [
        float(np.linalg.norm(pose.pad_polygon_mm(pad).mean(axis=0) - truth.centre(pad))) for pad in truth.kind.pads
    ]
