"""Pads that a kind does not know, short of the handle: the strip is of another kind."""

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.layout import Layout
from stripread.strip.steps import (
    ENDS_MM,
    GAP_MM,
    GRAIN,
    RIM_MM,
    StepNoise,
    StripColour,
    handle_from,
    slide_steps,
    without_play,
)
from stripread.strip.view import STEP_MM, lengths, quantile

__all__ = ["extra_pads"]

Bool = NDArray[np.bool_]

# Our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the seen families.
_EXTRA_STEP, _EXTRA_CLEARNESS, _EXTRA_MISFIT = 2.0, 8.0, 0.3  # a pad that the kind does not know must show more clearly
_PITCH_MM, _EXTRA_STEP_FAR = 18.0, 6.0  # pads stand in a row: further on it must have more colour than a blotch
_BEFORE_STEP, _BEFORE_MM = 6.0, 3.0  # between tip and first pad: Delta E from the plastic behind the pads; length
_BESIDE_MM = 4.0  # of that plastic
_ALIKE = 0.3  # of the larger difference, squared, must both sides' have in common


def extra_pads(strip: StripColour, kind: StripKind, layout: Layout, noise: StepNoise) -> tuple[float, ...]:
    """Return places from the tip of pads that the kind does not know, short of the handle, strongest first.

    They must show with and without the light divided out: what lies beside the strip must not draw pads on it.
    """
    places = np.array([pad.centre_mm[0] for pad in kind.pads]) + layout.shifts_mm
    sizes = np.array([pad.size_mm[0] for pad in kind.pads])
    found = _with_plastic_beside(strip, kind, places, sizes, noise)
    return (
        found
        if any(place < places[0] for place in found)
        else (*found, *_before_pads(strip, kind, places, sizes, noise))
    )


def _before_pads(
    strip: StripColour, kind: StripKind, places: Float, sizes: Float, noise: StepNoise
) -> tuple[float, ...]:
    """Return the place of a pad between the tip and the first pad, where there is room for one.

    Where there is little plastic, it is known by what lies behind the pads: close to them, and up to the handle.
    """
    at = strip.from_tip
    start, end = places[0] - sizes[0] / 2 - RIM_MM, places[-1] + sizes[-1] / 2 + RIM_MM
    before = np.flatnonzero((at > ENDS_MM) & (at < start))
    behind = [(at > end) & (at < to) & ~strip.lines for to in (end + _BESIDE_MM, handle_from(kind))]
    if len(before) * STEP_MM < _BEFORE_MM or not all(plastic.any() for plastic in behind):
        return ()
    uneven = strip.spread[before] ** 2 - noise.spread**2 - GRAIN**2
    shows = np.ones(len(before), dtype=bool)
    for seen in (strip.colour, strip.raw):
        for plastic in behind:
            off = lengths(without_play(seen[before] - quantile(seen[plastic]), strip.light_play[before]))
            shows &= (off > _BEFORE_STEP + strip.sway[before]) & (uneven < (_EXTRA_MISFIT * off) ** 2)
    edges = np.diff(np.concatenate([[0], shows, [0]]))
    first, last = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if not len(first):
        return ()
    longest = int((last - first).argmax())
    if (last - first)[longest] * STEP_MM < _BEFORE_MM:
        return ()
    return (float(at[before[first[longest] : last[longest]]].mean()),)


def _with_plastic_beside(
    strip: StripColour, kind: StripKind, places: Float, sizes: Float, noise: StepNoise
) -> tuple[float, ...]:
    """Return the places of pads that show as steps on the plastic at both their sides."""
    size = float(sizes.max())
    handle = handle_from(kind)
    room = size / 2 + ENDS_MM
    strip = strip.until(handle + size + GAP_MM)
    at = strip.from_tip
    spread = _average(strip.spread**2, size - 2 * RIM_MM)
    centres, strength = at, np.full(len(at), np.inf)
    for seen in (strip.colour, strip.raw):
        colour = _painted_over(at, seen, places, sizes)
        steps, left_over, _, margin = slide_steps(colour, size)
        own = slice(margin, len(at) - margin)
        centres, steps = at[own], without_play(steps, strip.light_play[own])
        length = lengths(steps)
        even = np.sqrt(np.maximum(left_over - noise.column**2, 0)) < _EXTRA_MISFIT * length
        even &= np.sqrt(np.maximum(spread[own] - noise.spread**2 - GRAIN**2, 0)) < _EXTRA_MISFIT * length
        clear = lengths(steps @ noise.whiten) / _EXTRA_CLEARNESS
        near = np.abs(centres[:, None] - places).min(axis=1) < _PITCH_MM
        least = np.where(near, _EXTRA_STEP, _EXTRA_STEP_FAR) + strip.sway[own]
        shows = np.where(even, np.minimum(clear, length / least), 0.0)
        shows[(np.abs(centres[:, None] - places) <= (sizes + size) / 2 + RIM_MM).any(axis=1)] = 0.0
        shows[(centres < room) | (centres > handle)] = 0.0
        if shows.max() > 1:
            shows[~_both_sides(at, colour, centres, size)] = 0.0
        strength = np.minimum(strength[own] if len(strength) == len(at) else strength, shows)
        if strength.max() <= 1:
            return ()
    found: list[float] = []
    while strength.max() > 1:
        top = int(strength.argmax())
        found.append(float(centres[top]))
        strength[np.abs(centres - centres[top]) < size + GAP_MM] = 0
    return tuple(found)


def _average(values: Float, width_mm: float) -> Float:
    """Return the running mean of values (n,) over a width."""
    window = np.ones(2 * round(width_mm / 2 / STEP_MM) + 1)
    result: Float = np.convolve(values, window / window.sum(), mode="same")
    return result


def _both_sides(at: Float, colour: Float, centres: Float, size: float) -> Bool:
    """Tell where a piece differs alike from what lies before and behind it, as no edge of a shadow does."""
    sums = np.vstack([np.zeros(3), np.cumsum(colour, axis=0)])
    first = at[0] - STEP_MM / 2

    def mean(low: Float, high: Float) -> Float:
        i = np.clip(np.rint((low - first) / STEP_MM).astype(int), 0, len(at))
        j = np.clip(np.rint((high - first) / STEP_MM).astype(int), 0, len(at))
        result: Float = (sums[j] - sums[i]) / np.maximum(j - i, 1)[:, None]
        return result

    low, high = centres - size / 2, centres + size / 2
    inside = mean(low + RIM_MM, high - RIM_MM)
    before = inside - mean(low - GAP_MM, low - RIM_MM)
    after = inside - mean(high + RIM_MM, high + GAP_MM)
    larger = np.maximum((before**2).sum(axis=1), (after**2).sum(axis=1))
    result: Bool = (before * after).sum(axis=1) > _ALIKE * larger
    return result


def _painted_over(at: Float, colour: Float, places: Float, sizes: Float) -> Float:
    """Return the colour along the strip with its pads replaced by the plastic on both their sides."""
    inside = (np.abs(at[:, None] - places) <= sizes / 2 + 1.5 * RIM_MM).any(axis=1)
    painted = colour.copy()
    for channel in painted.T:
        channel[inside] = np.interp(at[inside], at[~inside], channel[~inside])
    return painted
