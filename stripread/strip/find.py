"""Find a strip in the slot: where it lies, which way round, and where its pads are."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stripread.errors import PadCountError, PadCoveredError, StripNotFoundError, StripUpsideDownError
from stripread.findings import Finding
from stripread.geometry import Float
from stripread.strip.bare_pads import find_bare_pads
from stripread.strip.edges import LongEdges, find_long_edges, refine_long_edges
from stripread.strip.kinds import PadSpec, StripKind
from stripread.strip.layout import Fit, StripColour, fit_layout
from stripread.strip.profile import Profile, Run, find_run, measure_profile
from stripread.strip.view import Picture, SlotView, shrink_view, straighten

__all__ = ["SlotView", "StripPose", "find_strip"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py).
_SIZE_OFF = 0.12  # of the kind's length or width: cut and card scale vary by a few hundredths, other kinds by more
_SIZE_BLUR_MM = 0.35  # what the blur and the thin shadow of an edge may add
_PLAY_MM, _PLAY_OPEN_MM = 1.5, 2.5  # how far along a pad may lie from its place; where only the handle's end is seen
_CLEARER = 2.0  # times clearer must one way round be than the other
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
    """

    origin_mm: Float
    direction: Float
    flipped: bool
    angle_deg: float
    outline_mm: Float
    width_mm: float
    shifts_mm: Mapping[str, float]
    steps: Mapping[str, float]
    findings: tuple[Finding, ...] = ()

    def pad_polygon_mm(self, pad: PadSpec, share: float = 1.0) -> Float:
        """Corners of a pad on the card with sides of ``share`` times its own; (along, across) low-low first."""
        along, across = pad.centre_mm[0] + self.shifts_mm.get(pad.id, 0.0), pad.centre_mm[1]
        half = np.array(pad.size_mm) / 2 * share
        corners = np.array([along, across]) + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        return _on_card(self.origin_mm, self.direction, corners - [0, self.width_mm / 2])


def _on_card(origin: Float, direction: Float, places: Float) -> Float:
    """Carry places (along from the tip, across from the strip's middle) to the card."""
    result: Float = origin + places @ np.array([direction, [-direction[1], direction[0]]])
    return result


def find_strip(view: SlotView, kind: StripKind) -> StripPose:
    """Return where a strip of the kind lies in the slot.

    Raises
    ------
    StripNotFoundError
        If there is no strip, one of another size, or it cannot be told which way round it lies.
    StripUpsideDownError
        If there is a strip without any pad.
    PadCountError
        If the pads are not those of the kind.
    PadCoveredError
        If something lies over a pad.
    """
    picture = shrink_view(view)
    try:
        return _find_by_edges(picture, view, kind)
    except StripNotFoundError:
        bare = find_bare_pads(picture, view.slot, kind)
        if bare is None:
            raise
    steps = {pad.id: bare.step for pad in kind.pads}
    shifts = {pad.id: 0.0 for pad in kind.pads}
    return _pose(bare.origin, bare.direction, shifts, steps, view, kind)


def _find_by_edges(picture: Picture, view: SlotView, kind: StripKind) -> StripPose:
    rough = find_long_edges(picture, view.slot, length_mm=kind.length_mm, width_mm=kind.width_mm)
    if rough is None:
        raise _no_strip(kind, "no pair of long edges")
    edges = refine_long_edges(picture, view.slot, rough, reach_mm=kind.length_mm / 2 + 8)
    _check_size(edges.width_mm, kind.width_mm, "wide", kind)
    ribbon = straighten(
        picture,
        view.slot,
        centre=edges.centre,
        direction=edges.direction,
        half_length_mm=kind.length_mm / 2 + 14,
        half_width_mm=kind.width_mm / 2 + 4,
    )
    profile = measure_profile(ribbon, width_mm=edges.width_mm)
    run = find_run(profile, longest_gap_mm=max(pad.size_mm[0] for pad in kind.pads) + 3)
    if run is None:
        raise _no_strip(kind, "nothing that differs from the slot's ground along its length")
    _check_length(run, kind)
    return _decide(profile, run, edges, view, kind)


def _pose(
    origin: Float,
    direction: Float,
    shifts: Mapping[str, float],
    steps: Mapping[str, float],
    view: SlotView,
    kind: StripKind,
) -> StripPose:
    axis = direction if view.slot.width >= view.slot.height else np.array([direction[1], -direction[0]])
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


def _decide(profile: Profile, run: Run, edges: LongEdges, view: SlotView, kind: StripKind) -> StripPose:
    """Judge both ways round and return the pose, or say why there is none."""
    tips = [
        run.end - kind.length_mm if run.start_open and not run.end_open else run.start,
        run.start + kind.length_mm if run.end_open and not run.start_open else run.end,
    ]
    open_ends = (run.start_open, run.end_open)
    if all(open_ends):
        raise StripNotFoundError(
            expected=f"both ends of a strip of kind {kind.name} in the slot, or one of them",
            found="both of them out of the slot or covered",
            remedy=_REMEDY,
        )
    fits, covered = [], []
    for flipped in (False, True):
        from_tip = tips[1] - profile.along if flipped else profile.along - tips[0]
        turn = slice(None, None, -1) if flipped else slice(None)
        strip = StripColour(
            from_tip[turn],
            profile.contrast[turn],
            profile.raw[turn],
            profile.light_play[turn],
            profile.sway[turn],
            kind.length_mm,
        )
        play = _PLAY_OPEN_MM if open_ends[flipped] else _PLAY_MM
        fit = fit_layout(strip, kind, play_mm=play, tip_seen=not open_ends[flipped])
        fits.append(fit)
        covered.append(_covered_pad(profile, from_tip, fit, kind))
    way = _which_way(fits, covered, kind)
    fit = fits[way]
    if (name := covered[way] or fit.stained) is not None:
        raise _pad_covered(name)
    tip = tips[way]
    shifts = np.array(fit.shifts_mm)
    if open_ends[way]:  # the tip's edge was not seen: the pads say where it is
        tip += (-1 if way else 1) * float(np.mean(shifts))
        shifts = shifts - np.mean(shifts)
    return _pose(
        edges.centre + tip * edges.direction,
        -edges.direction if way else edges.direction,
        {pad.id: float(shift) for pad, shift in zip(kind.pads, shifts, strict=True)},
        {pad.id: step for pad, step in zip(kind.pads, fit.steps, strict=True)},
        view,
        kind,
    )


def _covered_pad(profile: Profile, from_tip: Float, fit: Fit, kind: StripKind) -> str | None:
    """Return the id of a pad over which, or close to which, something reaches in from the slot."""
    for pad, shift, seen in zip(kind.pads, fit.shifts_mm, fit.seen, strict=True):
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


def _which_way(fits: list[Fit], covered: list[str | None], kind: StripKind) -> int:
    """Return 0 or 1, the way round that fits; raise where none does or both do."""
    clearness = [fit.clearness for fit in fits]
    better = int(np.argmax(clearness))
    clear = clearness[better] > _CLEARER * clearness[1 - better]
    if fits[better].whole and clear:
        return better
    if fits[0].whole or fits[1].whole:
        raise StripNotFoundError(
            expected=f"pads of kind {kind.name} at one end of the strip",
            found="marks at both ends that could be pads",
            remedy="Wipe or replace the strip so that only its pads stand out, and retake the photo.",
        )
    for name in covered:
        if name is not None:
            raise _pad_covered(name)
    count = max(fit.count for fit in fits)
    if count == 0:
        for fit in fits:
            if fit.stained is not None:
                raise _pad_covered(fit.stained)
        raise StripUpsideDownError(
            expected=f"{len(kind.pads)} pad(s) of kind {kind.name} on the strip",
            found="a strip without any pad",
            remedy="Turn the strip over so that its pads face up, and retake the photo.",
        )
    places = max(fits, key=lambda fit: (sum(fit.seen), fit.count))
    seen = [p.centre_mm[0] + s for p, s, on in zip(kind.pads, places.shifts_mm, places.seen, strict=True) if on]
    text = ", ".join(f"{place:.0f}" for place in sorted([*seen, *places.extra_mm]))
    own = ", ".join(f"{pad.centre_mm[0]:g}" for pad in kind.pads)
    raise PadCountError(
        expected=f"{len(kind.pads)} pad(s) of kind {kind.name}, {own} mm from the tip",
        found=f"{count} ({text} mm from the tip)",
        remedy="Check which kind of strip it is; a pad may be missing, dirty or hidden. Retake the photo.",
    )
