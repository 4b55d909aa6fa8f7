"""Larger prints on handles: arrows, pictures, marks, tabs, what a pen wrote, scales of colours."""

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.looks.strip_print import drawn_lines, ramp, stamp, text_mask

__all__ = ["paint_arrow", "paint_mark", "paint_pen", "paint_picture", "paint_scale", "paint_tab"]


def paint_arrow(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Print one arrow as wide as the strip, mostly towards the pads."""
    half = canvas.kind.width_mm / 2 - 0.4
    room = canvas.kind.length_mm - 1.0 - start
    reach = min(room, float(rng.uniform(8.0, 22.0)))
    head = min(0.6 * reach, 2 * half * float(rng.uniform(0.7, 1.2)))
    from_tip = canvas.along - np.float32(start)
    if rng.random() < 0.3:
        from_tip = np.float32(reach) - from_tip
    aside = np.abs(canvas.across - np.float32(canvas.kind.width_mm / 2))
    in_head = np.minimum(half * from_tip / head - aside, head - from_tip)
    in_shaft = np.minimum(half * float(rng.uniform(0.35, 0.6)) - aside, np.minimum(from_tip, reach - from_tip))
    ink = "print:1" if rng.random() < 0.75 else "print:0"
    canvas.mix(
        np.float32(trait.between(0.6, 1.0)) * canvas.inside(np.maximum(in_head, in_shaft).astype(np.float32)), ink
    )


def paint_picture(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Print something like a photograph of hills under a sky: soft tones of two inks, without an edge but its own."""
    width = canvas.kind.width_mm
    far, near = canvas.noise(rng, (6.0, 40.0)), canvas.noise(rng, (2.5, 40.0))
    down = (canvas.across / np.float32(width)).astype(np.float32)
    sky = np.clip(0.55 - 0.8 * down, 0, 1)
    hills = canvas.inside(np.float32(width) * (down - 0.45 - 0.08 * far), soft_mm=0.3)
    ground = canvas.inside(np.float32(width) * (down - 0.7 - 0.06 * near), soft_mm=0.3)
    grain = canvas.noise(rng, (0.8, 0.5))
    strong = np.float32(trait.between(0.5, 1.0)) * ramp(canvas, start)
    canvas.mix(strong * np.clip(np.maximum(sky, 0.65 * hills) + 0.08 * grain, 0, 1).astype(np.float32), "print:1")
    dark = np.clip(0.25 * hills + 0.45 * ground + 0.12 * grain * hills, 0, 1)
    canvas.mix(strong * dark.astype(np.float32), "print:0")


def paint_mark(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Print a round mark of our own, a ring about a wedge, and a number in small print behind it."""
    width = canvas.kind.width_mm
    radius = width * float(rng.uniform(0.28, 0.42))
    x, y = canvas.along - np.float32(start + radius), canvas.across - np.float32(width / 2)
    away = np.hypot(x, y)
    ring = canvas.inside((np.float32(0.12 * radius) - np.abs(away - np.float32(0.85 * radius))).astype(np.float32))
    angle = float(rng.uniform(0, 2 * np.pi))
    wedge = np.minimum(np.cos(angle) * x + np.sin(angle) * y, np.cos(angle + 2) * x + np.sin(angle + 2) * y)
    disc = canvas.inside(np.minimum(wedge, 0.65 * radius - away).astype(np.float32))
    canvas.mix(
        np.float32(trait.between(0.7, 1.0)) * np.maximum(ring, disc), "print:1" if rng.random() < 0.6 else "print:0"
    )
    text = f"LOT {int(rng.integers(1000, 99999))}"
    stamp(canvas, text_mask(canvas, text, 0.42 * width), start + 2 * radius + 1.0, trait.between(0.6, 1.0))


def paint_tab(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Stick on a long glossy tab of another colour with round corners."""
    inset = float(rng.uniform(0.0, 0.5))
    half = canvas.kind.width_mm / 2 - inset
    radius = half * float(rng.uniform(0.4, 1.0))
    middle, reach = (start + canvas.kind.length_mm - inset) / 2, (canvas.kind.length_mm - inset - start) / 2
    if reach < radius:
        return
    x = np.abs(canvas.along - np.float32(middle)) - np.float32(reach - radius)
    y = np.abs(canvas.across - np.float32(canvas.kind.width_mm / 2)) - np.float32(half - radius)
    outside = np.hypot(np.maximum(x, 0), np.maximum(y, 0)) + np.minimum(np.maximum(x, y), 0)
    depth = np.asarray(np.float32(radius) - outside, np.float32)
    canvas.gain(1 - np.float32(0.2) * canvas.inside(depth + np.float32(0.2), soft_mm=0.3))
    canvas.mix(
        np.float32(trait.between(0.75, 1.0)) * canvas.inside(depth), "print:1" if rng.random() < 0.85 else "print:0"
    )
    bright = np.exp(-(((canvas.across - canvas.kind.width_mm * float(rng.uniform(0.25, 0.45))) / 0.5) ** 2))
    canvas.add(
        (trait.between(0.01, 0.04) * bright * canvas.inside(depth - np.float32(0.4))).astype(np.float32), "glare"
    )


def paint_pen(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Draw loops and strokes as a felt pen leaves them: somebody has numbered the strip by hand."""
    width = canvas.kind.width_mm
    lines: list[Float] = []
    place = start
    while place < canvas.kind.length_mm - 3.5 and len(lines) < 4 + 4 * trait.strength:
        size, turn = width * float(rng.uniform(0.25, 0.38)), np.linspace(0, float(rng.uniform(3.0, 9.0)), 40)
        phase = float(rng.uniform(0, 2 * np.pi))
        wide = float(rng.uniform(0.3, 0.7))
        x = place + 1.2 + wide * size * np.cos(turn + phase) + 0.12 * turn
        y = width / 2 + size * np.sin(turn * float(rng.uniform(0.6, 1.3)) + phase) + float(rng.normal(0, 0.2))
        lines.append(np.stack([x, y], axis=-1))
        place += float(rng.uniform(2.2, 3.6))
    mask = drawn_lines(canvas, lines, float(rng.uniform(0.35, 0.6)))
    canvas.mix(np.float32(trait.between(0.6, 0.95)) * mask, "print:0")


def paint_scale(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Print small squares of one ink from pale to full, clearly smaller than any pad, each in a thin frame."""
    side = min(float(rng.uniform(1.4, 2.2)), canvas.kind.width_mm - 1.6)
    count = min(int(rng.integers(3, 7)), int((canvas.kind.length_mm - start - 1.0) / (side + 0.7)))
    for number in range(count):
        x = np.abs(canvas.along - np.float32(start + (side + 0.7) * number + side / 2))
        y = np.abs(canvas.across - np.float32(canvas.kind.width_mm / 2))
        depth = (np.float32(side / 2) - np.maximum(x, y)).astype(np.float32)
        full = (number + 1) / count * trait.between(0.6, 1.0)
        canvas.mix(np.float32(full) * canvas.inside(depth), "print:1")
        canvas.mix(np.float32(0.7) * canvas.inside(np.float32(0.08) - np.abs(depth)), "print:0")
