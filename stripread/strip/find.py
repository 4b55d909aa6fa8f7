"""Find a strip in the slot: where it lies, which way round, and where its pads are.

Its long edges and ends say where it lies. Which end is the dipped tip the odds decide: each hypothesis (this end or
that one, the tip's edge or the handle's taken for the strip's place) is judged by `layout.judge_layout`, and by the
colours that the lot's pads can have where these are known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripread.errors import PadCountError, PadCoveredError, StripNotFoundError, StripUpsideDownError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float, Rect
from stripread.strip.bare_pads import find_bare_pads
from stripread.strip.edges import LongEdges, find_edge_at_border, find_long_edges, refine_long_edges
from stripread.strip.kinds import PadSpec, StripKind
from stripread.strip.layout import Layout, StepNoise, StripColour, extra_pads, judge_layout, step_noise
from stripread.strip.profile import Profile, Run, find_run, measure_profile
from stripread.strip.rivals import find_rival
from stripread.strip.view import Picture, SlotView, shrink_view, straighten

__all__ = ["SlotView", "StripPose", "find_strip"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the seen families.
_SIZE_OFF = 0.12  # of the kind's length or width: cut and card scale vary by a few hundredths, other kinds by more
_SIZE_BLUR_MM = 0.35  # what the blur and the thin shadow of an edge may add
_PLAY_MM, _PLAY_OPEN_MM = 1.5, 2.5  # how far along a pad may lie from its place; where only the handle's end is seen
_ODDS = float(np.log(10))  # from which one way round is taken
_SURER, _CLEAN = float(np.log(30)), 0.15  # the same where the other end bears clean pads: of little misfit
_SURE = float(np.log(100))  # from which an end without a visible pad is known by what the other end bears
_SMALL_GAP_MM = 1.5  # a line across the strip, printed or of shade
_LARGE_HOLE_MM = 15.0  # in the handle, that the slot's ground may show through
_LEAST_PLASTIC = 6.0  # Delta E from the ground from which plastic without a visible pad is taken for a strip
_BY_HANDLE = 1.0  # log odds that the handle's end tells the tip's place worse than the tip itself
_HARDLY = 3.0  # Delta E: a pad so like its plastic may be a blotch
_COVERED = 4.0  # log odds: what lies over a pad's place says nothing for a pad
_LENGTH_KNOWN_MM = 1.0  # by which the length must be off for that to be tried
_FAR_COLOUR, _OTHER_COLOUR = 4.0, 0.03  # Delta E that light and phone may shift a pad; chance of any other colour
_COVER_MARGIN_MM, _COVER_LEAST_MM = 1.0, 0.75
_REMEDY = "Lay one strip in the slot, pads up, and retake the photo."


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPose:
    """Where a strip lies on the card.

    Attributes
    ----------
    origin_mm : ndarray, shape (2,)
        The middle of the dipped tip's edge.
    direction : ndarray, shape (2,)
        Unit vector from the tip to the handle.
    flipped : bool
        Whether the tip lies at the slot's right (or, in an upright slot, lower) end.
    angle_deg : float
        How far the strip is turned from the slot's long axis, clockwise on the card.
    outline_mm : ndarray, shape (4, 2)
        Corners: at the tip the one where across is 0, then at the handle, and back along the other long edge.
    shifts_mm : mapping from pad id to float
        How far each pad was found from its kind's place, along the strip.
    steps : mapping from pad id to float
        How much each pad differs from the plastic around it. [about Delta E]
    unseen : bool
        No pad shows: it has the plastic's colour, or the strip lies face down.
    other_way : StripPose or None
        Where no pad shows and the tip may as well be at the other end: the pose with its tip there.
    """

    origin_mm: Float
    direction: Float
    flipped: bool
    angle_deg: float
    outline_mm: Float
    width_mm: float
    shifts_mm: Mapping[str, float]
    steps: Mapping[str, float]
    unseen: bool = False
    other_way: "StripPose | None" = None
    findings: tuple[Finding, ...] = ()

    def pad_polygon_mm(self, pad: PadSpec, share: float = 1.0) -> Float:
        """Corners of a pad on the card with sides of ``share`` times its own; (along, across) low-low first."""
        along, across = pad.centre_mm[0] + self.shifts_mm.get(pad.id, 0.0), pad.centre_mm[1]
        half = np.array(pad.size_mm) / 2 * share
        corners = np.array([along, across]) + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        return _on_card(self.origin_mm, self.direction, corners - [0, self.width_mm / 2])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hypothesis:
    """One way in which the strip may lie; ``covered`` is the pad over which something lies."""

    strip: StripColour
    noise: StepNoise
    layout: Layout
    pose: StripPose
    log_odds: float
    covered: str | None


def _on_card(origin: Float, direction: Float, places: Float) -> Float:
    """Carry places (along from the tip, across from the strip's middle) to the card."""
    result: Float = origin + places @ np.array([direction, [-direction[1], direction[0]]])
    return result


def find_strip(view: SlotView, kind: StripKind, *, colours: Mapping[str, Float] | None = None) -> StripPose:
    """Return where a strip of the kind lies in the slot.

    Parameters
    ----------
    colours : mapping from pad id to ndarray (n, 3), optional
        CIELAB that each pad can have: points along its lot's curve.

    Raises
    ------
    StripNotFoundError
        If there is no strip, one of another size, more than one, or it cannot be told which way round it lies.
    StripUpsideDownError
        If no pad shows on a strip whose pads never have the plastic's colour.
    PadCountError
        If the pads are not those of the kind.
    PadCoveredError
        If something lies over a pad.
    """
    picture = shrink_view(view)
    try:
        return _find_by_edges(picture, view, kind, colours or {})
    except StripNotFoundError:
        bare = find_bare_pads(picture, view.slot, kind)
        if bare is None:
            raise
    steps = {pad.id: bare.step for pad in kind.pads}
    shifts = {pad.id: 0.0 for pad in kind.pads}
    return _pose(bare.origin, bare.direction, shifts, steps, view.slot, kind)


def _find_by_edges(picture: Picture, view: SlotView, kind: StripKind, colours: Mapping[str, Float]) -> StripPose:
    """Return the pose by a pair of long edges, or by one where that shows no pad: the other may lie out of the slot."""
    unseen: StripPose | None = None
    failed = _no_strip(kind, "no pair of long edges")
    for find in (find_long_edges, find_edge_at_border):
        rough = find(picture, view.slot, length_mm=kind.length_mm, width_mm=kind.width_mm)
        if rough is None:
            continue
        try:
            pose = _between(rough, picture, view, kind, colours)
        except StripNotFoundError as error:
            failed = error if find is find_long_edges else failed
            continue
        if not pose.unseen:
            return pose
        unseen = unseen or pose
    if unseen is None:
        raise failed
    return unseen


def _between(
    rough: LongEdges, picture: Picture, view: SlotView, kind: StripKind, colours: Mapping[str, Float]
) -> StripPose:
    edges = refine_long_edges(picture, view.slot, rough, reach_mm=kind.length_mm / 2 + 8)
    if abs(edges.width_mm - rough.width_mm) > _SIZE_OFF * rough.width_mm:  # drawn aside by stripes along the handle
        edges = refine_long_edges(picture, view.slot, rough, reach_mm=kind.length_mm / 2 + 8, curled=False)
    _check_size(edges.width_mm, kind.width_mm, "wide", kind)
    if find_rival(picture, view.slot, edges, length_mm=kind.length_mm) is not None:
        raise StripNotFoundError(
            expected=f"one strip of kind {kind.name} in the slot", found="more than one strip", remedy=_REMEDY
        )
    ribbon = straighten(
        picture,
        view.slot,
        centre=edges.centre,
        direction=edges.direction,
        half_length_mm=kind.length_mm / 2 + 14,
        half_width_mm=kind.width_mm / 2 + 4,
        bow=edges.bow,
    )
    profile = measure_profile(ribbon, width_mm=edges.width_mm, lane_mm=_lane_mm(kind))
    gaps = (_SMALL_GAP_MM, max(pad.size_mm[0] for pad in kind.pads) + 3, _LARGE_HOLE_MM)
    run = find_run(profile, length_mm=kind.length_mm, longest_gaps_mm=gaps)
    if run is None:
        raise _no_strip(kind, "nothing that differs from the slot's ground along its length")
    _check_length(run, kind)
    if run.start_open and run.end_open:
        raise StripNotFoundError(
            expected=f"both ends of a strip of kind {kind.name} in the slot, or one of them",
            found="both of them out of the slot or covered",
            remedy=_REMEDY,
        )
    ways = [_hypotheses(profile, run, edges, view, kind, colours, flipped=flipped) for flipped in (False, True)]
    pose = _decide([max(way, key=lambda one: one.log_odds) for way in ways], view, kind)
    if pose.unseen and run.contrast < _LEAST_PLASTIC:
        raise _no_strip(kind, "nothing that stands out from the slot's ground")
    return pose


def _lane_mm(kind: StripKind) -> float:
    """Return the width about the strip's middle that every pad covers."""
    return min(pad.size_mm[1] - 2 * abs(pad.centre_mm[1] - kind.width_mm / 2) for pad in kind.pads)


def _pose(
    origin: Float,
    direction: Float,
    shifts: Mapping[str, float],
    steps: Mapping[str, float],
    slot: Rect,
    kind: StripKind,
) -> StripPose:
    axis = direction if slot.width >= slot.height else np.array([direction[1], -direction[0]])
    flipped = bool(axis[0] < 0)
    if flipped:
        axis = -axis
    half = kind.width_mm / 2
    corners = np.array([[0, -half], [kind.length_mm, -half], [kind.length_mm, half], [0, half]])
    return StripPose(
        origin_mm=origin,
        direction=direction,
        flipped=flipped,
        angle_deg=float(np.degrees(np.arctan2(axis[1], axis[0]))),
        outline_mm=_on_card(origin, direction, corners),
        width_mm=kind.width_mm,
        shifts_mm=shifts,
        steps=steps,
    )


def _no_strip(kind: StripKind, found: str) -> StripNotFoundError:
    return StripNotFoundError(
        expected=f"a strip of {kind.length_mm:g} x {kind.width_mm:g} mm in the card's slot", found=found, remedy=_REMEDY
    )


def _check_size(found_mm: float, kind_mm: float, word: str, kind: StripKind) -> None:
    if abs(found_mm - kind_mm) > _SIZE_OFF * kind_mm + _SIZE_BLUR_MM:
        raise StripNotFoundError(
            expected=f"a strip of kind {kind.name}, {kind_mm:g} mm {word}",
            found=f"one {found_mm:.1f} mm {word}",
            remedy="A strip of another kind may lie there, or a part of one: check the kind and retake the photo.",
        )


def _check_length(run: Run, kind: StripKind) -> None:
    length = run.end - run.start
    if run.start_open or run.end_open:
        # only a part shows: it must not be longer than the strip, and most of it must be there
        if length > kind.length_mm * (1 + _SIZE_OFF) or length < kind.length_mm * 0.5:
            _check_size(length, kind.length_mm, "long", kind)
    else:
        _check_size(length, kind.length_mm, "long", kind)


def _strip_colour(profile: Profile, tip: float, kind: StripKind, *, flipped: bool) -> StripColour:
    """Return the profile as seen from a tip at that place of the ribbon."""
    turn = slice(None, None, -1 if flipped else 1)
    return StripColour(
        from_tip=(tip - profile.along if flipped else profile.along - tip)[turn],
        colour=profile.contrast[turn],
        raw=profile.raw[turn],
        light_play=profile.light_play[turn],
        sway=profile.sway[turn],
        spread=profile.spread[turn],
        off_usual=profile.off_usual[:, turn],
        length_mm=kind.length_mm,
    )


def _hypotheses(
    profile: Profile,
    run: Run,
    edges: LongEdges,
    view: SlotView,
    kind: StripKind,
    colours: Mapping[str, Float],
    *,
    flipped: bool,
) -> list[_Hypothesis]:
    """Return what speaks for the tip at one end: its place taken from its own edge, and from the handle's."""
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
        pose = _pose(
            at_pads - middle * direction,
            direction,
            {pad.id: float(shift) for pad, shift in zip(kind.pads, shifts, strict=True)},
            {pad.id: step for pad, step in zip(kind.pads, layout.steps, strict=True)},
            view.slot,
            kind,
        )
        covered = _covered_pad(profile, tip - profile.along if flipped else profile.along - tip, layout, kind)
        odds = layout.log_odds + _colour_odds(pose, view, kind, colours)
        odds -= 0.0 if tip_seen or tip_open else _BY_HANDLE
        odds -= 0.0 if covered is None else _COVERED
        found.append(_Hypothesis(strip=strip, noise=noise, layout=layout, pose=pose, log_odds=odds, covered=covered))
    return found


def _colour_odds(pose: StripPose, view: SlotView, kind: StripKind, colours: Mapping[str, Float]) -> float:
    """Log odds of the colours seen at the pads' places as colours of the lot's pads; 0 where these are not known."""
    if view.to_lab is None or not colours:
        return 0.0
    odds = 0.0
    grid = np.stack(np.meshgrid(np.linspace(-0.6, 0.6, 7), np.linspace(-0.6, 0.6, 7)), axis=-1).reshape(-1, 2)
    for pad in kind.pads:
        if pad.id not in colours:
            continue
        corners = pose.pad_polygon_mm(pad)
        middle, along, across = corners.mean(axis=0), corners[1] - corners[0], corners[3] - corners[0]
        places = middle + grid[:, :1] * along / 2 + grid[:, 1:] * across / 2
        pixels = np.rint(view.mm_to_view(places)).astype(int)
        rows, columns = view.linear.shape[:2]
        inside = (pixels >= 0).all(axis=1) & (pixels < [columns, rows]).all(axis=1)
        if not inside.any():
            continue
        colour = np.median(view.linear[pixels[inside, 1], pixels[inside, 0]], axis=0).astype(np.float64)
        lab = view.to_lab(np.maximum(colour, 1e-4)[None], middle[None])[0]
        off = float(np.linalg.norm(colours[pad.id] - lab, axis=1).min())
        odds += float(np.log(max(np.exp(-0.5 * (off / _FAR_COLOUR) ** 2), _OTHER_COLOUR)))
    return odds


def _covered_pad(profile: Profile, from_tip: Float, layout: Layout, kind: StripKind) -> str | None:
    """Return the id of a pad over which, or close to which, something reaches in from the slot."""
    for pad, shift, seen in zip(kind.pads, layout.shifts_mm, layout.seen, strict=True):
        centre = pad.centre_mm[0] + (shift if seen else 0.0)
        near = np.abs(from_tip - centre) < pad.size_mm[0] / 2 + _COVER_MARGIN_MM
        if (profile.covered & near).sum() * abs(from_tip[1] - from_tip[0]) >= _COVER_LEAST_MM:
            return pad.id
    return None


def _pad_covered(name: str) -> PadCoveredError:
    return PadCoveredError(
        expected="pads with nothing over them",
        found=f"something over the strip at pad {name!r}",
        remedy="Take fingers and other things off the strip's pads and retake the photo.",
    )


def _decide(ways: Sequence[_Hypothesis], view: SlotView, kind: StripKind) -> StripPose:
    """Return the pose of the likelier way round, or say why there is none."""
    better, other = sorted(ways, key=lambda one: -one.log_odds)
    if all(better.layout.seen) or all(other.layout.seen):
        needed = _SURER if _could_be_pads(other) else _ODDS
        decided = better.log_odds - other.log_odds > needed and all(better.layout.seen)
        marked = None if decided else _at_mark(ways, view)
        chosen = marked if marked is not None and _could_be_pads(marked) else better
        if chosen.covered is not None:
            raise _pad_covered(chosen.covered)
        if extra := extra_pads(chosen.strip, kind, chosen.layout, chosen.noise):
            raise _other_pads(chosen.layout, extra, kind)
        if chosen.layout.stained is not None:
            raise _pad_covered(chosen.layout.stained)
        if not decided and chosen is not marked and _hardly_shows(better, other):
            return _unseen(better, other, view, kind)
        if not decided and chosen is not marked:
            raise StripNotFoundError(
                expected=f"pads of kind {kind.name} at one end of the strip",
                found="marks at both ends that could be pads",
                remedy="Lay the strip's tip at the card's tip mark (new cards have one) and retake the photo.",
            )
        if decided:
            return chosen.pose
        text = "Either end could bear the pads; the tip was taken to lie at the card's tip mark."
        return replace(chosen.pose, findings=(make_finding("end_by_mark", text),))
    for name in (one.covered for one in ways):
        if name is not None:
            raise _pad_covered(name)
    extras = [extra_pads(one.strip, kind, one.layout, one.noise) for one in ways]
    counts = [sum(one.layout.seen) + len(extra) for one, extra in zip(ways, extras, strict=True)]
    if max(counts) == 0:
        return _unseen(better, other, view, kind)
    most = max(range(len(ways)), key=lambda k: (sum(ways[k].layout.seen), counts[k]))
    raise _other_pads(ways[most].layout, extras[most], kind)


def _could_be_pads(one: _Hypothesis) -> bool:
    """Tell whether this end would be taken for the pads' if the other bore nothing."""
    clean = max(one.layout.misfit) < _CLEAN and one.layout.stained is None
    return all(one.layout.seen) and clean and one.covered is None and one.log_odds > 0


def _could_be_pads(one: _Hypothesis) -> bool:
    """Tell whether this end would be taken for the pads' if the other bore nothing."""
    clean = max(one.layout.misfit) < _CLEAN and one.layout.stained is None
    return all(one.layout.seen) and clean and one.covered is None and one.log_odds > 0


def _hardly_shows(better: _Hypothesis, other: _Hypothesis) -> bool:
    """Tell whether what was seen at the better end may be nothing, and the other end bears nothing either."""
    return max(better.layout.steps) < _HARDLY and not all(other.layout.seen)


def _at_mark(ways: Sequence[_Hypothesis], view: SlotView) -> _Hypothesis | None:
    """Return the way round with its tip at the card's mark; None where the card has none."""
    if view.tip_mark_mm is None:
        return None
    mark = np.array(view.tip_mark_mm)
    return min(ways, key=lambda one: float(np.linalg.norm(one.pose.origin_mm - mark)))


def _unseen(better: _Hypothesis, other: _Hypothesis, view: SlotView, kind: StripKind) -> StripPose:
    """Return the pose of a strip on which no pad shows, with the other one where either may be true."""
    if not all(pad.blank for pad in kind.pads):
        raise StripUpsideDownError(
            expected=f"{len(kind.pads)} pad(s) of kind {kind.name} on the strip",
            found="a strip without any pad",
            remedy="Turn the strip over so that its pads face up, and retake the photo.",
        )
    if better.log_odds - other.log_odds > _SURE:
        return replace(better.pose, unseen=True)
    chosen = _at_mark((better, other), view) or better
    rest = other if chosen is better else better
    return replace(chosen.pose, unseen=True, other_way=replace(rest.pose, unseen=True))


def _other_pads(layout: Layout, extra_mm: Sequence[float], kind: StripKind) -> PadCountError:
    seen = [p.centre_mm[0] + s for p, s, on in zip(kind.pads, layout.shifts_mm, layout.seen, strict=True) if on]
    text = ", ".join(f"{place:.0f}" for place in sorted([*seen, *extra_mm]))
    own = ", ".join(f"{pad.centre_mm[0]:g}" for pad in kind.pads)
    return PadCountError(
        expected=f"{len(kind.pads)} pad(s) of kind {kind.name}, {own} mm from the tip",
        found=f"{len(seen) + len(extra_mm)} ({text} mm from the tip)",
        remedy="Check which kind of strip it is; a pad may be missing, dirty or hidden. Retake the photo.",
    )
