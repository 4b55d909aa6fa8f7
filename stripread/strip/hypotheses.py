"""Hypotheses of how a strip lies between its edges: the tip at this end or at that one, and what speaks for each."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.strip.edges import LongEdges
from stripread.strip.kinds import StripKind
from stripread.strip.layout import Layout, judge_layout
from stripread.strip.pose import StripPose, make_pose
from stripread.strip.profile import Profile, Run
from stripread.strip.steps import StepNoise, StripColour, lines_behind, step_noise
from stripread.strip.view import SlotView, lengths, quantile

__all__ = ["Hypothesis", "best_of_end", "colour_odds"]

# Our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the seen families.
_PLAY_MM, _PLAY_OPEN_MM = 1.5, 2.5  # how far along a pad may lie from its place; where only the handle's end is seen
_COVERED = 4.0  # log odds: what lies over a pad's place says nothing for a pad
_BY_HANDLE = 1.0  # log odds that the handle's end tells the tip's place worse than the tip itself
_LENGTH_KNOWN_MM = 1.0  # by which the length must be off for that to be tried
# Delta E that light and phone may shift a pad; chance of a colour further off, and how it falls (Delta E) to the least:
# a mark on the handle may have any colour.
_FAR_COLOUR, _OTHER_COLOUR, _OTHER_FROM, _OTHER_FALLS, _STRANGE_COLOUR = 4.0, 0.03, 12.0, 6.0, 0.003
_ALIKE_BY_CHANCE, _SHOWS = 0.2, 4.0  # marks on handles of about a pad's colour; Delta E from plastic of what is a mark
_WHOLE_MISFIT, _WHOLE_FILLED = 0.25, 0.85  # of a pad that shows whole
_COVER_MARGIN_MM, _COVER_LEAST_MM = 1.0, 0.75
# Where a pad is looked at for its colour, in shares of its sides from its middle.
_WITHIN_PAD = np.stack(np.meshgrid(*[np.linspace(-0.3, 0.3, 7)] * 2), axis=-1).reshape(-1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One way in which the strip may lie; ``covered`` is the pad over which something lies."""

    strip: StripColour
    noise: StepNoise
    layout: Layout
    pose: StripPose
    log_odds: float
    covered: str | None


def best_of_end(
    profile: Profile,
    run: Run,
    edges: LongEdges,
    view: SlotView,
    kind: StripKind,
    *,
    flipped: bool,
) -> Hypothesis:
    """Return the likeliest hypothesis of the tip at one end: its place is that of its edge, or told by the handle's."""
    tip_open, handle_open = (run.end_open, run.start_open) if flipped else (run.start_open, run.end_open)
    edge, by_handle = (run.end, run.start + kind.length_mm) if flipped else (run.start, run.end - kind.length_mm)
    places: list[tuple[float, bool]] = [] if tip_open else [(edge, True)]
    if tip_open or (not handle_open and abs(run.end - run.start - kind.length_mm) > _LENGTH_KNOWN_MM):
        places.append((by_handle, False))
    found = []
    for tip, tip_seen in places:
        strip = _strip_colour(profile, tip, kind, flipped=flipped)
        play = _PLAY_MM if tip_seen else _PLAY_OPEN_MM
        noise = step_noise(strip, kind, play_mm=play)
        layout = judge_layout(strip, kind, noise, play_mm=play, tip_seen=tip_seen)
        shifts = np.array(layout.shifts_mm)
        if not any(layout.seen):
            shifts = np.zeros(len(shifts))  # nothing was found that could be off its place
        if not tip_seen:  # the tip's edge was not seen: the pads say where it is
            tip += (-1 if flipped else 1) * float(np.mean(shifts))
            shifts = shifts - np.mean(shifts)
        middle = float(np.mean([pad.centre_mm[0] for pad in kind.pads]))
        at_pads, direction = edges.at(tip - middle if flipped else tip + middle)
        direction = -direction if flipped else direction
        pose = make_pose(
            at_pads - middle * direction,
            direction,
            {pad.id: float(shift) for pad, shift in zip(kind.pads, shifts, strict=True)},
            {pad.id: step for pad, step in zip(kind.pads, layout.steps, strict=True)},
            view.slot,
            kind,
        )
        covered = _covered_pad(profile, tip - profile.along if flipped else profile.along - tip, layout, kind)
        odds = layout.log_odds - (0.0 if tip_seen or tip_open else _BY_HANDLE)
        odds -= 0.0 if covered is None else _COVERED
        found.append(Hypothesis(strip=strip, noise=noise, layout=layout, pose=pose, log_odds=odds, covered=covered))
    return max(found, key=lambda one: one.log_odds)


def colour_odds(pose: StripPose, view: SlotView, kind: StripKind, colours: Mapping[str, Float]) -> float:
    """Log odds of the colours seen at the pads' places as colours of the lot's pads; 0 where these are not known."""
    pads = [pad for pad in kind.pads if pad.id in colours]
    if view.to_lab is None or not pads:
        return 0.0
    corners = np.stack([pose.pad_polygon_mm(pad) for pad in pads])
    middles = corners.mean(axis=1)
    sides = np.stack([corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0]], axis=1)
    places = middles[:, None] + _WITHIN_PAD @ sides  # (pads, places, 2)
    pixels = np.rint(view.mm_to_view(places.reshape(-1, 2))).astype(int)
    rows, columns = view.linear.shape[:2]
    inside = (pixels >= 0).all(axis=1) & (pixels < [columns, rows]).all(axis=1)
    within = inside.reshape(len(pads), -1)
    at = pixels.reshape(len(pads), -1, 2)
    shown = np.flatnonzero(within.any(axis=1))  # of the others no place is in the view
    if not len(shown):
        return 0.0
    linear = [quantile(view.linear[at[i, within[i], 1], at[i, within[i], 0]]) for i in shown]
    lab = view.to_lab(np.maximum(np.array(linear, dtype=np.float64), 1e-4), middles[shown])
    odds = 0.0
    for i, colour in zip(shown, lab, strict=True):
        pad = pads[i]
        off = float(lengths(colours[pad.id] - colour).min())
        other = max(_OTHER_COLOUR * np.exp(-max(off - _OTHER_FROM, 0.0) / _OTHER_FALLS), _STRANGE_COLOUR)
        by_chance = _ALIKE_BY_CHANCE if pose.steps[pad.id] > _SHOWS else 1.0  # plain plastic is like a blank anyway
        odds += float(np.log(max(np.exp(-0.5 * (off / _FAR_COLOUR) ** 2) / by_chance, other)))
    return odds


def _strip_colour(profile: Profile, tip: float, kind: StripKind, *, flipped: bool) -> StripColour:
    """Return the profile as seen from a tip at that place of the ribbon."""
    turn = slice(None, None, -1 if flipped else 1)
    from_tip = (tip - profile.along if flipped else profile.along - tip)[turn]
    return StripColour(
        from_tip=from_tip,
        colour=profile.contrast[turn],
        raw=profile.raw[turn],
        light_play=profile.light_play[turn],
        sway=profile.sway[turn],
        spread=profile.spread[turn],
        off_usual=profile.off_usual[:, turn],
        lines=lines_behind(from_tip, profile.contrast[turn], kind),
        length_mm=kind.length_mm,
    )


def _covered_pad(profile: Profile, from_tip: Float, layout: Layout, kind: StripKind) -> str | None:
    """Return the id of a pad over which, or close to which, something reaches in from the slot.

    A pad that shows whole and even has nothing over it: what reaches its edge lies beside it, or under the strip.
    """
    for i, (pad, shift, seen) in enumerate(zip(kind.pads, layout.shifts_mm, layout.seen, strict=True)):
        if seen and layout.misfit[i] < _WHOLE_MISFIT and layout.filled[i] > _WHOLE_FILLED:
            continue
        centre = pad.centre_mm[0] + (shift if seen else 0.0)
        near = np.abs(from_tip - centre) < pad.size_mm[0] / 2 + _COVER_MARGIN_MM
        if (profile.covered & near).sum() * abs(from_tip[1] - from_tip[0]) >= _COVER_LEAST_MM:
            return pad.id
    return None
