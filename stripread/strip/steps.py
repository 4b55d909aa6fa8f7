"""Steps of colour along a strip, fitted by least squares, and how large such steps come out on plain plastic.

For blocks of known places,

    colour(x) = plastic + slope x + sum of step_i inside_i(x)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.view import STEP_MM, Float32, lengths, quantile

__all__ = [
    "ENDS_MM",
    "GAP_MM",
    "GRAIN",
    "LEAST_GAP_MM",
    "RIM_MM",
    "StepNoise",
    "Steps",
    "StripColour",
    "fit_steps",
    "handle_from",
    "lines_behind",
    "slide_steps",
    "step_noise",
    "without_play",
]

# Millimetres and colours of our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the
# seen families (``make bench-find``).
GAP_MM, _LONG_GAP_MM = 2.5, 5.0  # plastic beside a pad that is compared with it; where only one side has any
RIM_MM = 0.5  # a pad's blur and unevenly cut edge
_RAMP_MM = 0.5  # over which an edge is blurred
ENDS_MM = 0.75  # the strip's ends, blurred into the ground
LEAST_GAP_MM = 0.6
GRAIN = 1.5  # Delta E by which a pad's paper scatters more than plastic does
_LINE_MM, _LINE_STEP = 2.0, 3.0  # width of a printed line at the most; Delta E
_OF_LINE = 0.4  # of the strongest line's difference: its blur is less
_LINES_SHARE = 0.4  # of the plastic near the pads that lines may cover
_SLOPE = 10.0  # ridge on the slope, mm2: light changes by less than a tenth of the columns' scatter a mm
_LEAST_NOISE = np.array([0.05, 0.1, 0.1])  # L*, a*, b*: little plastic may look smoother than it is
_ENOUGH = 40  # columns of 0.25 mm
_LEAST_COLUMN = 0.05  # Delta E
_USUAL_NOISE = 0.25  # of each, where too little plastic is free to see it
_HANDLE_FROM = 0.55  # of the length: beyond it marks are the handle's, where the kind does not say
_BEHIND_PADS_MM = 3.0  # where pads reach further, that much plastic behind them is none


Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripColour:
    """The colour along a strip from its dipped tip, at rising places in steps of 0.25 mm.

    ``colour`` is about CIELAB with the light divided out, ``raw`` without, shape (n, 3); ``light_play`` tells how much
    of a difference of L* may be light and is taken off every step; ``sway`` by how much something beside the strip may
    sway its colour; ``spread`` is the scatter across the strip [both about Delta E], ``off_usual``
    (rows, n, 3) each pixel's departure from its column's colour; ``lines`` where thin lines are printed
    behind the pads.
    """

    from_tip: Float
    colour: Float
    raw: Float
    light_play: Float
    sway: Float
    spread: Float
    off_usual: Float32
    lines: Bool
    length_mm: float

    def until(self, end_mm: float) -> "StripColour":
        """Return the part of the strip from its tip to a place."""
        part = slice(int(np.searchsorted(self.from_tip, end_mm)))
        return StripColour(
            from_tip=self.from_tip[part],
            colour=self.colour[part],
            raw=self.raw[part],
            light_play=self.light_play[part],
            sway=self.sway[part],
            spread=self.spread[part],
            off_usual=self.off_usual[:, part],
            lines=self.lines[part],
            length_mm=self.length_mm,
        )


def lines_behind(from_tip: Float, colour: Float, kind: StripKind) -> Bool:
    """Tell which columns bear a line across the strip, such as many strips have to tell the pads' end from the handle.

    A line is thinner than any pad, on plastic that is alike at both its sides: a median along the strip takes it away.
    """
    result = np.zeros(len(from_tip), dtype=bool)
    last = max(pad.centre_mm[0] + pad.size_mm[0] / 2 for pad in kind.pads)
    window = 2 * round(_LINE_MM / STEP_MM) + 1
    at = np.flatnonzero((from_tip > last - _LINE_MM) & (from_tip < last + _LONG_GAP_MM + 2 * _LINE_MM))
    if len(at) <= window:
        return result
    half = window // 2
    usual = np.sort(np.lib.stride_tricks.sliding_window_view(colour[at], window, axis=0))[..., half]  # medians
    own = at[half:-half]
    off = lengths(colour[own] - usual)
    line = off > max(_LINE_STEP, _OF_LINE * off.max())
    if line.mean() < _LINES_SHARE:  # more than that is a handle's pattern
        blurred = np.convolve(line, np.ones(2 * round(_RAMP_MM / STEP_MM) + 1), mode="same") > 0
        result[own] = blurred & (from_tip[own] > last + RIM_MM)
    return result


@dataclass(frozen=True, slots=True)
class Steps:
    """Fits at m tries of k blocks to the n columns ``at``.

    ``colour`` (n, 3), ``counts`` (m, n) tells which columns count, ``design`` (m, 2 + k, n) is zero where they do not,
    ``solution`` (m, 2 + k, 3) has the steps last, and ``inverse`` (m, 2 + k, 2 + k) their formal variances.
    """

    at: Float
    colour: Float
    counts: Bool
    design: Float
    solution: Float
    inverse: Float

    @property
    def steps(self) -> Float:
        """Return the steps (m, k, 3)."""
        return self.solution[:, 2:]

    @property
    def variance(self) -> Float:
        """Return the steps' formal variances (m, k)."""
        result: Float = np.diagonal(self.inverse, axis1=1, axis2=2)[:, 2:]
        return result

    def left_over(self) -> Float:
        """Return the mean squares left over (m,)."""
        residual = (self.colour.T - self.solution.transpose(0, 2, 1) @ self.design) * self.counts[:, None]
        mean: Float = np.einsum("mcn,mcn->m", residual, residual) / np.maximum(self.counts.sum(axis=1), 1)
        return mean

    def off(self) -> Float:
        """Return the squares (m, n) that each column leaves over, 0 where it does not count.

        What is brighter than its pad is no misfit: a lamp may mirror in it.
        """
        residual = self.colour - self.design.transpose(0, 2, 1) @ self.solution
        dark = np.minimum(residual[..., 0], 0)
        residual[..., 0] = np.where((self.design[:, 2:] > 0.5).any(axis=1), dark, residual[..., 0])
        return lengths(residual) ** 2 * self.counts


def fit_steps(
    strip: StripColour,
    starts: Float,
    ends: Float,
    *,
    low: float | Float,
    high: float,
    rim_mm: float,
) -> Steps:
    """Fit plastic, slope and the steps of blocks that reach from ``starts`` to ``ends``, both (m, k).

    Plastic reaches from ``low``, one number or (m, 1), to ``high``.

    With ``rim_mm`` the columns nearer to an edge are left out; without, edges are ramps.
    """
    first, last = starts[:, :1], ends[:, -1:]
    before = np.where(first - low > LEAST_GAP_MM + rim_mm, GAP_MM, 0.0)
    after = np.where(high - last > LEAST_GAP_MM + rim_mm, GAP_MM, 0.0)
    before, after = np.where(after > 0, before, 2 * before), np.where(before > 0, after, 2 * after)
    lowest, highest = np.maximum(first - before, low), np.minimum(last + after, high)
    near = slice(*np.searchsorted(strip.from_tip, (lowest.min(), highest.max() + STEP_MM)))
    x, y = strip.from_tip[near], strip.colour[near]
    counts = (x >= lowest) & (x <= highest) & ~strip.lines[near]
    inwards = np.minimum(x - starts[..., None], ends[..., None] - x)  # how far inside of each block (m, k, n)
    if rim_mm:
        counts &= (np.abs(inwards) >= rim_mm).all(axis=1)
    design = np.empty((len(starts), 2 + starts.shape[1], len(x)))
    design[:, 0] = 1.0
    design[:, 1] = x - (first + last) / 2
    design[:, 2:] = np.clip(inwards / _RAMP_MM + 0.5, 0.0, 1.0)
    design *= counts[:, None]
    ridge = np.full(design.shape[1], 1e-6)
    ridge[1] = _SLOPE
    inverse = np.linalg.inv(design @ design.transpose(0, 2, 1) + np.diag(ridge))
    return Steps(x, y, counts, design, inverse @ (design @ y), inverse)


def slide_steps(colour: Float, size_mm: float) -> tuple[Float, Float, float, int]:
    """Fit a block at every column that has all of the plastic beside it; much quicker than `fit_steps` for each.

    Returns the steps (m, 3), the mean squares left over (m,), the steps' formal variance, and how many columns at each
    end have no fit.
    """
    half = round((size_mm / 2 + GAP_MM) / STEP_MM)
    x = np.arange(-half, half + 1) * STEP_MM
    inwards = size_mm / 2 - np.abs(x)
    keep = np.abs(inwards) >= RIM_MM
    design = np.stack([keep, x * keep, (inwards > 0) & keep], axis=1).astype(np.float64)
    inverse = np.linalg.inv(design.T @ design + np.diag([1e-6, _SLOPE, 1e-6]))
    windows = np.lib.stride_tricks.sliding_window_view(colour, len(x), axis=0).reshape(-1, len(x))  # (m x 3, n)
    solution = windows @ (design @ inverse)
    squares = (windows - solution @ design.T) ** 2 @ (keep / keep.sum())
    return solution[:, 2].reshape(-1, 3), squares.reshape(-1, 3).sum(axis=1), float(inverse[2, 2]), half


@dataclass(frozen=True, slots=True)
class StepNoise:
    """What steps come out at on plain plastic, and how columns scatter there.

    ``whiten`` (3, 3) turns a step of formal variance ``variance`` into multiples of the noise; ``column`` and
    ``spread`` are the scatter of columns along and of pixels across the strip [Delta E].
    """

    whiten: Float
    variance: float
    column: float
    spread: float


def step_noise(strip: StripColour, kind: StripKind, *, play_mm: float) -> StepNoise:
    """Judge the noise by steps of a pad's size on the plastic between the pads and the handle.

    Lightness is often good to 0.1 where compression leaves blotches of 1 or 2 in a* and b*, so each direction of colour
    is weighed by its own noise. Where too little plastic is free, the quieter part of the whole strip decides.
    """
    size = max(pad.size_mm[0] for pad in kind.pads)
    first = max(pad.centre_mm[0] + pad.size_mm[0] / 2 for pad in kind.pads) + play_mm + RIM_MM
    reach = size / 2 + GAP_MM
    handle_mm, window = handle_from(kind), 2 * round(reach / STEP_MM) + 1
    usual = StepNoise(np.eye(3) / _USUAL_NOISE, 0.2, _USUAL_NOISE, float(quantile(strip.spread)))
    behind = np.flatnonzero((strip.from_tip > first) & (strip.from_tip < handle_mm))
    if len(behind) < window + _ENOUGH:
        behind = np.flatnonzero((strip.from_tip > first) & (strip.from_tip < strip.length_mm))
    if len(behind) < window:
        return usual
    steps, left_over, variance, margin = slide_steps(strip.colour[behind], size)
    own = behind[margin : len(behind) - margin]
    at, spread = strip.from_tip[own], strip.spread[own]
    plain = at < strip.length_mm - reach - ENDS_MM
    swayed = strip.from_tip[strip.sway > 0]
    if len(swayed):
        plain &= np.abs(at[:, None] - swayed[None]).min(axis=1) > reach
    before_handle = plain & (at < handle_mm - reach)
    if before_handle.sum() >= _ENOUGH:
        plain = before_handle
    if plain.sum() < _ENOUGH:
        return usual
    steps, left_over, spread = steps[plain], left_over[plain], spread[plain]
    # A quarter of a Gaussian lies within 0.319 standard deviations; print and dirt on half of it do not matter then.
    scale = np.maximum(quantile(np.abs(steps), 0.25) / 0.319, _LEAST_NOISE)
    far = lengths(steps / scale) / np.sqrt(3)
    weighted = steps / (1 + (far / 3) ** 2)[:, None]
    values, axes = np.linalg.eigh(weighted.T @ weighted / len(steps) + np.diag(_LEAST_NOISE**2))
    column = max(float(np.sqrt(quantile(left_over, 0.25))), _LEAST_COLUMN)
    return StepNoise(axes / np.sqrt(values), variance, column, float(quantile(spread, 0.25)))


def handle_from(kind: StripKind) -> float:
    """Return the place from the tip beyond which what shows is the handle's: as the kind says, or about half-way."""
    last = max(pad.centre_mm[0] + pad.size_mm[0] / 2 for pad in kind.pads)
    return kind.handle_from_mm or max(_HANDLE_FROM * kind.length_mm, last + _BEHIND_PADS_MM)


def without_play(steps: Float, play: Float) -> Float:
    """Take off every step's lightness what may be light."""
    result = steps.copy()
    result[:, 0] = np.sign(result[:, 0]) * np.maximum(np.abs(result[:, 0]) - play, 0)
    return result
