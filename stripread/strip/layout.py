"""Judge a hypothesis: that a kind's pads lie at one end of a strip, against that it is the end one holds it by.

Along the strip the pads are steps of colour on plastic (`steps.py`), at the places that the kind names, moved along by
a little. What the fit leaves over (``misfit``) tells a pad from print, holes and stripes, which do not fill a pad's
place evenly. The odds weigh a step's size under both hypotheses: a pad differs from its plastic by anything up to 60
Delta E; the other end is plain plastic, at times shaded or dirty, and rarely bears a mark of just that form.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.steps import (
    ENDS_MM,
    GAP_MM,
    GRAIN,
    LEAST_GAP_MM,
    RIM_MM,
    StepNoise,
    Steps,
    StripColour,
    fit_steps,
    without_play,
)
from stripread.strip.view import STEP_MM, lengths, quantile

__all__ = ["Layout", "judge_layout"]

Bool = NDArray[np.bool_]

# Millimetres and colours of our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the
# seen families (``make bench-find``).
_APART_MM = 0.6  # pads are set together: how far each may lie from where all of them are best placed
_TRY_MM = 0.05
_LEAST_STEP, _LEAST_CLEARNESS, _MOST_MISFIT = 0.7, 4.0, 0.6  # from which a pad is seen
_LEAST_STEP_KNOWN, _LEAST_CLEARNESS_KNOWN = 0.4, 2.5  # the same where its place is known by the other pads
_HARDLY_SHOWS = 2.0  # Delta E up to which one of several pads must fill its place; uneven plastic does not
_STAIN, _STAIN_MM, _STAIN_RIM_MM = 6.0, 1.5, 0.75  # Delta E and length from which what is beside a pad is no plastic
_NEAR_MM = 3 * GAP_MM + 1.0  # behind the pads: as much of the strip as tells about them
# What the odds rest on: shares of pads too like their plastic to be seen; of ends that are shaded or dirty, by how much
# (Delta E); of handles that bear a mark of a pad's form. Our guesses; ten times more or less moves few photos.
_PALE, _SHADES, _MARKED = 0.1, ((0.2, 0.8), (0.05, 3.0)), 0.002
_FAINT = 3.0  # Delta E from which pads' steps are spread evenly in the logarithm
_LARGEST_STEP = 60.0
_MISFIT_USUAL, _MISFIT_COST = 0.15, 8.0  # of a pad's own step: bled, dried, uneven; log odds at the most
_BESIDE_MM = 4.0  # of plastic beside pads, whose colour it is known by
_FILLS, _FILLS_OFF = 0.75, 0.12  # share of a pad's place that has its colour, glare in it allowed for
# Of a pad's step, what seven of eight places within it have at least: print and holes show plastic in between, a pad
# whose dye is uneven does not. From the second on, its unevenness counts by less than half.
_FLOOR_SHARE, _FLOOR, _UNEVEN = 0.125, (0.15, 0.3), 0.4
_STAIN_COST = 2.0  # log odds: pads are set on plain plastic
_HOLE_COST, _HOLE_BEHIND_COST, _LINE_COST, _REACHES_COST = 3.0, 6.0, 1.0, 4.0  # log odds
_TIP_MM = 0.4  # blur of the tip's edge and of a pad's
_CAP_STEP, _CAP_FALLS = 6.0, 0.25  # a handle's cap: Delta E; share of it by which it may fall off towards the end
_NEARER_GROUND = 0.5  # of the plastic's usual difference from the ground
_HOLE_COLOUR, _HOLE_DARKER = 6.0, 30.0  # Delta E from the ground, and L* under it, of a hole in whose depth it shows
_LEAST_FOR_MISFIT = 4.0  # Delta E
_SPREAD = 0.1  # of the strongest pad's step
_CORRELATED = 4.0  # columns of 0.25 mm that scatter as one
_STRONG, _STRONG_STEP = 0.25, 6.0  # of the strongest pad's step, and Delta E, from which a pad's own place is sought
_SHIFT_MM = 0.7  # how far pads lie from their kind's place, standard deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a kind's layout fits one end.

    Attributes
    ----------
    log_odds : float
        Natural logarithm of the odds that the pads lie here, against that this is the handle's end.
    shifts_mm : tuple of float
        How far along each pad lies from where the kind puts it.
    steps, clear, misfit : tuple of float
        Of each pad: its colour less the plastic's [Delta E]; the same in standard deviations of such steps on plain
        plastic; what its fit leaves over, as a share of the step.
    filled : tuple of float
        Share of each pad's place that has its colour rather than the plastic's.
    seen : tuple of bool
        Which pads show.
    stained : str or None
        The pad beside which something else than plastic lies.
    """

    log_odds: float
    shifts_mm: tuple[float, ...]
    steps: tuple[float, ...]
    clear: tuple[float, ...]
    misfit: tuple[float, ...]
    filled: tuple[float, ...]
    seen: tuple[bool, ...]
    stained: str | None


def judge_layout(strip: StripColour, kind: StripKind, noise: StepNoise, *, play_mm: float, tip_seen: bool) -> Layout:
    """Return how the kind's pads fit the colour along the strip.

    Parameters
    ----------
    play_mm : float
        How far along the pads may lie from where the kind puts them.
    tip_seen : bool
        Whether the place of the tip was measured; if not, plastic close to it may be no plastic.
    """
    places = np.array([pad.centre_mm[0] for pad in kind.pads])
    sizes = np.array([pad.size_mm[0] for pad in kind.pads])
    shifts, at_end = _place_pads(strip, places, sizes, noise, play_mm)
    starts, ends = (places + shifts - sizes / 2)[None], (places + shifts + sizes / 2)[None]
    fitted = fit_steps(strip, starts, ends, low=ENDS_MM, high=strip.length_mm - ENDS_MM, rim_mm=RIM_MM)
    steps = without_play(fitted.steps[0], np.interp(places + shifts, strip.from_tip, strip.light_play))
    size = lengths(steps)
    clear = lengths(steps @ noise.whiten) / np.sqrt(np.maximum(fitted.variance[0] / noise.variance, 1))
    near = strip.until(float(ends[0, -1]) + _NEAR_MM)
    filled, whole = _filled(near, starts[0], ends[0], fitted.steps[0])
    misfit, against = _misfit(near, starts[0], ends[0], fitted, noise, size, whole)
    seen = (size > _LEAST_STEP) & (clear > _LEAST_CLEARNESS) & (against < _MOST_MISFIT) & ~at_end
    if seen.any():  # where the others lie, their place is known
        seen |= (size > _LEAST_STEP_KNOWN) & (clear > _LEAST_CLEARNESS_KNOWN) & (against < _MOST_MISFIT) & ~at_end
    if len(places) > 1:  # plain plastic in its place, of a kind with fewer pads, differs as much here and there
        seen &= (size > _HARDLY_SHOWS) | (filled > _FILLS)
    each = [
        _log_odds(float(d), float(z), float(r)) - (1 - float(w)) * _unfilled_cost(float(share), float(d), noise)
        for d, z, r, w, share in zip(size, clear, against, whole, filled, strict=True)
    ]
    odds = sum(value if on else min(value, 0.0) for value, on in zip(each, seen, strict=True))
    odds -= _REACHES_COST * _reaches_tip(near, float(starts[0, 0]), float(ends[0, 0]), fitted.steps[0, 0])
    odds -= 0.5 * float(np.mean(shifts) / _SHIFT_MM) ** 2
    odds -= _LINE_COST * bool(strip.lines.any())
    odds -= _HOLE_COST * _looks_like_holes(near, starts[0], ends[0])
    odds -= _HOLE_BEHIND_COST * _hole_behind(strip, starts[0], ends[0])
    stained = _stained_beside(near, kind, places + shifts, fitted.steps[0], first_mm=1.0 if tip_seen else 2.5)
    return Layout(
        log_odds=float(odds - (0.0 if stained is None else _STAIN_COST)),
        shifts_mm=tuple(shifts.tolist()),
        steps=tuple(size.tolist()),
        clear=tuple(clear.tolist()),
        misfit=tuple(misfit.tolist()),
        filled=tuple(filled.tolist()),
        seen=tuple(seen.tolist()),
        stained=stained,
    )


def _place_pads(
    strip: StripColour, places: Float, sizes: Float, noise: StepNoise, play_mm: float
) -> tuple[Float, Bool]:
    """Return how far along each pad lies from its place, and whether that is the end of what was tried.

    Least squares with a prior, so that pads which hardly show stay at their place. All pads move together; then each
    that shows well by itself, for the compressed colour of a strong pad beside it would draw a faint one along.
    """

    def best(tried: Float, prior: Float) -> int:
        starts, ends = places + tried - sizes / 2, places + tried + sizes / 2
        low, high = np.minimum(0.0, starts.min(axis=1, keepdims=True)) + ENDS_MM, strip.length_mm - ENDS_MM
        fitted = fit_steps(strip, starts, ends, low=low, high=high, rim_mm=0.0)
        independent = fitted.counts.sum() / len(tried) / _CORRELATED
        return int((independent * fitted.left_over() / noise.column**2 + prior).argmin())

    common = 0.0
    for reach, step in ((play_mm, 3 * _TRY_MM), (2 * _TRY_MM, _TRY_MM)):
        tries = common + np.arange(-reach, reach + step / 2, step)
        common = float(tries[best(np.tile(tries[:, None], len(places)), (tries / _SHIFT_MM) ** 2)])
    if len(places) == 1 and places[0] - sizes[0] / 2 < ENDS_MM + LEAST_GAP_MM:
        common /= 2  # without plastic before it, a larger pad looks like one further along
    shifts = np.full(len(places), common)
    if len(places) > 1:
        blocks = (places + shifts - sizes / 2)[None], (places + shifts + sizes / 2)[None]
        steps = fit_steps(strip, *blocks, low=0.0, high=strip.length_mm, rim_mm=0.0).steps[0]
        size = lengths(steps)
        near = np.arange(-_APART_MM, _APART_MM + _TRY_MM / 2, _TRY_MM)
        for i in np.flatnonzero(size > max(_STRONG * size.max(), _STRONG_STEP)):
            tried = np.tile(shifts, (len(near), 1))
            tried[:, i] = common + near
            shifts[i] = common + float(near[best(tried, (near / _SHIFT_MM) ** 2)])
    return shifts, np.full(len(places), abs(common) > play_mm - 2 * _TRY_MM)


def _filled(strip: StripColour, starts: Float, ends: Float, steps: Float) -> tuple[Float, Float]:
    """Return how much of each pad's place is nearer to the pad's colour than to the plastic's: letters leave gaps.

    And from 0 to 1 whether hardly a place of it is the plastic's.
    """
    shares, whole = np.ones(len(steps)), np.zeros(len(steps))
    at = strip.from_tip
    from_pads = np.maximum(starts[:, None] - at, at - ends[:, None]).min(axis=0)
    beside = (from_pads > RIM_MM) & (from_pads < _BESIDE_MM) & ~strip.lines
    beside &= (at > ENDS_MM) & (at < strip.length_mm - ENDS_MM)
    if not beside.any():
        return shares, whole
    plastic = quantile(strip.colour[beside])
    for i, step in enumerate(steps):
        inside = (at > starts[i] + RIM_MM) & (at < ends[i] - RIM_MM)
        length = float(step @ step)
        if not inside.any() or length < 1e-6:
            continue
        along = (strip.colour[inside] - plastic + strip.off_usual[:, inside]) @ step / length
        along = cv2.blur(np.where(np.isnan(along), 1.0, along).astype(np.float32), (3, 3))
        shares[i] = float((along > 0.5).mean())
        low, high = _FLOOR
        floor = float(np.partition(along, int(_FLOOR_SHARE * along.size), axis=None)[int(_FLOOR_SHARE * along.size)])
        whole[i] = np.clip((floor - low) / (high - low), 0.0, 1.0)
    return shares, whole


def _reaches_tip(strip: StripColour, start: float, end: float, step: Float) -> bool:
    """Tell whether the colour of the first pad's place goes on to the strip's end, as that of a handle's cap does."""
    at = strip.from_tip
    before = (at > _TIP_MM) & (at < start - _TIP_MM)
    inside = (at > start + RIM_MM) & (at < end - RIM_MM)
    length = float(step @ step)
    if not before.any() or not inside.any() or length < _CAP_STEP**2:
        return False
    back = (quantile(strip.colour[inside]) - quantile(strip.colour[before])) @ step / length
    return bool(back < _CAP_FALLS)


def _unfilled_cost(share: float, step: float, noise: StepNoise) -> float:
    """Log odds against a pad whose place is filled by its colour in part only; noise lets a faint one look so."""
    certain = float(np.clip((step / max(noise.spread, 0.3) - 2) / 4, 0, 1))
    return certain * min(0.5 * (max(_FILLS - share, 0.0) / _FILLS_OFF) ** 2, _MISFIT_COST)


def _looks_like_holes(strip: StripColour, starts: Float, ends: Float) -> bool:
    """Tell whether all that lies in the pads' places has the colour of the slot's ground, from which colours count."""
    inside = (strip.from_tip[:, None] > starts + RIM_MM) & (strip.from_tip[:, None] < ends - RIM_MM)
    for one in inside.T:
        light, red, yellow = quantile(strip.colour[one]) if one.any() else (0.0, 0.0, 0.0)
        if not -_HOLE_DARKER < light < _HOLE_COLOUR or np.hypot(red, yellow) > _HOLE_COLOUR:
            return False
    return True


def _hole_behind(strip: StripColour, starts: Float, ends: Float) -> bool:
    """Tell whether what lies behind the last pad is nearer to the ground than to plastic, as a hole's edge has it.

    Then the pads may be the plastic before the hole, unless one of them has another colour.
    """
    behind = (strip.from_tip > ends[-1] + RIM_MM) & (strip.from_tip < ends[-1] + GAP_MM) & ~strip.lines
    on_strip = (strip.from_tip > ENDS_MM) & (strip.from_tip < strip.length_mm - ENDS_MM)
    if not behind.any() or not on_strip.any():
        return False
    plastic = quantile(strip.colour[on_strip])
    share = quantile(strip.colour[behind]) @ plastic / max(float(plastic @ plastic), 1e-9)
    if share >= _NEARER_GROUND:
        return False
    inside = (strip.from_tip[:, None] > starts + RIM_MM) & (strip.from_tip[:, None] < ends - RIM_MM)
    off = lengths(np.array([quantile(strip.colour[one]) - plastic for one in inside.T if one.any()]).reshape(-1, 3))
    return bool((off < max(_NEARER_GROUND * float(np.linalg.norm(plastic)), _STAIN)).all())


def _misfit(
    strip: StripColour, starts: Float, ends: Float, fitted: Steps, noise: StepNoise, size: Float, whole: Float
) -> tuple[Float, Float]:
    """Return what the fit leaves over at each pad beyond the columns' own scatter, as a share of its step.

    A pad is even across the strip as well. Compression spreads the colour of a strong pad over a faint one beside it,
    and that is no misfit of the faint one. The second result is how much of it speaks against a pad, if ``whole`` (k,)
    of none of its place is plastic: then its dye may be uneven.
    """
    from_pads = np.maximum(starts[:, None] - fitted.at, fitted.at - ends[:, None])
    off, counts = fitted.off()[0], fitted.counts[0]
    inside, near = (from_pads < 0) & counts, (from_pads < GAP_MM) & counts
    sums, near_sums = inside @ off, near @ off
    columns, near_columns = np.maximum(inside.sum(axis=1), 1), np.maximum(near.sum(axis=1), 1)
    at = strip.from_tip[:, None]
    core = (at > starts + RIM_MM) & (at < ends - RIM_MM)
    across = (strip.spread[:, None] ** 2 * core).sum(axis=0) / np.maximum(core.sum(axis=0), 1)
    least = np.maximum(size + _SPREAD * (size.max() - size), _LEAST_FOR_MISFIT)

    def share(counted: Float | float) -> Float:
        """Return the misfit where squares within a pad count by a share."""
        along = np.maximum(counted * sums / columns, (near_sums - (1 - counted) * sums) / near_columns)
        left = np.maximum(along - noise.column**2, 0.0) + np.maximum(counted * across - noise.spread**2 - GRAIN**2, 0.0)
        result: Float = np.sqrt(left) / least
        return result

    return share(1.0), share((1 - (1 - _UNEVEN) * whole) ** 2)


def _log_odds(step: float, clear: float, misfit: float) -> float:
    """Log odds of one pad's place: densities of the step's size as a pad's and as that of a handle's end."""
    noise = step / max(clear, 1e-6)
    # Length of a vector whose three components have Student's t with 4 degrees of freedom: texture has tails.
    plain = 0.9375 * clear**2 * (1 + clear**2 / 4) ** -3.5 / max(noise, 1e-6)
    wide = min(step, step**2, 1.0) / (step + _FAINT) / np.log((_LARGEST_STEP + _FAINT) / _FAINT)
    pad = _PALE * plain + (1 - _PALE) * wide
    shaded = sum(share * np.exp(-step / size) / size for share, size in _SHADES) * min(1.0, step**2)
    handle = (
        (1 - _MARKED - sum(share for share, _ in _SHADES)) * plain
        + shaded
        + _MARKED * min(1.0, step**2) / _LARGEST_STEP
    )
    against = min(0.5 * (misfit / _MISFIT_USUAL) ** 2, _MISFIT_COST)
    return float(np.log(max(pad, 1e-12) / max(handle, 1e-12)) - against)


def _stained_beside(
    strip: StripColour, kind: StripKind, places: Sequence[float] | Float, steps: Float, *, first_mm: float
) -> str | None:
    """Return the id of the first pad beside which lies something that is neither plastic nor the pad's bled dye."""
    at = strip.from_tip
    sizes = np.array([pad.size_mm[0] for pad in kind.pads])
    from_pads = np.abs(at[:, None] - np.asarray(places)) - sizes / 2 - _STAIN_RIM_MM
    plastic = ~strip.lines & (from_pads > 0).all(axis=1) & (at > first_mm) & (at < strip.length_mm - 1.0)
    usual = plastic & (from_pads.min(axis=1) < 3 * GAP_MM)
    if not usual.any():
        return None
    off = strip.colour - quantile(strip.colour[usual])
    for step in steps:  # dye that has bled leads from the plastic towards its pad
        off = off - np.clip(off @ (step / max(float(step @ step), 1e-9)), 0, 1)[:, None] * step
    off[:, 0] = np.sign(off[:, 0]) * np.maximum(np.abs(off[:, 0]) - strip.light_play, 0)
    other = plastic & (lengths(off) > _STAIN)
    for pad, distance in zip(kind.pads, from_pads.T, strict=True):
        if np.count_nonzero(other & (distance < GAP_MM)) * STEP_MM >= _STAIN_MM:
            return pad.id
    return None
