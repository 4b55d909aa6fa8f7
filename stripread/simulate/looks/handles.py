"""Handles of strips: prints, colours, holes and grips of our own drawing, on the end that is held."""

from collections.abc import Callable

import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.handle_prints import (
    paint_arrow,
    paint_mark,
    paint_pen,
    paint_picture,
    paint_scale,
    paint_tab,
)
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.looks.strip_print import ramp, stamp, text_mask
from stripread.simulate.optics.inks import make_printer
from stripread.simulate.scene.paint import Image

__all__ = ["handle_spectra", "paint_handle"]

_CLEAR_OF_PADS_MM = 5.0  # a handle's art begins so far behind the last pad, except for lines by the pads
_LETTERS = np.array(list("ABCDEFGHKLMNPRSTUVXYZ0123456789"))


def handle_spectra(trait: Trait) -> dict[str, Float]:
    """Return the spectra (81,) of two printing inks: the first dark, black or coloured, the second any colour."""
    rng = np.random.default_rng([trait.seed, 85])
    black = np.array([0.1, 0.1, 0.1, float(rng.uniform(0.6, 1.0))])
    coloured = rng.permutation([float(rng.uniform(0.5, 1)), float(rng.uniform(0, 0.8)), float(rng.uniform(0, 0.3)), 0])
    first = black if rng.random() < 0.5 else np.append(coloured[:3], 0.15)
    second = np.append(rng.permutation([rng.uniform(0.4, 1.0), rng.uniform(0, 0.7), rng.uniform(0, 0.2)]), 0.05)
    printer = make_printer(8)
    return {"print:0": printer.reflectance(first), "print:1": printer.reflectance(second)}


def paint_handle(canvas: StripCanvas, trait: Trait) -> Image | None:
    """Paint the handle; return the share of each place that is cut away or clear, None where it is whole."""
    kind = canvas.kind
    last = max(pad.along_mm + pad.size_along_mm / 2 for pad in kind.pads) if kind.pads else 0.0
    first = last + _CLEAR_OF_PADS_MM
    rng = trait.rng
    start = max(first, kind.length_mm * float(rng.uniform(0.4, 0.75)))
    if trait.family == "hole":
        return _hole(canvas, rng)
    if trait.family == "end notch":
        return _end_notch(canvas, trait, rng)
    if trait.family == "clear":
        return _clear(canvas, trait, rng, start)
    if trait.family == "line by the pads":
        start = last + trait.between(4.0, 1.0)
    paint = _PAINTERS.get(trait.family)
    if paint is not None and start < kind.length_mm - 2.0:
        paint(canvas, trait, rng, start)
    return None


def _block(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    ink = "print:1" if rng.random() < 0.8 else "print:0"
    canvas.mix(np.float32(trait.between(0.5, 1.0)) * ramp(canvas, start), ink)


def _fading(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    share = np.clip((canvas.along - start) / max(canvas.kind.length_mm - start, 1.0), 0, 1)
    canvas.mix((trait.between(0.4, 1.0) * share).astype(np.float32), "print:1")


def _bars(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Bars across the strip, of unlike widths."""
    place, inset = start, float(rng.choice([0.0, 0.6, 1.0]))
    sides = np.minimum(canvas.across - inset, canvas.kind.width_mm - inset - canvas.across)
    while place < canvas.kind.length_mm - 1.5:
        wide = float(rng.uniform(0.3, trait.between(0.9, 2.2)))
        depth = np.minimum(np.minimum(canvas.along - place, place + wide - canvas.along), sides)
        canvas.mix(canvas.inside(depth), "print:0")
        place += wide + float(rng.uniform(0.6, 2.0))


def _stripes(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Slanted or lengthwise stripes."""
    period, slant = float(rng.uniform(1.6, 4.0)), float(rng.choice([0.0, 0.5, 1.0, -1.0]))
    phase = (canvas.across + slant * canvas.along) / period
    wave = (np.float32(0.25) - np.abs(phase - np.rint(phase))) * np.float32(period)
    canvas.mix(canvas.inside(wave) * ramp(canvas, start), "print:1" if rng.random() < 0.6 else "print:0")


def _words(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Write letters and digits at random, along the strip or the other way round."""
    height = canvas.kind.width_mm * float(rng.uniform(0.35, 0.65))
    text = " ".join("".join(rng.choice(_LETTERS, int(rng.integers(2, 6)))) for _ in range(int(rng.integers(1, 4))))
    mask = text_mask(canvas, text, height)
    stamp(canvas, mask[::-1, ::-1] if rng.random() < 0.5 else mask, start, trait.between(0.6, 1.0))


def _ridges(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Embossed ridges across: light on one side, shade on the other."""
    period = float(rng.uniform(1.2, 2.5))
    phase = 2 * np.pi * (canvas.along - start) / period
    sides = canvas.inside(np.minimum(canvas.across - 0.7, canvas.kind.width_mm - 0.7 - canvas.across), soft_mm=0.3)
    end = canvas.inside(np.float32(start + 8 * period) - canvas.along)
    wave = np.sin(phase).astype(np.float32) * sides * ramp(canvas, start) * end
    canvas.gain(1 + np.float32(trait.between(0.05, 0.22)) * wave)


def _chevrons(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Arrowheads that point to the pads or away from them."""
    period, thick = float(rng.uniform(3.0, 6.0)), float(rng.uniform(0.6, 1.4))
    sense = float(rng.choice([-1.0, 1.0]))
    middle = canvas.kind.width_mm / 2
    phase = (canvas.along - start + sense * np.abs(canvas.across - middle)) / period
    wave = np.float32(thick / 2) - np.abs(phase - np.floor(phase) - 0.5) * np.float32(period)
    clear = canvas.inside(np.float32(middle - 0.6) - np.abs(canvas.across - np.float32(middle)))
    canvas.mix(canvas.inside(wave) * ramp(canvas, start) * clear, "print:0")


def _dots(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    period = float(rng.uniform(1.2, 2.6))
    x = (canvas.along - start) / period
    y = (canvas.across - canvas.kind.width_mm / 2) / period
    distance = np.hypot(x - np.rint(x), y - np.rint(y)) * np.float32(period)
    depth = np.float32(period * float(rng.uniform(0.18, 0.35))) - distance
    canvas.mix(canvas.inside(depth.astype(np.float32)) * ramp(canvas, start), "print:0")


def _line(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """One or two lines across, close behind the last pad."""
    for number in range(int(rng.integers(1, 3))):
        place, wide = start + 1.8 * number, float(rng.uniform(0.3, 0.9))
        canvas.mix(
            canvas.inside(np.float32(wide / 2) - np.abs(canvas.along - np.float32(place + wide / 2))),
            "print:0" if rng.random() < 0.6 else "print:1",
        )


def _cap(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Colour the very end, about as long as a pad."""
    canvas.mix(ramp(canvas, canvas.kind.length_mm - float(rng.uniform(3.0, 8.0))), "print:1")


def _squares(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> None:
    """Print a field of black and white squares, as codes have it."""
    cell = float(rng.uniform(0.5, 0.9))
    count = int((canvas.kind.width_mm - 1.0) / cell)
    columns = min(int(rng.integers(count, 3 * count)), int((canvas.kind.length_mm - start - 1.0) / cell))
    if columns < 2:
        return
    size = round(cell * canvas.scale)
    bits = rng.integers(0, 2, (count, columns)).astype(np.float32)
    stamp(canvas, np.kron(bits, np.ones((size, size), np.float32)), start, 1.0)


_PAINTERS: dict[str, Callable[[StripCanvas, Trait, np.random.Generator, float], None]] = {
    "block": _block,
    "bars": _bars,
    "words": _words,
    "stripes": _stripes,
    "fading colour": _fading,
    "grip ridges": _ridges,
    "chevrons": _chevrons,
    "dots": _dots,
    "line by the pads": _line,
    "end cap": _cap,
    "code squares": _squares,
    "arrow": paint_arrow,
    "picture": paint_picture,
    "round mark": paint_mark,
    "tab": paint_tab,
    "pen": paint_pen,
    "colour scale": paint_scale,
}


def _hole(canvas: StripCanvas, rng: np.random.Generator) -> Image:
    """Share of each place inside a round or long hole near the end; its rim is shaded."""
    middle = canvas.kind.width_mm / 2
    radius = middle * float(rng.uniform(0.4, 0.65))
    centre, reach = canvas.kind.length_mm - float(rng.uniform(1.5, 4.0)) - radius, float(rng.choice([0.0, 0.0, 3.0]))

    def depth_of(shift: float) -> Image:
        x = np.maximum(
            np.abs(canvas.along - np.float32(centre - reach + shift * canvas.light[0])) - np.float32(reach), 0
        )
        y = canvas.across - np.float32(middle + shift * canvas.light[1])
        return np.asarray(radius - np.hypot(x, y), np.float32)

    return _cut(canvas, depth_of)


def _end_notch(canvas: StripCanvas, trait: Trait, rng: np.random.Generator) -> Image:
    """Share of each place inside a notch in the end: a wedge or half a disc."""
    middle, end = canvas.kind.width_mm / 2, canvas.kind.length_mm
    half, round_one = canvas.kind.width_mm * trait.between(0.2, 0.36), rng.random() < 0.5
    deep = half if round_one else float(rng.uniform(1.5, 4.0))

    def depth_of(shift: float) -> Image:
        x = canvas.along - np.float32(end - shift * canvas.light[0])
        y = np.abs(canvas.across - np.float32(middle + shift * canvas.light[1]))
        wedge = (half * (x + deep) / deep - y) * deep / np.hypot(half, deep)
        open_end = np.float32(end + 0.4) - canvas.along  # there is nothing to cut further out
        return np.asarray(
            np.minimum(half - np.hypot(np.minimum(x, 0), y) if round_one else wedge, open_end), np.float32
        )

    return _cut(canvas, depth_of)


def _clear(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, start: float) -> Image:
    """Share of the ground that shows through a handle of clear plastic; its edges and a streak mirror light."""
    width = canvas.kind.width_mm
    sides = np.minimum(np.minimum(canvas.across, width - canvas.across), canvas.kind.length_mm - canvas.along)
    within = canvas.inside(np.asarray(sides, np.float32) - np.float32(0.3), soft_mm=0.2)
    share = np.float32(trait.between(0.45, 0.85)) * ramp(canvas, start) * within
    streak = np.exp(-(((canvas.across - width * float(rng.uniform(0.2, 0.8))) / 0.4) ** 2)).astype(np.float32)
    canvas.add(np.float32(0.03) * streak * ramp(canvas, start), "glare")
    # Little shadow falls through it.
    canvas.ground[...] += share * (np.float32(0.92) - canvas.ground)
    return share


def _cut(canvas: StripCanvas, depth_of: Callable[[float], Image]) -> Image:
    """Return the share of each place that is cut away; ``depth_of`` is how deep it lies in the cut, for a moved cut."""
    depth = depth_of(0.0)
    canvas.gain(1 - np.float32(0.25) * canvas.inside(np.float32(0.3) - np.abs(depth), soft_mm=0.3))
    hole = canvas.inside(depth)
    # The light falls through it and leaves the shadow of the plastic's edge.
    lit = 1 - np.float32(0.35) * (1 - canvas.inside(depth_of(0.35), soft_mm=0.15))
    canvas.ground[...] += hole * (lit - canvas.ground)
    return hole
