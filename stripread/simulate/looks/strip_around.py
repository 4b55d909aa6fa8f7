"""What lies about a strip: dirt, hairs, water, its own shadow; and where it lies if not in its place."""

from dataclasses import replace

import numpy as np

from stripread.card import CardLayout
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.looks.strip_litter import (
    paint_condensation,
    paint_crumbs,
    paint_pencil_marks,
    paint_tape,
    paint_tissue,
)
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import Drop, Shadow, StripPlacement, strip_to_card

__all__ = ["looked_placement", "paint_around_after", "paint_around_before", "shadows_across", "water_drops"]


def paint_around_before(canvas: StripCanvas, trait: Trait) -> None:
    """Paint what lies on the ground beside the strip."""
    rng, kind = trait.rng, canvas.kind
    if trait.family == "own shadow":
        # One end stands up: its shadow is the wider and the softer the higher the strip.
        from_tip = rng.random() < 0.5
        rise = canvas.along / kind.length_mm if from_tip else 1 - canvas.along / kind.length_mm
        height = np.clip(rise, 0, 1) ** 2 * trait.between(1.0, 4.5)
        y = canvas.across - height * canvas.light[1]
        x = canvas.along - height * canvas.light[0]
        depth = np.minimum(np.minimum(x, kind.length_mm - x), np.minimum(y, kind.width_mm - y))
        soft = 0.3 + 0.6 * height
        share = np.clip(depth / soft + 0.5, 0, 1)
        canvas.ground[...] *= (1 - trait.between(0.2, 0.5) * share).astype(np.float32)
    elif trait.family == "wet ground":
        last = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads)
        x = np.maximum(np.abs(canvas.along - last / 2) - last / 2, 0)
        y = np.maximum(np.abs(canvas.across - kind.width_mm / 2) - kind.width_mm / 2, 0)
        reach = trait.between(1.0, 4.5) * (1 + 0.3 * canvas.noise(rng, (3.0, 3.0)))
        depth = (reach - np.hypot(x, y)).astype(np.float32)
        wet = canvas.inside(depth, soft_mm=0.4)
        rim = np.exp(-((depth / np.float32(0.25)) ** 2))
        canvas.ground[...] *= 1 - np.float32(trait.between(0.06, 0.18)) * wet - np.float32(0.12) * rim
    elif trait.family == "pencil marks":
        paint_pencil_marks(canvas, trait)


def paint_around_after(canvas: StripCanvas, trait: Trait, solid: Image) -> None:
    """Paint what lies on strip and ground alike."""
    rng = trait.rng
    if trait.family == "specks":
        count = int(trait.between(8, 50))
        radii = np.exp(rng.normal(np.log(0.12), 0.4, count)).clip(0.05, 0.35)
        for place, radius in zip(_places(canvas, rng, count), radii, strict=True):
            _strew(canvas, np.float32(radius) - np.hypot(canvas.along - place[0], canvas.across - place[1]))
    elif trait.family == "hairs":
        for place in _places(canvas, rng, int(trait.between(1, 5))):
            angle, bend = float(rng.uniform(0, np.pi)), float(rng.normal(0, 0.08))
            x, y = canvas.along - place[0], canvas.across - place[1]
            u, v = np.cos(angle) * x + np.sin(angle) * y, np.cos(angle) * y - np.sin(angle) * x
            length, thick = float(rng.uniform(2, 9)), float(rng.uniform(0.06, 0.14))
            _strew(canvas, np.minimum(thick / 2 - np.abs(v - bend * u**2), length / 2 - np.abs(u)).astype(np.float32))
    elif trait.family == "condensation":
        paint_condensation(canvas, trait)
    elif trait.family == "soil crumbs":
        paint_crumbs(canvas, trait)
    elif trait.family == "scrap of tissue":
        paint_tissue(canvas, trait, solid)
    elif trait.family == "tape":
        paint_tape(canvas, trait)


def _places(canvas: StripCanvas, rng: np.random.Generator, count: int) -> Image:
    """Return places on the strip and a few mm about it, shape (count, 2)."""
    size = (canvas.kind.length_mm, canvas.kind.width_mm)
    return rng.uniform((-3.0, -5.0), (size[0] + 3.0, size[1] + 5.0), (count, 2)).astype(np.float32)


def _strew(canvas: StripCanvas, depth: Image) -> None:
    share = np.float32(0.85) * canvas.inside(depth)
    before = canvas.cover.copy()
    canvas.cover[...] = np.maximum(before, share)
    # On bare ground the speck alone counts, on the strip it lies over what is painted.
    alone = np.where(before < share, np.float32(1), share)
    canvas.mix(np.where(share > 0, alone, np.float32(0)), "dirt")


def water_drops(card: CardLayout, strip: StripPlacement, trait: Trait) -> tuple[Drop, ...]:
    """Return drops of water beside the strip, or on its plastic between pads and handle."""
    if trait.family not in ("drops beside", "drops on plastic"):
        return ()
    rng, kind, to_card = trait.rng, strip.kind, strip_to_card(card, strip)
    last = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads)
    drops = []
    for _ in range(int(trait.between(1, 7))):
        if trait.family == "drops beside":
            radius = float(rng.uniform(0.6, 2.2))
            side = kind.width_mm + radius + float(rng.uniform(0.2, 2.0))
            place = (float(rng.uniform(0, kind.length_mm)), side if rng.random() < 0.5 else kind.width_mm - side)
        else:
            radius = float(rng.uniform(0.5, 0.45 * kind.width_mm))
            place = (float(rng.uniform(last + radius + 0.5, kind.length_mm - radius)), kind.width_mm / 2)
        x, y = to_card[:2, :2] @ np.array(place) + to_card[:2, 2]
        drops.append(
            Drop(centre_mm=(float(x), float(y)), radius_mm=radius, darkening=float(rng.uniform(0.03, 0.15)),
                 highlight=float(rng.uniform(0.0, 0.6)))
        )  # fmt: skip
    return tuple(drops)


def shadows_across(card: CardLayout, strip: StripPlacement, trait: Trait) -> tuple[Shadow, ...]:
    """Return the soft shadow of a finger that is held over the handle; pads stay out of it."""
    if trait.family != "finger shadow":
        return ()
    rng, kind, to_card = trait.rng, strip.kind, strip_to_card(card, strip)
    last = max(p.along_mm + p.size_along_mm / 2 for p in kind.pads)
    half, soft = float(rng.uniform(4.5, 7.0)), trait.between(3.0, 1.2)
    along = float(rng.uniform(min(last + half + soft + 2.0, kind.length_mm), kind.length_mm))
    place = to_card[:2, :2] @ np.array([along, kind.width_mm / 2]) + to_card[:2, 2]
    lean = np.deg2rad(float(rng.uniform(-12, 12)))
    towards = np.array([np.sin(lean), np.cos(lean) * float(rng.choice([-1, 1]))])  # where the hand is
    side = np.array([-towards[1], towards[0]])
    tip = place - towards * float(rng.uniform(kind.width_mm / 2, kind.width_mm))
    turn = np.linspace(np.pi / 2, 3 * np.pi / 2, 13)[:, None]
    cap = tip + half * (np.cos(turn) * towards + np.sin(turn) * side)
    outline = np.vstack([cap, tip + 250 * towards - half * side, tip + 250 * towards + half * side])
    return (
        Shadow(
            polygon_mm=tuple((float(x), float(y)) for x, y in outline),
            penumbra_mm=soft,
            darkness=trait.between(0.15, 0.4),
        ),
    )


def looked_placement(card: CardLayout, strip: StripPlacement, trait: Trait) -> StripPlacement:
    """Return where a strip lies: in its slot, unless its look lets it lie over the edge."""
    if card.slot is None:
        return strip
    rng, kind = trait.rng, strip.kind
    room, breadth = max(card.slot.width, card.slot.height), min(card.slot.width, card.slot.height)
    along, across = strip.offset_mm
    end, side = (room - kind.length_mm) / 2, (breadth - kind.width_mm) / 2
    if trait.family == "over the side":
        shift = (side + trait.between(-0.5, 0.6 * kind.width_mm)) * float(rng.choice([-1, 1]))
        return replace(strip, offset_mm=(float(np.clip(along, -end, end)), shift), angle_deg=strip.angle_deg / 3)
    if trait.family == "end over the edge":
        shift = (end + trait.between(0.3, 3.0)) * float(rng.choice([-1, 1]))
        return replace(strip, offset_mm=(shift, across / 2), angle_deg=strip.angle_deg / 3)
    if trait.family == "corner over the edge":
        angle = float(np.rad2deg(np.arctan((breadth - kind.width_mm) / kind.length_mm))) + trait.between(0.5, 3.0)
        return replace(strip, offset_mm=(along / 3, across / 4), angle_deg=angle * float(rng.choice([-1, 1])))
    # Turned, a strip needs more room across.
    lean = kind.length_mm / 2 * abs(float(np.sin(np.deg2rad(strip.angle_deg))))
    turned = strip.angle_deg * min(1.0, max(side - 0.3, 0.0) / max(lean, 1e-6))
    free = max(side - 0.3 - kind.length_mm / 2 * abs(float(np.sin(np.deg2rad(turned)))), 0.0)
    end = max(end - 0.5, 0.0)
    return replace(
        strip,
        offset_mm=(float(np.clip(along, -end, end)), float(np.clip(across, -free, free))),
        angle_deg=turned,
    )
