"""Find a strip in the slot: where it lies, which way round, and where its pads are.

Its long edges and ends say where it lies. Which end is the dipped tip the odds decide: each hypothesis (this end or
that one, the tip's edge or the handle's taken for the strip's place) is judged by `layout.judge_layout`, and by the
colours that the lot's pads can have where these are known.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from stripread.errors import StripNotFoundError
from stripread.geometry import Float
from stripread.i18n import Message, Number, Shown
from stripread.strip.bare_pads import find_bare_pads
from stripread.strip.decide import decide
from stripread.strip.edges import LongEdges, find_edge_at_border, find_long_edges, refine_long_edges
from stripread.strip.hypotheses import best_of_end, colour_odds
from stripread.strip.kinds import StripKind
from stripread.strip.pose import StripPose, make_pose
from stripread.strip.profile import Run, find_run, measure_profile
from stripread.strip.rivals import has_rival
from stripread.strip.view import STEP_MM, Picture, Ribbon, SlotView, shrink_view, straighten, straighten_slot

__all__ = ["find_strip"]

# Thresholds of our choice, judged on drawn slots (tests/unit/test_strip_find.py) and on the looks of the seen families.
_SIZE_OFF = 0.12  # of the kind's length or width: cut and card scale vary by a few hundredths, other kinds by more
_SIZE_BLUR_MM = 0.35  # what the blur and the thin shadow of an edge may add
_SMALL_GAP_MM = 1.5  # a line across the strip, printed or of shade
_LARGE_HOLE_MM = 15.0  # in the handle, that the slot's ground may show through
# Delta E from the ground from which plastic is taken for a strip; half of it with a pale pad, none with a strong one.
_LEAST_PLASTIC = 4.0
_BEYOND_SLOT_MM = 2.0  # turned strips and the slot's own turn
_REMEDY = Message("Lay one strip in the slot, pads up, and retake the photo.")


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
    slot = straighten_slot(picture, view.slot)
    try:
        return _find_by_edges(picture, slot, view, kind, colours or {})
    except StripNotFoundError:
        bare = find_bare_pads(slot, kind)
        if bare is None:
            raise
    steps = {pad.id: bare.step for pad in kind.pads}
    shifts = {pad.id: 0.0 for pad in kind.pads}
    return make_pose(bare.origin, bare.direction, shifts, steps, view.slot, kind)


def _find_by_edges(
    picture: Picture, slot: Ribbon, view: SlotView, kind: StripKind, colours: Mapping[str, Float]
) -> StripPose:
    """Return the pose by a pair of long edges, or by one where that shows no pad: the other may lie out of the slot."""
    unseen: StripPose | None = None
    failed = _no_strip(kind, Message("no pair of long edges"))
    for find in (find_long_edges, partial(find_long_edges, askew=True), find_edge_at_border):
        rough = find(slot, length_mm=kind.length_mm, width_mm=kind.width_mm)
        if rough is None:
            continue
        try:
            pose = _between(rough, picture, slot, view, kind, colours)
        except StripNotFoundError as error:
            failed = failed if find is find_edge_at_border else error
            continue
        if not pose.unseen:
            return pose
        unseen = unseen or pose
    if unseen is None:
        raise failed
    return unseen


def _between(
    rough: LongEdges, picture: Picture, slot: Ribbon, view: SlotView, kind: StripKind, colours: Mapping[str, Float]
) -> StripPose:
    """Return the pose of a strip between two long edges."""
    edges = refine_long_edges(picture, view.slot, rough, reach_mm=kind.length_mm / 2 + 8)
    if abs(edges.width_mm - rough.width_mm) > _SIZE_OFF * rough.width_mm:  # drawn aside by stripes along the handle?
        near = refine_long_edges(picture, view.slot, rough, reach_mm=kind.length_mm / 2 + 8, curled=False)
        edges = near if abs(near.width_mm - rough.width_mm) < STEP_MM else edges
    _check_size(edges.width_mm, kind.width_mm, Message("wide"), kind)
    if view.printed and has_rival(slot, edges, length_mm=kind.length_mm):
        raise StripNotFoundError(
            expected=Message("one strip of kind %(name)s in the slot", name=kind.name),
            found=Message("more than one strip"),
            remedy=_REMEDY,
        )
    ribbon = straighten(
        picture,
        view.slot,
        centre=edges.centre,
        direction=edges.direction,
        half_length_mm=max(view.slot.width, view.slot.height) / 2 + _BEYOND_SLOT_MM,
        half_width_mm=kind.width_mm / 2 + 4,
        bow=edges.bow,
    )
    profile = measure_profile(ribbon, width_mm=edges.width_mm, lane_mm=_lane_mm(kind), side=edges.side)
    gaps = (_SMALL_GAP_MM, max(pad.size_mm[0] for pad in kind.pads) + 3, _LARGE_HOLE_MM)
    run = find_run(profile, length_mm=kind.length_mm, longest_gaps_mm=gaps)
    if run is None:
        raise _no_strip(kind, Message("nothing that differs from the slot's ground along its length"))
    _check_length(run, kind)
    if run.start_open and run.end_open:
        raise StripNotFoundError(
            expected=Message("both ends of a strip of kind %(name)s in the slot, or one of them", name=kind.name),
            found=Message("both of them out of the slot or covered"),
            remedy=_REMEDY,
        )
    ways = [best_of_end(profile, run, edges, view, kind, flipped=flipped) for flipped in (False, True)]
    ways = [replace(one, log_odds=one.log_odds + colour_odds(one.pose, view, kind, colours)) for one in ways]
    pose = decide(ways, view, kind)
    strong = not pose.unseen and max(pose.steps.values()) > _LEAST_PLASTIC
    if not strong and run.contrast < (_LEAST_PLASTIC if pose.unseen else _LEAST_PLASTIC / 2):
        raise _no_strip(kind, Message("nothing that stands out from the slot's ground"))
    return pose


def _lane_mm(kind: StripKind) -> float:
    """Return the width about the strip's middle that every pad covers."""
    return min(pad.size_mm[1] - 2 * abs(pad.centre_mm[1] - kind.width_mm / 2) for pad in kind.pads)


def _no_strip(kind: StripKind, found: Shown) -> StripNotFoundError:
    return StripNotFoundError(
        expected=Message(
            "a strip of %(length_mm)s x %(width_mm)s mm in the card's slot",
            length_mm=Number(kind.length_mm, "g"),
            width_mm=Number(kind.width_mm, "g"),
        ),
        found=found,
        remedy=_REMEDY,
    )


def _check_size(found_mm: float, kind_mm: float, word: Shown, kind: StripKind) -> None:
    if abs(found_mm - kind_mm) > _SIZE_OFF * kind_mm + _SIZE_BLUR_MM:
        raise StripNotFoundError(
            expected=Message(
                "a strip of kind %(name)s, %(size)s mm %(word)s",
                name=kind.name,
                size=Number(kind_mm, "g"),
                word=word,
            ),
            found=Message("one %(size)s mm %(word)s", size=Number(found_mm, ".1f"), word=word),
            remedy=Message(
                "A strip of another kind may lie there, or a part of one: check the kind and retake the photo."
            ),
        )


def _check_length(run: Run, kind: StripKind) -> None:
    length = run.end - run.start
    if run.start_open or run.end_open:
        # only a part shows: it must not be longer than the strip, and most of it must be there
        if length > kind.length_mm * (1 + _SIZE_OFF) or length < kind.length_mm * 0.5:
            _check_size(length, kind.length_mm, Message("long"), kind)
    else:
        _check_size(length, kind.length_mm, Message("long"), kind)
