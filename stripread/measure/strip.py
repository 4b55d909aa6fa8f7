"""From a photo to the colour of each pad: the order of the steps, for readings and for calibrations alike."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripread.card import CardLayout, strip_room
from stripread.errors import StripNotFoundError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.measure.card import CardMeasurement, Stopwatch, card_view, card_white, measure_card
from stripread.measure.pad import PadMeasurement, ground_beside, judge_light, measure_one_pad
from stripread.photo import GroundLight, Photo, PhotoFile
from stripread.strip import SlotView, StripKind, StripPose, find_strip, kind_colours

__all__ = ["StripMeasurement", "measure_strip"]

_VIEW_MARGIN_MM = 8.0  # a strip may lie 6 mm beside its place
# Delta E by which mottled plastic may differ from end to end of a strip. Our choice, judged on drawn ones.
_ONE_COLOUR = 2.0
_NEARER = 2.0  # Delta E by which the one end must be nearer to the pads' colours than the other


@dataclass(frozen=True, slots=True, kw_only=True)
class StripMeasurement:
    """A strip on a card, its pads measured, the findings of the photo, the card and the pads together.

    ``flash_photo`` is the second photo where both are a flash pair (`stripread.measure.flash`).
    """

    card: CardMeasurement
    kind: StripKind
    strip: StripPose
    pads: tuple[PadMeasurement, ...]
    findings: tuple[Finding, ...]
    timing_ms: Mapping[str, float]
    flash_photo: Photo | None = None


def measure_strip(
    file: PhotoFile,
    card: CardLayout,
    kind: StripKind,
    *,
    known: StripPose | None = None,
    colours: Mapping[str, Float] | None = None,
    spectral: bool = False,
) -> StripMeasurement:
    """Measure the pads of a strip of the kind lying on the card; where it lies is sought unless it is known.

    ``colours`` as in `find_strip`, by default those that the kind tells; ``spectral`` as in `measure_card`.

    Raises
    ------
    StripReadError
        Those of `measure_card`; no strip, a strip upside down, a covered pad, pads that are not the kind's.
    """
    seen = measure_card(file, card, spectral=spectral)
    watch = Stopwatch(dict(seen.timing_ms))
    with watch.stage("find strip"):
        view = _slot_view(seen)
        colours = colours or kind_colours(kind)
        strip = find_strip(view, kind, colours=colours) if known is None else known
    with watch.stage("pads"):
        placed = _measure_pads(seen, view, strip, kind, colours)
    strip, pads = placed.strip, placed.pads
    with watch.stage("quality"):
        light = [f for pad, ground in zip(pads, placed.grounds, strict=True) for f in judge_light(seen, pad, ground)]
    measured = [*seen.findings, *strip.findings, *placed.findings, *(f for pad in pads for f in pad.colour.findings)]
    said = {f.code for f in measured}
    findings = (*measured, *(f for f in light if f.code not in said))
    return StripMeasurement(card=seen, kind=kind, strip=strip, pads=pads, findings=findings, timing_ms=watch.timing_ms)


def _slot_view(seen: CardMeasurement) -> SlotView:
    """Picture of the slot and its surroundings, with what the card tells of its tip mark and its colours."""

    def to_lab(relative: Float, places_mm: Float) -> Float:
        return seen.correction.lab(relative * card_white(seen, places_mm), places_mm)

    view = card_view(seen, strip_room(seen.card), margin_mm=_VIEW_MARGIN_MM)
    printed = seen.card.slot is not None
    return replace(view, printed=printed, tip_mark_mm=seen.card.tip_mark_mm, to_lab=to_lab)


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlacedPads:
    """A strip's pads measured where they lie, with the ground beside each."""

    strip: StripPose
    pads: tuple[PadMeasurement, ...]
    grounds: tuple[GroundLight | None, ...]
    findings: tuple[Finding, ...] = ()


def _measure_pads(
    seen: CardMeasurement, view: SlotView, strip: StripPose, kind: StripKind, colours: Mapping[str, Float]
) -> _PlacedPads:
    """Measure the pads; where none shows and the tip may be at either end, at both places where each could lie.

    Raises
    ------
    StripNotFoundError
        If no pad shows, both ends have different colours, and neither these nor a mark on the card tell which it is.
    """
    one = _measure_way(seen, view, strip, kind)
    if not strip.unseen:
        return one
    if strip.other_way is None:
        text = Message("No pad shows at the end of the strip where it should be.")
        return replace(one, findings=(make_finding("pad_not_seen", text),))
    other = _measure_way(seen, view, strip.other_way, kind)
    apart = max(float(np.linalg.norm(a.lab - b.lab)) for a, b in zip(one.pads, other.pads, strict=True))
    if apart <= _ONE_COLOUR:
        text = Message(
            "No pad shows at either end of the strip; both places have one colour within %(apart)s Delta E.",
            apart=Number(apart, ".1f"),
        )
        pads = tuple(map(_of_either, one.pads, other.pads))
        return replace(one, pads=pads, findings=(make_finding("pad_not_seen", text),))
    nearer = _off_colours(other.pads, colours) - _off_colours(one.pads, colours)
    if abs(nearer) > _NEARER:
        text = Message(
            "No pad shows; of the ends, %(apart)s Delta E apart, the one nearer to the pads' colours was taken.",
            apart=Number(apart, ".1f"),
        )
        return replace(one if nearer > 0 else other, findings=(make_finding("pad_not_seen", text),))
    if seen.card.tip_mark_mm is None:
        raise StripNotFoundError(
            expected=Message(
                "pads of kind %(name)s that show, or both ends of the strip of one colour", name=kind.name
            ),
            found=Message("no pad, and ends that differ by %(apart)s Delta E", apart=Number(apart, ".1f")),
            remedy=Message(
                "Use a card with a tip mark in its slot, lay the strip's tip at the mark, and retake the photo."
            ),
        )
    text = Message(
        "No pad shows, and the ends differ by %(apart)s Delta E; the tip was taken to lie at the card's tip mark.",
        apart=Number(apart, ".1f"),
    )
    return replace(one, findings=(make_finding("pad_not_seen", text), make_finding("end_by_mark", text)))


def _measure_way(seen: CardMeasurement, view: SlotView, strip: StripPose, kind: StripKind) -> _PlacedPads:
    """Measure the pads of a strip that lies this way round."""
    grounds = tuple(ground_beside(view, strip, kind, pad.id) for pad in kind.pads)
    pads = tuple(measure_one_pad(seen, strip, kind, p.id, g) for p, g in zip(kind.pads, grounds, strict=True))
    return _PlacedPads(strip=strip, pads=pads, grounds=grounds)


def _off_colours(pads: Sequence[PadMeasurement], colours: Mapping[str, Float]) -> float:
    """Return by how many Delta E the pad that is furthest off lies from the colours that it can have; 0 if unknown."""
    known = [np.linalg.norm(colours[pad.pad] - pad.lab, axis=1).min() for pad in pads if pad.pad in colours]
    return float(max(known, default=0.0))


def _of_either(one: PadMeasurement, other: PadMeasurement) -> PadMeasurement:
    """Return a pad that lies at one of two places, either as likely: the mean, and half the difference as its u."""
    half = (one.lab - other.lab) / 2
    return replace(one, lab=(one.lab + other.lab) / 2, u_pixels=one.u_pixels + np.outer(half, half))
