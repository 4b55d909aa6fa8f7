"""Decide between the hypotheses of how a strip lies: the pose, or why there is none."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stripread.errors import PadCountError, PadCoveredError, StripNotFoundError, StripUpsideDownError
from stripread.findings import make_finding
from stripread.i18n import Message
from stripread.strip.extra_pads import extra_pads
from stripread.strip.hypotheses import Hypothesis
from stripread.strip.kinds import StripKind
from stripread.strip.layout import Layout
from stripread.strip.pose import StripPose
from stripread.strip.view import SlotView

__all__ = ["SURE", "decide"]

# Natural logarithms of odds, and colours. Our choice, judged on drawn slots and on the looks of the seen families.
SURE = float(np.log(100))  # from which an end without a visible pad is known by what the other end bears
_ODDS = float(np.log(8))  # from which one way round is taken
_SURER, _CLEAN = float(np.log(30)), 0.15  # the same where the other end bears clean pads: of little misfit
_HARDLY = 4.0  # Delta E: a pad so like its plastic may be a blotch
_UNLIKELY = -1.5  # log odds under which what shows at an end is no pad
_LIKELY = 0.0  # log odds from which an end by itself would pass for the pads': as likely as not
_HALF = 0.5  # of a pad's place
_CLOSE = 1.0  # log odds within which the tip mark may decide against what was seen


def decide(ways: Sequence[Hypothesis], view: SlotView, kind: StripKind) -> StripPose:
    """Return the pose of the likelier way round, or say why there is none."""
    better, other = sorted(ways, key=lambda one: -one.log_odds)
    if _bears_pads(better) or _bears_pads(other):
        needed = _SURER if _could_be_pads(other) else _ODDS
        decided = better.log_odds - other.log_odds > needed and _bears_pads(better)
        marked = None if decided else _at_mark(ways, view)
        if marked is not None and (not _could_be_pads(marked) or better.log_odds - marked.log_odds > _CLOSE):
            marked = None
        chosen = marked or better
        if chosen.covered is not None:
            raise _pad_covered(chosen.covered)
        if extra := extra_pads(chosen.strip, kind, chosen.layout, chosen.noise):
            raise _other_pads(chosen.layout, extra, kind)
        if _hardly_shows(better, other) and (better.log_odds < _LIKELY or not (decided or chosen is marked)):
            return _unseen(better, other, view, kind)
        if not decided and chosen is not marked:
            if other.covered is not None and all(other.layout.seen):
                raise _pad_covered(other.covered)
            raise StripNotFoundError(
                expected=Message("pads of kind %(name)s at one end of the strip", name=kind.name),
                found=Message("marks at both ends that could be pads"),
                remedy=Message("Lay the strip's tip at the card's tip mark (new cards have one) and retake the photo."),
            )
        if decided:
            return chosen.pose
        text = Message("Either end could bear the pads; the tip was taken to lie at the card's tip mark.")
        return replace(chosen.pose, findings=(make_finding("end_by_mark", text),))
    for name in (one.covered for one in ways):
        if name is not None:
            raise _pad_covered(name)
    extras = [extra_pads(one.strip, kind, one.layout, one.noise) for one in ways]
    counts = [
        (0 if all(one.layout.seen) else sum(one.layout.seen)) + len(extra)
        for one, extra in zip(ways, extras, strict=True)
    ]
    if max(counts) == 0 or (not any(extras) and _may_be_blank(better, other, kind)):
        return _unseen(better, other, view, kind)
    most = max(range(len(ways)), key=lambda k: (sum(ways[k].layout.seen), counts[k]))
    raise _other_pads(ways[most].layout, extras[most], kind)


def _bears_pads(one: Hypothesis) -> bool:
    """Tell whether all pads show at this end, and not rather a hole or print in their place."""
    return all(one.layout.seen) and one.log_odds > _UNLIKELY


def _could_be_pads(one: Hypothesis) -> bool:
    """Tell whether this end would be taken for the pads' if the other bore nothing."""
    clean = max(one.layout.misfit) < _CLEAN and one.layout.stained is None
    return all(one.layout.seen) and clean and one.covered is None and one.log_odds > _LIKELY


def _hardly_shows(better: Hypothesis, other: Hypothesis) -> bool:
    """Tell whether what was seen at either end may be nothing."""
    return all(max(one.layout.steps) < _HARDLY for one in (better, other) if _bears_pads(one))


def _may_be_blank(better: Hypothesis, other: Hypothesis, kind: StripKind) -> bool:
    """Tell whether all pads of a strip on which some show may be blank ones, some of them of their plastic's colour.

    That is so where what shows is no more than the edges of pads without dye. The other end counts as well unless what
    it bears surely is no pads, or fills no pad's place, such as a hole's edges.
    """
    if not all(pad.blank for pad in kind.pads):
        return False
    surely = any(better.layout.seen) and better.log_odds - other.log_odds > SURE
    ends = (better,) if surely or _fills_none(other.layout) else (better, other)
    return all(max(end.layout.steps) < _HARDLY for end in ends)


def _fills_none(layout: Layout) -> bool:
    """Tell whether something shows at an end, but leaves half of each pad's place as plastic."""
    filled = [share for share, seen in zip(layout.filled, layout.seen, strict=True) if seen]
    return bool(filled) and max(filled) < _HALF


def _at_mark(ways: Sequence[Hypothesis], view: SlotView) -> Hypothesis | None:
    """Return the way round with its tip at the card's mark; None where the card has none."""
    if view.tip_mark_mm is None:
        return None
    mark = np.array(view.tip_mark_mm)
    return min(ways, key=lambda one: float(np.linalg.norm(one.pose.origin_mm - mark)))


def _unseen(better: Hypothesis, other: Hypothesis, view: SlotView, kind: StripKind) -> StripPose:
    """Return the pose of a strip on which no pad shows, with the other one where either may be true."""
    if not all(pad.blank for pad in kind.pads):
        raise StripUpsideDownError(
            expected=Message("%(pads)s pad(s) of kind %(name)s on the strip", pads=len(kind.pads), name=kind.name),
            found=Message("a strip without any pad"),
            remedy=Message("Turn the strip over so that its pads face up, and retake the photo."),
        )
    if better.log_odds - other.log_odds > SURE:
        return replace(better.pose, unseen=True)
    chosen = _at_mark((better, other), view) or better
    rest = other if chosen is better else better
    return replace(chosen.pose, unseen=True, other_way=replace(rest.pose, unseen=True))


def _other_pads(layout: Layout, extra_mm: Sequence[float], kind: StripKind) -> PadCountError:
    seen = [p.centre_mm[0] + s for p, s, on in zip(kind.pads, layout.shifts_mm, layout.seen, strict=True) if on]
    text = ", ".join(f"{place:.0f}" for place in sorted([*seen, *extra_mm]))
    own = ", ".join(f"{pad.centre_mm[0]:g}" for pad in kind.pads)
    count = len(seen) + len(extra_mm)
    return PadCountError(
        expected=Message(
            "%(pads)s pad(s) of kind %(name)s, %(places)s mm from the tip",
            pads=len(kind.pads),
            name=kind.name,
            places=own,
        ),
        found=Message("%(count)s (%(places)s mm from the tip)", count=count, places=text),
        remedy=Message("Check which kind of strip it is; a pad may be missing, dirty or hidden. Retake the photo."),
    )


def _pad_covered(name: str) -> PadCoveredError:
    return PadCoveredError(
        expected=Message("pads with nothing over them"),
        found=Message("something over the strip at pad %(name)s", name=repr(name)),
        remedy=Message("Take fingers and other things off the strip's pads and retake the photo."),
    )
