"""What lies under and over the card: bench, clutter, things on top, a finger, drops, glare."""

import numpy as np

from stripread.geometry import Float, apply_homography
from stripread.simulate.looks.bench import paint_bench_photo
from stripread.simulate.looks.families import USUAL
from stripread.simulate.scene.artwork import Easel, circle, stroke, varied
from stripread.simulate.scene.paint import add, shade
from stripread.simulate.scene.scene import Cover, Drop, Finger, GlareSpot, Scene

__all__ = ["paint_bench", "paint_over"]


def paint_bench(easel: Easel, scene: Scene, rng: np.random.Generator) -> None:
    """Fill the picture with the bench and its clutter, at places drawn from the generator."""
    for layer, colour in zip(easel.layers, easel.paints["bench"], strict=True):
        layer[0] = colour
        layer[1:] = layer[0]
    if scene.look is not None and scene.look.bench.family != USUAL:
        paint_bench_photo(easel, scene.look.bench)
    materials = sorted(name for name in easel.paints if name.startswith("clutter:"))
    if not materials or scene.clutter == 0:
        return
    width, height = easel.size
    frame = apply_homography(easel.to_card, np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64))
    low, high = np.maximum(frame.min(axis=0), -400.0), np.minimum(frame.max(axis=0), 600.0)
    for i in range(scene.clutter):
        material = materials[int(rng.integers(len(materials)))]
        place = rng.uniform(low, high)
        angle = rng.uniform(0, np.pi)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        form = ("cloth", "rectangle", "disc", "line")[i % 4]
        if form == "cloth":
            cell = rng.uniform(4.0, 12.0)
            other = materials[int(rng.integers(len(materials)))]
            _paint_cloth(easel, place, turn, cell, (material, other))
        elif form == "rectangle":
            half = rng.uniform(8.0, 45.0, 2)
            box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ turn.T + place
            easel.shade(box + np.array([1.5, 2.0]), 0.3)
            easel.fill(box, material)
        elif form == "disc":
            radius = float(rng.uniform(5.0, 30.0))
            easel.shade(circle((place[0] + 1.5, place[1] + 2.0), radius), 0.3)
            easel.fill(circle((place[0], place[1]), radius), material)
        else:
            reach = turn @ np.array([rng.uniform(40.0, 300.0), 0.0])
            easel.fill(stroke(place - reach, place + reach, float(rng.uniform(0.5, 4.0))), material)


def paint_over(easel: Easel, scene: Scene) -> None:
    """Paint what lies on card and strip, then what mirrors in them."""
    defects = scene.defects
    for drop in defects.drops:
        _paint_drop(easel, drop)
    for cover in defects.covers:
        _paint_cover(easel, cover)
    if defects.finger is not None:
        _paint_finger(easel, defects.finger)
    for spot in defects.glare:
        _paint_glare(easel, spot)


def _paint_cloth(easel: Easel, place: Float, turn: Float, cell_mm: float, materials: tuple[str, str]) -> None:
    count = 10
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float64)
    easel.fill((corners - 0.5) * count * cell_mm @ turn.T + place, materials[1])
    for row in range(count):
        for column in range(row % 2, count, 2):
            square = (corners + np.array([column, row]) - count / 2) * cell_mm
            easel.fill(square @ turn.T + place, materials[0])


def _paint_cover(easel: Easel, cover: Cover) -> None:
    outline = np.asarray(cover.polygon_mm, np.float64)
    easel.shade(outline + np.array([0.8, 1.0]), 0.35)
    easel.fill(outline, cover.material)


def _paint_finger(easel: Easel, finger: Finger) -> None:
    """Paint a round-tipped bar, darker towards its sides, with the soft shadow of what stands off the card."""
    angle = np.deg2rad(finger.from_deg)
    towards = np.array([np.cos(angle), np.sin(angle)])
    side = np.array([-towards[1], towards[0]])
    radius = finger.width_mm / 2
    tip = np.asarray(finger.tip_mm, np.float64) + radius * towards
    length = 250.0  # mm: finger and arm; shorter where that would reach behind the camera
    while length > 10 and ((tip + length * towards) @ easel.homography[2, :2] + easel.homography[2, 2]) < 20.0:
        length *= 0.8
    half_turn = np.linspace(np.pi / 2, 3 * np.pi / 2, 25)
    cap = tip + radius * (np.cos(half_turn)[:, None] * towards + np.sin(half_turn)[:, None] * side)
    outline = np.vstack([cap, tip + length * towards - radius * side, tip + length * towards + radius * side])

    def from_axis(places: Float) -> Float:
        offset = places - tip
        behind = np.maximum(-(offset @ towards), 0.0)
        result: Float = np.hypot(behind, offset @ side) / radius
        return result

    grown = tip + (outline - tip) * np.array(1.25)
    shade(
        easel.layers,
        varied(easel, easel.pieces(grown), lambda p: np.clip((1.25 - from_axis(p)) / 0.3, 0.0, 1.0)),
        0.35,
    )
    easel.fill(outline, "skin")
    shade(easel.layers, varied(easel, easel.pieces(outline), lambda p: np.minimum(from_axis(p), 1.0) ** 3), 0.45)


def _paint_drop(easel: Easel, drop: Drop) -> None:
    centre, radius = np.asarray(drop.centre_mm, np.float64), drop.radius_mm
    disc = circle(drop.centre_mm, radius)
    easel.shade(disc, drop.darkening)

    def rim(places: Float) -> Float:
        result: Float = np.exp(-(((np.hypot(*np.moveaxis(places - centre, -1, 0)) / radius - 0.93) / 0.07) ** 2))
        return result

    shade(easel.layers, varied(easel, easel.pieces(disc), rim), 0.3)
    if drop.highlight:
        x, y = centre - 0.4 * radius
        _paint_glare(
            easel, GlareSpot(centre_mm=(x, y), radii_mm=(0.22 * radius, 0.15 * radius), strength=drop.highlight)
        )


def _paint_glare(easel: Easel, spot: GlareSpot) -> None:
    centre, radii = np.asarray(spot.centre_mm, np.float64), np.asarray(spot.radii_mm, np.float64)
    angle = np.deg2rad(spot.angle_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def profile(places: Float) -> Float:
        distance = np.hypot(*np.moveaxis((places - centre) @ turn.T / radii, -1, 0))
        ramp = np.clip((1.0 - distance) / max(spot.softness, 1e-6), 0.0, 1.0)
        result: Float = ramp * ramp * (3 - 2 * ramp)
        return result

    outline = circle((0.0, 0.0), 1.05) * radii @ turn + centre
    add(easel.layers, varied(easel, easel.pieces(outline), profile), spot.strength * easel.paints["glare"])
