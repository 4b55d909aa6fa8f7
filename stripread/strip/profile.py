"""The strip's colour along its length, freed from light and shadow by the ground beside it."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.view import STEP_MM, Float32, Ribbon, lab_difference, lengths, quantile

__all__ = ["Profile", "Run", "find_run", "measure_profile"]

Bool = NDArray[np.bool_]

# Millimetres from the strip's edge that its blur and thin shadow do not reach in photos down to 2 px/mm.
_CLEAR_INSIDE, _CLEAR_OUTSIDE, _FLANK = 0.5, 0.8, 1.8
_LEAST_LANE_MM = 1.5
_RANK = 0.45  # letters and specks fill less of the width
_BRIGHTER = 3.0  # L* over the median from which it is mirrored light
# What still counts as the slot's ground in other light: cube root of 0.3 to 2.2 times the light, the same hue to some
# Delta E, or to some times its usual scatter where noise and compression leave coloured blotches.
_DARKEST, _BRIGHTEST, _HUE_OFF, _HUE_SCATTERS = 0.67, 1.3, 7.0, 4.0
_PLAY_MM, _EVEN_LIGHT = 6.0, 1.0  # a pad and what lies beside it; L* that a slow fall-off of light may take
_LEAST_ROWS = 3  # of 0.25 mm beside the strip, to know the ground there
_SAME_THING = 0.5  # of a thing's difference from the ground: an edge with a smaller step lies within the thing
_NEAR_MM = 3.0  # how far a thing beside the strip may sway its colours, by its edge and shadow
_LIGHT_MM, _SLOW_LIGHT_MM = 1.25, 12.0  # sudden and slow: over which the ground's light is averaged along the strip
_EVEN = 0.01  # scatter of the ground's brightness without shadows
_LONGEST_LAG = 36  # steps of 0.25 mm: a shadow's edge at 60 degrees
_DARK_GROUND = 0.25  # cube root: on black ground the quotient would only carry noise
_SHARES = (0.5, 0.35, 0.2, 0.1, 0.05)  # of the plastic's difference from the ground
_LENGTH_OFF = 0.04  # as strips are cut
_SURELY_STRIP = 0.35  # of the length to both sides of the slot's middle
_LEAST_CONTRAST = 1.2  # Delta E between plastic and ground from which the strip's ends are looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """The strip's colour at each place along the ribbon.

    Attributes
    ----------
    along : ndarray, shape (n,)
        Places. [mm]
    contrast : ndarray, shape (n, 3)
        Colour within the strip's edges minus that of the ground, light divided out. [about CIELAB]
    raw : ndarray, shape (n, 3)
        The same without the light divided out.
    light_play : ndarray, shape (n,)
        How much of a difference in lightness between near places may be light and shadow. [about L*]
    sway : ndarray, shape (n,)
        How much the strip's colour may be swayed by something else than ground that lies beside it or near: no more
        than by that thing's own difference from the ground. [about Delta E]
    spread : ndarray, shape (n,)
        Scatter of the colour across the strip: a pad is even, letters, holes and slanting stripes are not. [Delta E]
    off_usual : ndarray, shape (rows, n, 3)
        How far each pixel across the strip lies from its column's colour, NaN out of the slot. [about CIELAB]
    in_slot, covered : ndarray of bool, shape (n,)
        Whether the place lies in the slot; whether something that is neither strip nor ground reaches across an edge
        there.
    """

    along: Float
    contrast: Float
    raw: Float
    light_play: Float
    sway: Float
    spread: Float
    off_usual: Float32
    in_slot: Bool
    covered: Bool


def measure_profile(ribbon: Ribbon, *, width_mm: float, lane_mm: float, side: float | None = None) -> Profile:
    """Return the profile of a strip whose middle runs along the ribbon's middle.

    ``lane_mm`` is the width about that middle which all pads cover; ``side`` is -1 or 1 where only that edge of the
    strip lies in the slot: then the strip is looked at up to it.
    """
    distance = np.abs(ribbon.across)
    inner = distance <= width_mm / 2 - _CLEAR_INSIDE
    lane = distance <= max(min(lane_mm, width_mm) / 2 - _CLEAR_INSIDE, _LEAST_LANE_MM / 2)
    if side is not None:
        lane |= inner & (side * ribbon.across > 0)
    flank = (distance >= width_mm / 2 + _CLEAR_OUTSIDE) & (distance <= width_mm / 2 + _CLEAR_OUTSIDE + _FLANK)
    rim = inner & (distance >= width_mm / 2 - _CLEAR_INSIDE - _FLANK)
    body, spread, off_usual = _across(ribbon.roots[lane], ribbon.in_slot[lane])
    in_slot = ribbon.in_slot[lane].sum(axis=0) >= _LEAST_ROWS
    beyond = ribbon.in_slot & (distance >= width_mm / 2 + _CLEAR_OUTSIDE)[:, None]
    around = ribbon.roots.reshape(-1, 3)[np.flatnonzero(beyond)[::4]]  # plenty to know the ground by
    ground, hue_off = _usual_ground(around) if len(around) else (np.median(body, axis=0), _HUE_OFF)
    luminance = lab_difference(np.eye(3))[:, 0]
    lit = np.full((2, len(body)), np.nan)
    covered, sway = np.zeros(len(body), dtype=bool), np.zeros(len(body))
    for k, half in enumerate((ribbon.across < 0, ribbon.across > 0)):
        pixels, within = ribbon.roots[flank & half], ribbon.in_slot[flank & half]
        like = within & _like_ground(pixels, ground, hue_off)
        rows, own = within.sum(axis=0), like.sum(axis=0)
        usable = rows >= _LEAST_ROWS
        other = usable & (own < 0.5 * rows)
        good = usable & ~other
        lit[k][good] = (pixels @ luminance * like).sum(axis=0)[good] / own[good] / (ground @ luminance)
        colour = (pixels * within[..., None]).sum(axis=0) / np.maximum(rows, 1)[:, None]
        from_ground = lengths(lab_difference(colour - ground))
        edge = lengths(lab_difference(ribbon.roots[rim & half].mean(axis=0) - colour))
        sway = np.maximum(sway, np.where(other, from_ground, 0.0))
        covered |= other & (edge < _SAME_THING * from_ground)
    reach = width_mm / 2 - _CLEAR_INSIDE
    share = reach / (width_mm / 2 + _CLEAR_OUTSIDE + _FLANK / 2)
    light = _light_on_strip(lit, body_share=share)
    freed = body / np.maximum(light, 0.2)[:, None] if ground.min() > _DARK_GROUND else body
    return Profile(
        along=ribbon.along,
        contrast=lab_difference(freed - ground),
        raw=lab_difference(body - ground),
        light_play=_light_play(light, in_slot),
        sway=_most_within(sway, _NEAR_MM),
        spread=spread,
        off_usual=off_usual,
        in_slot=in_slot,
        covered=covered,
    )


def _across(roots: Float32, in_slot: Bool) -> tuple[Float, Float, Float32]:
    """Return the usual colour (n, 3) across rows (rows, n, 3), its scatter (n,) and each pixel's departure from it.

    Only rows in the slot count. A lamp may mirror in a wet pad: the usual colour lies somewhat below the median, and
    what is brighter is no scatter.
    """
    middle = int(_RANK * len(roots))
    body = np.partition(roots, middle, axis=0)[middle]
    partly = in_slot.any(axis=0) & ~in_slot.all(axis=0)
    if partly.any():
        rows = np.sort(np.where(in_slot[:, partly, None], roots[:, partly], np.inf), axis=0)
        rank = (_RANK * in_slot[:, partly].sum(axis=0)).astype(int)
        body[partly] = np.take_along_axis(rows, rank[None, :, None], axis=0)[0]
    off = lab_difference(roots - body)
    far = np.where(in_slot & (off[..., 0] < _BRIGHTER), lengths(off), 0.0)
    spread = np.sqrt((far**2).sum(axis=0) / np.maximum(in_slot.sum(axis=0), 1))
    off[~in_slot] = np.nan
    return body.astype(np.float64), spread, off


def _usual_ground(roots: Float32) -> tuple[Float, float]:
    """Return the ground's colour in full light (its brighter pixels) and how far from its hue its own pixels may be."""
    middle = np.median(roots, axis=0).astype(np.float64)
    light, hue = _light_and_hue(roots[::2], middle)
    hue_off = max(_HUE_OFF, _HUE_SCATTERS * float(quantile(hue)))
    own = hue < hue_off
    return (middle * float(quantile(light[own], 0.75)) if own.any() else middle), hue_off


def _light_and_hue(colour: Float32, ground: Float) -> tuple[Float32, Float32]:
    """Return how much light colours, shape (..., 3), have over the ground's, and how far off in Delta E its hue is."""
    own = ground.astype(np.float32)
    light: Float32 = colour @ (own / (own @ own))
    at_full: Float32 = np.divide(colour, np.maximum(light, 0.05)[..., None])
    return light, lengths(lab_difference(at_full - own))


def _most_within(values: Float, reach_mm: float) -> Float:
    """Return the largest of the values near each place."""
    window = np.ones((1, 2 * round(reach_mm / STEP_MM) + 1), dtype=np.uint8)
    result: Float = cv2.dilate(values[None, :].astype(np.float32), window)[0].astype(np.float64)
    return result


def _light_play(light: Float, in_slot: Bool) -> Float:
    """Return the range of L* that a white would run through in this light within a few mm of each place.

    Out of the slot no light is seen: there it may do whatever it does within.
    """
    lightness = 116.0 * light / light.max()
    play = _most_within(lightness, _PLAY_MM) + _most_within(-lightness, _PLAY_MM)
    play[~in_slot] = np.ptp(lightness)
    return np.maximum(play - _EVEN_LIGHT, 0.0)


def _like_ground(colour: Float32, ground: Float, hue_off: float) -> Bool:
    """Return where a colour, shape (..., 3), is the ground's in more or less light."""
    light, hue = _light_and_hue(colour, ground)
    result: Bool = (hue < hue_off) & (light > _DARKEST) & (light < _BRIGHTEST)
    return result


def _light_on_strip(lit: Float, *, body_share: float) -> Float:
    """Return the light in the strip's place, from the ground along both sides.

    The edge of a shadow crosses the strip at some angle, so it reaches one side earlier than the other. The lag between
    both sides is found first; in between, the light is that of the sides, moved by its share of the lag. Where the
    light only changes slowly it is averaged over more of the ground, so that the ground's noise stays off the strip.

    Parameters
    ----------
    lit : ndarray, shape (2, n)
        Brightness of the ground along either side over its usual one, NaN where it is not seen.
    body_share : float
        How far the part of the strip that is looked at reaches, as a share of the way to the sides.

    Returns
    -------
    ndarray, shape (n,)
    """
    lag = _lag_between_sides(lit)
    place = np.arange(lit.shape[1])
    total, count = np.zeros(len(place)), np.zeros(len(place))
    for side, at in zip(lit, (place + lag, place - lag), strict=True):
        moved = side[np.clip(at, 0, len(side) - 1)]
        known = np.isfinite(moved) & (at >= 0) & (at < len(side))
        total[known] += moved[known]
        count += known
    if not count.any():
        return np.ones(len(place))
    quick = _average(total, count, max(round(body_share * abs(lag)), round(_LIGHT_MM / 2 / STEP_MM)))
    slow = _average(total, count, round(_SLOW_LIGHT_MM / 2 / STEP_MM))
    change = quick - slow
    noise = max(1.48 * float(quantile(np.abs(change))), 1e-4)
    sudden = np.clip(np.abs(change) / noise / 2 - 1, 0, 1)  # 0 up to two, 1 from four standard deviations
    sudden = cv2.dilate(sudden[None, :], np.ones((1, 2 * round(_LIGHT_MM / STEP_MM) + 1), np.uint8))[0]
    light: Float = slow + sudden * change
    return light


def _average(total: Float, count: Float, reach: int) -> Float:
    """Return the running mean over ``reach`` places to either side, gaps filled from their neighbours."""
    window = np.ones(2 * reach + 1)
    sums, weight = np.convolve(total, window, mode="same"), np.convolve(count, window, mode="same")
    have = np.flatnonzero(weight > 0.5)
    result: Float = np.interp(np.arange(len(total)), have, sums[have] / weight[have])
    return result


def _lag_between_sides(brightness: Float) -> int:
    """Return the lag, in half steps of the ribbon, at which both sides' light agrees best; 0 unless that is clear."""
    one, other = brightness
    n = len(one)
    seen = brightness[np.isfinite(brightness)]
    if len(seen) and seen.std() < _EVEN:
        return 0  # nothing casts a shadow
    best, lag = np.inf, 0
    for tried in sorted(range(-_LONGEST_LAG, _LONGEST_LAG + 1, 2), key=abs):
        size = n - 2 * abs(tried)
        a, b = max(tried, 0), max(-tried, 0)
        off = np.abs(one[2 * a : 2 * a + size] - other[2 * b : 2 * b + size])
        known = np.isfinite(off)
        if known.sum() < n / 3:
            continue
        misfit = float(off[known].mean())
        if misfit < (best if lag else 0.8 * best):
            best, lag = misfit, tried
    return lag


@dataclass(frozen=True, slots=True)
class Run:
    """From where to where the strip shows; an end is open where the slot ends, or something covers it, before it.

    ``contrast`` is how far the strip's usual colour lies from the ground's. [about Delta E]
    """

    start: float
    end: float
    start_open: bool
    end_open: bool
    contrast: float


def find_run(profile: Profile, *, length_mm: float, longest_gaps_mm: tuple[float, ...]) -> Run | None:
    """Return the piece that differs from the ground; gaps of the ground's colour (pads, holes) are bridged.

    How much counts as differing is not known beforehand: a coloured handle may differ less than plastic does, a smudge
    on the ground a little. Of the longest pieces at falling shares of the usual difference, the first one of about
    ``length_mm`` is taken, else the one nearest to it. None where there is none.
    """
    size = lengths(profile.contrast)
    usable = profile.in_slot & ~profile.covered
    seen = usable & (size > _LEAST_CONTRAST)
    if seen.sum() * STEP_MM < 5:
        return None
    inner = usable & (
        np.abs(profile.along - _likely_middle(np.where(seen, size, 0.0), length_mm)) < _SURELY_STRIP * length_mm
    )
    level = float(quantile(size[inner if inner.any() else seen]))
    runs: list[Run] = []
    for share in _SHARES:
        open_ended = []
        for gap in longest_gaps_mm:
            pieces = _pieces(seen & (size > share * level), round(gap / STEP_MM), ~usable)
            if not pieces:
                continue
            first, last = max(pieces, key=lambda piece: piece[1] - piece[0])
            run = _run(profile.along, size, usable, first, last, level)
            length = run.end - run.start
            if abs(length - length_mm) < _LENGTH_OFF * length_mm:
                return run
            runs.append(run)
            if run.start_open != run.end_open and length < length_mm:
                open_ended.append(run)
        if open_ended:  # the rest lies where nothing is seen; print in the middle may have cut off a piece
            return max(open_ended, key=lambda run: run.end - run.start)
    return min(runs, key=lambda run: abs(run.end - run.start - length_mm), default=None)


def _likely_middle(size: Float, length_mm: float) -> float:
    """Return the middle of the stretch, as long as a strip, that differs most; strong colours count as usual ones."""
    window = np.ones(2 * round(length_mm / 2 / STEP_MM) + 1)
    sums = np.convolve(np.minimum(size, quantile(size[size > 0])), window, mode="same")
    return float(np.mean(np.flatnonzero(sums > sums.max() - 1e-6)) - len(size) // 2) * STEP_MM


def _run(along: Float, size: Float, usable: Bool, first: int, last: int, contrast: float) -> Run:
    """Return the piece with its ends where the difference has fallen to half of what it is just inside."""
    ends = []
    for at, outwards in ((first, -1), (last, 1)):
        blocked = any(not (0 <= at + outwards * k < len(usable)) or not usable[at + outwards * k] for k in range(1, 5))
        place = float(along[at])
        if not blocked:
            inside = np.sort([at - outwards * 2, at - outwards * 6])
            half = 0.5 * float(np.median(size[max(inside[0], 0) : inside[1] + 1]))
            near = np.arange(at - outwards * 3, at + outwards * 5, outwards)
            near = near[(near >= 0) & (near < len(size))]
            below = np.flatnonzero(size[near] < half)
            if len(below) and below[0] > 0:
                k, before = near[below[0]], near[below[0] - 1]
                fall = size[before] - size[k]
                place = float(along[before]) + outwards * STEP_MM * float((size[before] - half) / max(fall, 1e-9))
        ends.append((place, blocked))
    return Run(ends[0][0], ends[1][0], ends[0][1], ends[1][1], contrast)


def _pieces(on: Bool, longest_gap: int, hidden: Bool) -> list[tuple[int, int]]:
    """Return first and last index of pieces; gaps are bridged when short, not counting what is hidden."""
    index = np.flatnonzero(on)
    if len(index) == 0:
        return []
    dark = np.concatenate([[0], np.cumsum(~hidden)])
    gap = dark[index[1:]] - dark[index[:-1] + 1]
    cuts = np.flatnonzero(gap > longest_gap)
    starts, stops = np.concatenate([[0], cuts + 1]), np.concatenate([cuts, [len(index) - 1]])
    return [(int(index[a]), int(index[b])) for a, b in zip(starts, stops, strict=True)]
