"""Judge a kind's layout against the colour along a strip: which pads show, which show that should not, and where."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.view import STEP_MM

__all__ = ["Fit", "fit_layout"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py).
_GAP_MM = 1.5  # how much plastic on either side of a pad is compared with it
_LEAST_STEP = 0.7  # Delta E: a blank pad of a faint kind differs from its plastic by 1.5 to 3
_LEAST_SIGNIFICANCE = 4.0  # times the usual size of such a step on plain plastic of the same strip
_EXTRA_STEP, _EXTRA_SIGNIFICANCE = 2.0, 8.0  # a pad that the kind does not know must show more clearly
_ENDS_MM = 1.0  # the strip's ends, blurred into the ground


@dataclass(frozen=True, slots=True)
class Fit:
    """How a kind's layout fits one way round.

    ``steps`` are the colour steps of the kind's pads against the plastic on both sides [Delta E], ``shifts_mm`` how far
    along the pads lie from where the kind puts them, ``seen`` which of them show; ``extra_mm`` places of pads that the
    kind does not know, from the tip; ``noise`` the usual step on plain plastic.
    """

    steps: tuple[float, ...]
    shifts_mm: tuple[float, ...]
    seen: tuple[bool, ...]
    extra_mm: tuple[float, ...]
    noise: float

    @property
    def whole(self) -> bool:
        """All pads of the kind show, and no other."""
        return all(self.seen) and not self.extra_mm

    @property
    def count(self) -> int:
        """Pads that show, known or not."""
        return sum(self.seen) + len(self.extra_mm)

    @property
    def clearness(self) -> float:
        """The faintest pad's step over the noise."""
        return min(self.steps) / self.noise


def fit_layout(
    from_tip: Float, colour: Float, light_play: Float, hidden: NDArray[np.bool_], kind: StripKind, *, play_mm: float
) -> Fit:
    """Return how the kind's pads fit the colour along the strip.

    Parameters
    ----------
    from_tip : ndarray, shape (n,)
        Distances from the dipped tip, rising, in steps of 0.25 mm.
    colour : ndarray, shape (n, 3)
        Colour there, about CIELAB.
    light_play : ndarray, shape (n,)
        How much of a difference of L* may be light; it is taken off every step.
    hidden : ndarray of bool, shape (n,)
        Where something covers the strip or it lies out of the slot: no unknown pad is looked for there.
    play_mm : float
        How far along a pad may lie from where the kind puts it.
    """
    within = (from_tip > _ENDS_MM) & (from_tip < kind.length_mm - _ENDS_MM)
    plain = within & ~hidden
    for pad in kind.pads:
        plain &= np.abs(from_tip - pad.centre_mm[0]) > pad.size_mm[0] / 2 + play_mm + 0.5
    edges = np.append(from_tip - STEP_MM / 2, from_tip[-1] + STEP_MM / 2)
    ladder = np.vstack([np.zeros(3), np.cumsum(colour, axis=0) * STEP_MM])

    def step_at(centres: Float, size: float) -> Float:
        play = np.interp(centres, from_tip, light_play)
        return _two_sided_step(edges, ladder, centres, size, kind.length_mm, play)

    largest = max(pad.size_mm[0] for pad in kind.pads)
    room = largest / 2 + _GAP_MM + _ENDS_MM / 2
    places = from_tip[~hidden & (from_tip > room) & (from_tip < kind.length_mm - room)]
    everywhere = step_at(places, largest)
    clear = plain & ~_near(from_tip, from_tip[~plain], largest / 2 + _GAP_MM)
    usual = step_at(from_tip[clear], largest)
    noise = float(np.sqrt(np.mean(np.minimum(usual, 4 * np.median(usual) + 1e-3) ** 2))) if len(usual) > 20 else 0.25
    noise = max(noise, 0.05)
    steps, shifts, seen = [], [], []
    for pad in kind.pads:
        tries = np.arange(-play_mm, play_mm + 0.001, 0.05)
        strengths = step_at(pad.centre_mm[0] + tries, pad.size_mm[0])
        best = int(strengths.argmax())
        steps.append(float(strengths[best]))
        shifts.append(float(tries[best]))
        at_limit = best in (0, len(tries) - 1)
        seen.append(not at_limit and steps[-1] > max(_LEAST_STEP, _LEAST_SIGNIFICANCE * noise))
    known = [pad.centre_mm[0] for pad in kind.pads]
    extra = _peaks(places, everywhere, max(_EXTRA_STEP, _EXTRA_SIGNIFICANCE * noise), known, play_mm, largest)
    return Fit(tuple(steps), tuple(shifts), tuple(seen), extra, noise)


def _near(places: Float, others: Float, reach: float) -> NDArray[np.bool_]:
    if len(others) == 0:
        return np.zeros(len(places), dtype=bool)
    at = np.searchsorted(others, places)
    below = np.abs(places - others[np.maximum(at - 1, 0)])
    above = np.abs(others[np.minimum(at, len(others) - 1)] - places)
    result: NDArray[np.bool_] = np.minimum(below, above) <= reach
    return result


def _two_sided_step(edges: Float, ladder: Float, centres: Float, size: float, length: float, play: Float) -> Float:
    """Return how much a piece of ``size`` differs from the plastic on both its sides, in the same direction.

    The geometric mean of the two differences where they agree, 0 where they do not: the edge of a shadow or a slope of
    light, which differs upwards on one side and downwards on the other, gives nothing.
    """

    def mean(low: Float, high: Float) -> Float:
        sums = [np.interp(high, edges, ladder[:, k]) - np.interp(low, edges, ladder[:, k]) for k in range(3)]
        result: Float = np.stack(sums, axis=1) / np.maximum(high - low, 1e-6)[:, None]
        return result

    low, high = centres - size / 2, centres + size / 2
    inside = mean(low, high)
    before, after = inside - mean(low - _GAP_MM, low), inside - mean(high, high + _GAP_MM)
    for step in (before, after):
        step[:, 0] = np.sign(step[:, 0]) * np.maximum(np.abs(step[:, 0]) - play, 0)
    # a pad that reaches to the end of the strip has plastic on one side only
    before = np.where((low < _GAP_MM + _ENDS_MM / 2)[:, None], after, before)
    after = np.where((high > length - _GAP_MM - _ENDS_MM / 2)[:, None], before, after)
    result: Float = np.sqrt(np.clip((before * after).sum(axis=1), 0, None))
    return result


def _peaks(
    places: Float, steps: Float, least: float, known: list[float], play_mm: float, size: float
) -> tuple[float, ...]:
    """Return places of separate peaks that no known pad explains, strongest first."""
    free = steps.copy()
    for centre in known:
        free[np.abs(places - centre) < size + _GAP_MM + play_mm] = 0
    found: list[float] = []
    while len(free) and free.max() > least:
        top = int(free.argmax())
        found.append(float(places[top]))
        free[np.abs(places - places[top]) < size + _GAP_MM] = 0
    return tuple(found)
