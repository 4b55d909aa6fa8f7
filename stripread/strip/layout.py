"""Judge a kind's layout against the colour along a strip: which pads show, which show that should not, and where."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float
from stripread.strip.kinds import StripKind
from stripread.strip.view import STEP_MM

__all__ = ["Fit", "StripColour", "fit_layout"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on 450 simulated photos of the
# normal envelope: their pads were 6 standard deviations clear or more, bare plastic at most 5, mostly under 3.5.
_GAP_MM = 1.5  # how much plastic on either side of a pad is compared with it
_LEAST_STEP = 0.7  # Delta E: a blank pad of a faint kind differs from its plastic by 1.5 to 3
_LEAST_CLEARNESS = 4.0  # times the noise of such a step on plain plastic of the same strip
_EXTRA_STEP, _EXTRA_CLEARNESS = 2.0, 8.0  # a pad that the kind does not know must show more clearly
_CLEAR_ENOUGH = 30.0  # beyond, a pad is no surer
_LEAST_NOISE = np.array([0.05, 0.1, 0.1])  # L*, a*, b*: little plastic may look smoother than it is
_USUAL_NOISE = 0.25  # of each, where too little plastic is free to see it
_ABOUT_AS_CLEAR = 0.8  # of the clearest place
_APART_MM = 1.0  # pads are set together: their shifts may not differ by more
_RIM_MM = 0.75  # a pad's blur and unevenly cut edge
_STAIN, _STAIN_MM = 6.0, 0.75  # Delta E and length from which what lies beside a pad is no plastic
_ENDS_MM = 1.0  # the strip's ends, blurred into the ground


@dataclass(frozen=True, slots=True)
class Fit:
    """How a kind's layout fits one way round.

    ``steps`` are the colour steps of the kind's pads against the plastic on both sides [Delta E], ``clear`` the same in
    standard deviations of such steps on plain plastic, ``shifts_mm`` how far along the pads lie from where the kind
    puts them, ``seen`` which of them show; ``extra_mm`` places of pads that the kind does not know, from the tip;
    ``stained`` the pad beside which something else than plastic lies, if any.
    """

    steps: tuple[float, ...]
    clear: tuple[float, ...]
    shifts_mm: tuple[float, ...]
    seen: tuple[bool, ...]
    extra_mm: tuple[float, ...]
    stained: str | None

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
        """How clear the kind's pads are together."""
        return sum(min(clear, _CLEAR_ENOUGH) for clear in self.clear)


@dataclass(frozen=True, slots=True)
class StripColour:
    """The colour along a strip from its dipped tip, at rising places in steps of 0.25 mm.

    ``colour`` is about CIELAB with the light divided out, ``raw`` without, shape (n, 3); ``light_play`` tells how much
    of a difference of L* may be light and is taken off every step; ``sway`` by how much something beside the strip may
    sway its colour [about Delta E].
    """

    from_tip: Float
    colour: Float
    raw: Float
    light_play: Float
    sway: Float
    length_mm: float

    def steps_at(self, centres: Float, size_mm: float) -> "Steps":
        """Return how pieces of that size differ from the plastic on both sides of them."""
        edges = np.append(self.from_tip - STEP_MM / 2, self.from_tip[-1] + STEP_MM / 2)
        ladder = np.vstack([np.zeros(3), np.cumsum(self.colour, axis=0) * STEP_MM])
        play = np.interp(centres, self.from_tip, self.light_play)
        return _two_sided_steps(edges, ladder, centres, size_mm, self.length_mm, play)


@dataclass(frozen=True, slots=True)
class Steps:
    """How pieces of the strip differ from the plastic on either side of them in L*, a*, b*; shape (n, 3)."""

    before: Float
    after: Float

    def size(self, whiten: Float | None = None) -> Float:
        """Return the steps' length, shape (n,), in Delta E or, by ``whiten``, in standard deviations.

        The geometric mean of the two differences where they agree, 0 where they do not: the edge of a shadow or a slope
        of light, which differs upwards on one side and downwards on the other, gives nothing.
        """
        before, after = (x if whiten is None else x @ whiten for x in (self.before, self.after))
        result: Float = np.sqrt(np.clip((before * after).sum(axis=1), 0, None))
        return result


def fit_layout(strip: StripColour, kind: StripKind, *, play_mm: float, tip_seen: bool) -> Fit:
    """Return how the kind's pads fit the colour along the strip.

    Parameters
    ----------
    play_mm : float
        How far along a pad may lie from where the kind puts it.
    tip_seen : bool
        Whether the place of the tip was measured; if not, plastic close to it may be no plastic.
    """
    at, largest = strip.from_tip, max(pad.size_mm[0] for pad in kind.pads)
    plain = (at > _ENDS_MM) & (at < kind.length_mm - _ENDS_MM) & (strip.sway == 0)
    for pad in kind.pads:
        plain &= np.abs(at - pad.centre_mm[0]) > pad.size_mm[0] / 2 + play_mm + 0.5
    whiten = _whitener(strip.steps_at(at[plain & ~_near(at, at[~plain], largest / 2 + _GAP_MM)], largest))
    tries = np.arange(-play_mm, play_mm + 0.001, 0.05)
    steps, clear, shifts, seen = [], [], [], []
    for pad in kind.pads:
        tried = strip.steps_at(pad.centre_mm[0] + tries, pad.size_mm[0])
        strengths = tried.size(whiten)
        # rims and thin shadows hardly tint, so among the places that are about as clear the largest difference decides
        best = int(np.where(strengths > _ABOUT_AS_CLEAR * strengths.max(), tried.size(), 0).argmax())
        steps.append(float(tried.size()[best]))
        clear.append(float(strengths[best]))
        shifts.append(float(tries[best]))
        seen.append(0 < best < len(tries) - 1 and steps[-1] > _LEAST_STEP and clear[-1] > _LEAST_CLEARNESS)
    clearest = shifts[int(np.argmax(clear))]
    seen = [on and abs(shift - clearest) < _APART_MM for on, shift in zip(seen, shifts, strict=True)]
    places = [pad.centre_mm[0] + shift for pad, shift in zip(kind.pads, shifts, strict=True)]
    rest = strip
    for pad, place, on in zip(kind.pads, places, seen, strict=True):
        if on:
            rest = _painted_over(rest, place, pad.size_mm[0])
    extra = _extra_pads(rest, largest, whiten)
    plastic = np.median(strip.colour[plain], axis=0) if plain.any() else np.median(strip.colour, axis=0)
    stained = _stained_beside(strip, kind, places, plastic, first_mm=_ENDS_MM if tip_seen else _ENDS_MM + 1.5)
    return Fit(tuple(steps), tuple(clear), tuple(shifts), tuple(seen), extra, stained)


def _whitener(usual: Steps) -> Float:
    """Return the matrix, shape (3, 3), that turns steps into multiples of the noise of the usual ones.

    Lightness is often good to 0.1 where compression leaves blotches of 1 or 2 in a* and b*, so each direction of colour
    is weighed by its own noise.
    """
    both = np.concatenate([usual.before, usual.after])
    if len(both) < 40:
        return np.eye(3) / _USUAL_NOISE
    scale = np.maximum(1.48 * np.median(np.abs(both), axis=0), _LEAST_NOISE)
    far = np.sqrt(((both / scale) ** 2).mean(axis=1))
    both = both / (1 + (far / 4) ** 2)[:, None]  # dirt, and pads that the kind does not know, hardly count
    values, axes = np.linalg.eigh(both.T @ both / len(both) + np.diag(_LEAST_NOISE**2))
    result: Float = axes / np.sqrt(values)
    return result


def _painted_over(strip: StripColour, place: float, size: float) -> StripColour:
    """Return the strip with a pad replaced by the plastic on both its sides."""
    at = strip.from_tip
    inside = np.abs(at - place) <= size / 2 + _RIM_MM
    both = np.hstack([strip.colour, strip.raw])
    for channel in both.T:
        channel[inside] = np.interp(at[inside], at[~inside], channel[~inside])
    return replace(strip, colour=both[:, :3], raw=both[:, 3:])


def _extra_pads(strip: StripColour, size: float, whiten: Float) -> tuple[float, ...]:
    """Return places of pads on a strip whose known pads are painted over, strongest first.

    They must show with and without the light divided out: what lies beside the strip must not draw pads on it.
    """
    room = size / 2 + _GAP_MM + _ENDS_MM / 2
    there = (strip.from_tip > room) & (strip.from_tip < strip.length_mm - room)
    places, least = strip.from_tip[there], _EXTRA_STEP + strip.sway[there]
    unlit = replace(strip, colour=strip.raw)
    both = [strip.steps_at(places, size), unlit.steps_at(places, size)]
    free = np.min([np.minimum(s.size(whiten) / _EXTRA_CLEARNESS, s.size() / least) for s in both], axis=0)
    found: list[float] = []
    while len(free) and free.max() > 1:
        top = int(free.argmax())
        found.append(float(places[top]))
        free[np.abs(places - places[top]) < size + _GAP_MM] = 0
    return tuple(found)


def _stained_beside(
    strip: StripColour, kind: StripKind, places: list[float], plastic: Float, *, first_mm: float
) -> str | None:
    """Return the id of the first pad beside which there is something else than the strip's plastic."""
    at = strip.from_tip
    off = strip.colour - plastic
    off[:, 0] = np.sign(off[:, 0]) * np.maximum(np.abs(off[:, 0]) - strip.light_play, 0)
    other = (np.sqrt((off**2).sum(axis=1)) > _STAIN) & (at > first_mm) & (at < strip.length_mm - _ENDS_MM)
    for pad, place in zip(kind.pads, places, strict=True):
        other &= np.abs(at - place) > pad.size_mm[0] / 2 + _RIM_MM
    for pad, place in zip(kind.pads, places, strict=True):
        beside = np.abs(at - place) < pad.size_mm[0] / 2 + _RIM_MM + _GAP_MM
        if np.count_nonzero(other & beside) * STEP_MM >= _STAIN_MM:
            return pad.id
    return None


def _near(places: Float, others: Float, reach: float) -> NDArray[np.bool_]:
    if len(others) == 0:
        return np.zeros(len(places), dtype=bool)
    at = np.searchsorted(others, places)
    below = np.abs(places - others[np.maximum(at - 1, 0)])
    above = np.abs(others[np.minimum(at, len(others) - 1)] - places)
    result: NDArray[np.bool_] = np.minimum(below, above) <= reach
    return result


def _two_sided_steps(edges: Float, ladder: Float, centres: Float, size: float, length: float, play: Float) -> Steps:
    """Return how pieces of ``size`` differ from the plastic on both their sides."""

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
    return Steps(before, after)
