"""From a photo to the colour of each pad: the order of the steps, for readings and for calibrations alike."""

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from stripread.card.find import CardPose, find_card
from stripread.card.layout import CardLayout
from stripread.card.patches import measure_patches
from stripread.card.slot import strip_room
from stripread.colour.correct import CLIPPED_HIGH, Correction, fit_correction
from stripread.colour.lab import linear_srgb
from stripread.colour.mismatch import mismatch_covariance, spectral_mismatch
from stripread.errors import CardNotFoundError, PhotoUnfitError, StripNotFoundError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float, Rect, apply_homography
from stripread.i18n import Message, Number
from stripread.photo.blur import Blur
from stripread.photo.load import PhotoFile, decode_photo, suggested_reduction
from stripread.photo.photo import Photo
from stripread.photo.quality import GroundLight, judge_card, judge_pad, measure_ground
from stripread.strip.find import find_strip
from stripread.strip.glare import GroundVeil
from stripread.strip.kinds import StripKind, kind_colours
from stripread.strip.pads import PadColour, measure_pad
from stripread.strip.pose import StripPose
from stripread.strip.view import SlotView

__all__ = [
    "CardInspection",
    "CardMeasurement",
    "PadMeasurement",
    "StripMeasurement",
    "card_view",
    "card_white",
    "coding_covariance",
    "inspect_card",
    "measure_card",
    "measure_strip",
    "pad_mismatch",
]

_FINE_PX_PER_MM = 5.0  # decode finer where the card shows less: a 5 mm pad then still has 25 px a side
_VIEW_PX_PER_MM = 4.0  # at which the finder works
_U_CODING = 0.1  # of an 8-bit code: what rounding leaves uncertain in the mean of a pad without any noise
_VIEW_MARGIN_MM = 8.0  # a strip may lie 6 mm beside its place
_SLOT_BORDER_MM = 1.0  # a printed border and its blur
# Delta E by which mottled plastic may differ from end to end of a strip. Our choice, judged on drawn ones.
_ONE_COLOUR = 2.0
_NEARER = 2.0  # Delta E by which the one end must be nearer to the pads' colours than the other
_USUAL_BLUR_PX = 1.0  # of the decoded picture, where the blur could not be measured


@dataclass(slots=True)
class Stopwatch:
    """Milliseconds a stage. The only thing here that changes while a photo is read."""

    timing_ms: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time spent inside to a stage."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.timing_ms[name] = self.timing_ms.get(name, 0.0) + 1e3 * (time.perf_counter() - start)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMeasurement:
    """A card found in a photo, and the correction that its patches give."""

    photo: Photo
    card: CardLayout
    pose: CardPose
    correction: Correction
    blur: Blur | None
    findings: tuple[Finding, ...]
    timing_ms: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardInspection:
    """What a photo shows of a card, also where nothing may be measured by it.

    Attributes
    ----------
    correction : Correction or None
        None where too few patches were usable.
    refusal : PhotoUnfitError or None
        Why the photo would not be read; None where it would.
    """

    photo: Photo
    card: CardLayout
    pose: CardPose
    correction: Correction | None
    blur: Blur | None
    findings: tuple[Finding, ...]
    refusal: PhotoUnfitError | None
    timing_ms: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PadMeasurement:
    """One pad, corrected.

    Attributes
    ----------
    lab : ndarray (3,)
        CIELAB (D50, 2 degree).
    u_pixels : ndarray (3, 3)
        Covariance of ``lab`` from the scatter of the pad's pixels and from coding.
    u_coding : ndarray (3, 3)
        Its part from coding (`coding_covariance`), which photos of like colours in like exposure share.
    u_glare : ndarray (3, 3)
        Covariance of ``lab`` from mirrored light that may be left in it; zero where none was seen.
    light_gradient : ndarray (3,)
        Change of ``lab`` per relative change of the light at the pad.
    u_open : ndarray (3, 3)
        Covariance of ``lab`` by what the card leaves open of tone curve and light beyond what is usual
        (`Corrected.u_open`).
    polygon_px : ndarray (4, 2)
        Corners in the full-size upright photo.
    stated_mismatch : ndarray (3, 3) or None
        Covariance of ``lab`` as the spectral map states it; None where a plain map was used.
    """

    pad: str
    colour: PadColour
    lab: Float
    u_pixels: Float
    u_coding: Float
    u_glare: Float
    light_gradient: Float
    u_open: Float
    polygon_px: Float
    stated_mismatch: Float | None = None


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


def coding_covariance(linear: Float, steps: tuple[float, float]) -> Float:
    """Covariance (3, 3) that rounding and JPEG leave in the mean decoded value (3,) of an area without noise.

    A JPEG keeps the mean of each block in ``steps`` of its brightness and its two colour differences. All blocks of a
    smooth pad are rounded alike, so this does not average out; noise would help, and is not counted on. The card's
    white, against which the pad is seen, is rounded as well, hence twice. YCbCr to RGB: ITU-T T.871 (JFIF).
    """
    to_rgb = np.array([[1.0, 0.0, 1.402], [1.0, -0.344136, -0.714136], [1.0, 1.772, 0.0]])
    rounding = np.array([steps[0], steps[1], steps[1]]) ** 2 / 12
    # d(linear) / d(code) of sRGB is about 2.2 linear^0.55
    slope = 2.2 * linear**0.55 / 255
    covariance: Float = (2 * (to_rgb * rounding) @ to_rgb.T + _U_CODING**2 * np.eye(3)) * np.outer(slope, slope)
    return covariance


def pad_mismatch(pad: PadMeasurement, correction: Correction, residuals: Float, *, u_reference: float) -> Float:
    """Covariance (3, 3) of a pad's CIELAB by what the correction misses and the calibration does not miss as well.

    Parameters
    ----------
    residuals : ndarray (n, 3)
        Of the card's patches, less those of the calibration; NaN for patches that count for nothing.
    u_reference : float
        As in `mismatch_covariance`.
    """
    patches = correction.patches
    known = np.isfinite(residuals).all(axis=1)
    seen = (patches.lab[known], residuals[known], ~patches.neutral[known])
    if pad.stated_mismatch is not None:
        return spectral_mismatch(pad.stated_mismatch, *seen)
    constants = correction.mismatch
    result: Float = mismatch_covariance(pad.lab[None], *seen, u_reference=u_reference, constants=constants)[0]
    return result


def measure_card(file: PhotoFile, card: CardLayout, *, spectral: bool = False) -> CardMeasurement:
    """Find a card in a photo and fit the correction on its patches.

    ``spectral`` allows the spectral map where the card has spectra.

    Raises
    ------
    StripReadError
        A photo that cannot be decoded, no card or not exactly one in it, too few usable patches, light in which their
        colours cannot be matched.
    """
    seen = inspect_card(file, card, spectral=spectral)
    if seen.refusal is not None:
        raise seen.refusal
    assert seen.correction is not None, "a photo without a correction is refused"
    return CardMeasurement(
        photo=seen.photo,
        card=card,
        pose=seen.pose,
        correction=seen.correction,
        blur=seen.blur,
        findings=seen.findings,
        timing_ms=seen.timing_ms,
    )


def inspect_card(file: PhotoFile, card: CardLayout, *, spectral: bool = False) -> CardInspection:
    """Find a card in a photo and tell what it shows, also where the photo is unfit to measure by.

    Raises
    ------
    StripReadError
        A photo that cannot be decoded, no card or not exactly one in it.
    """
    watch = Stopwatch()
    photo, pose = _decode_and_find(file, card, watch)
    correction, quality, refusal = None, None, None
    with watch.stage("patches"):
        patches = measure_patches(photo, pose.homography, card)
    with watch.stage("correction"):
        try:
            correction = fit_correction(patches, spectral=spectral)
        except PhotoUnfitError as error:
            refusal = error
    if correction is not None:
        with watch.stage("quality"):
            squares = [m.corners_mm for m in card.markers if m.id in pose.markers_found]
            quality = judge_card(photo, pose.homography, squares, correction, enrolled=card.enrolment is not None)
    return CardInspection(
        photo=photo,
        card=card,
        pose=pose,
        correction=correction,
        blur=None if quality is None else quality.blur,
        findings=(*pose.findings, *(() if quality is None else quality.findings)),
        refusal=refusal if quality is None else quality.refusal,
        timing_ms=watch.timing_ms,
    )


def _decode_and_find(file: PhotoFile, card: CardLayout, watch: Stopwatch) -> tuple[Photo, CardPose]:
    """Decode as coarsely as the card in it allows: patch means need no more than about 5 px/mm."""
    reduction: int = suggested_reduction(file)
    while True:
        with watch.stage("decode"):
            photo = decode_photo(file, reduction=reduction)
        try:
            with watch.stage("find card"):
                pose = find_card(photo, card)
        except CardNotFoundError:
            if reduction == 1:
                raise
            reduction //= 2
            continue
        if reduction > 1 and pose.px_per_mm / reduction < _FINE_PX_PER_MM:
            reduction //= 2
            continue
        return photo, pose


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
        light = [f for pad, ground in zip(pads, placed.grounds, strict=True) for f in _judge_one(seen, pad, ground)]
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
    grounds = tuple(_ground_beside(view, strip, kind, pad.id) for pad in kind.pads)
    pads = tuple(_measure_one(seen, strip, kind, p.id, g) for p, g in zip(kind.pads, grounds, strict=True))
    return _PlacedPads(strip=strip, pads=pads, grounds=grounds)


def _off_colours(pads: Sequence[PadMeasurement], colours: Mapping[str, Float]) -> float:
    """Return by how many Delta E the pad that is furthest off lies from the colours that it can have; 0 if unknown."""
    known = [np.linalg.norm(colours[pad.pad] - pad.lab, axis=1).min() for pad in pads if pad.pad in colours]
    return float(max(known, default=0.0))


def _of_either(one: PadMeasurement, other: PadMeasurement) -> PadMeasurement:
    """Return a pad that lies at one of two places, either as likely: the mean, and half the difference as its u."""
    half = (one.lab - other.lab) / 2
    return replace(one, lab=(one.lab + other.lab) / 2, u_pixels=one.u_pixels + np.outer(half, half))


def card_view(seen: CardMeasurement, slot: Rect, *, margin_mm: float) -> SlotView:
    """Return the picture of a part of the card and its surroundings, upright on the card and about 1 on its white."""
    area = slot.grown(margin_mm)
    scale = min(_VIEW_PX_PER_MM, max(seen.pose.px_per_mm / seen.photo.reduction, 2.0))
    columns, rows = round(area.width * scale), round(area.height * scale)
    to_photo = _to_pixels(seen) @ np.array([[1 / scale, 0, area.x], [0, 1 / scale, area.y], [0, 0, 1]])
    corners = apply_homography(to_photo, Rect(0, 0, columns - 1.0, rows - 1.0).corners)
    height, width = seen.photo.pixels.shape[:2]
    low = np.clip(np.floor(corners.min(axis=0)) - 2, 0, [width, height]).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0)) + 3, 0, [width, height]).astype(int)
    part = seen.photo.linear(slice(low[1], high[1]), slice(low[0], high[0]))
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    view = cv2.warpPerspective(
        part,
        shift @ to_photo,
        (columns, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    # The light over the slot, on a coarse grid: the card's white as the photo shows it there.
    x, y = np.meshgrid(np.linspace(area.x, area.x + area.width, 24), np.linspace(area.y, area.y + area.height, 12))
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    field = cv2.resize(card_white(seen, places).reshape(12, 24, 3).astype(np.float32), (columns, rows))
    return SlotView(linear=view / field, px_per_mm=scale, origin_mm=np.array([area.x, area.y]), slot=slot)


def card_white(seen: CardMeasurement, places_mm: Float) -> Float:
    """Linear RGB (n, 3) of the card's white as the photo would show it at places (n, 2)."""
    patches = seen.correction.patches
    white = seen.correction.white
    level = (patches.linear[white] / seen.correction.tone.light(patches.places_mm[white])).mean(axis=0)
    if not (white & patches.white).any():  # a grey stands for white
        level = level * (
            linear_srgb(patches.lab[patches.white]).mean(axis=0) / linear_srgb(patches.lab[white]).mean(axis=0)
        )
    result: Float = seen.correction.tone.light(places_mm) * level
    return result


def _to_pixels(seen: CardMeasurement) -> Float:
    """Card mm to pixels of the decoded (perhaps reduced) picture."""
    return seen.photo.from_full_matrix @ seen.pose.homography


def _measure_one(
    seen: CardMeasurement, strip: StripPose, kind: StripKind, pad_id: str, ground: GroundLight | None
) -> PadMeasurement:
    polygon_mm = strip.pad_polygon_mm(kind.pad(pad_id))
    polygon_px = apply_homography(seen.pose.homography, polygon_mm)
    polygon = seen.photo.from_full(polygon_px)
    height, width = seen.photo.pixels.shape[:2]
    low = np.clip(np.floor(polygon.min(axis=0)) - 2, 0, [width, height]).astype(int)
    high = np.clip(np.ceil(polygon.max(axis=0)) + 3, 0, [width, height]).astype(int)
    part = seen.photo.linear(slice(low[1], high[1]), slice(low[0], high[0]))
    blur_px = _USUAL_BLUR_PX if seen.blur is None else max(seen.blur.worst_px / seen.photo.reduction, _USUAL_BLUR_PX)
    correction, place = seen.correction, polygon_mm.mean(axis=0)
    colour = measure_pad(
        part,
        polygon - low,
        blur_px=blur_px,
        to_scene=lambda linear: correction.scene(np.maximum(linear, 1e-4), place[None]),
        veil_beside=_mirrored_beside(seen, ground, place),
        shaded=ground is not None and ground.shaded,
    )
    if colour.mean.max() > CLIPPED_HIGH:
        raise PhotoUnfitError(
            expected=Message("pad %(pad_id)s within the range of the camera", pad_id=repr(pad_id)),
            found=Message("a pad that is white in the photo, as it is too bright"),
            remedy=Message(
                "Tap on the white of the card so that the phone exposes for it, or move out of the sun; retake."
            ),
        )
    linear = np.maximum(colour.mean, 1e-4)
    corrected = correction.at(linear, place)
    jacobian = corrected.jacobian
    coding = jacobian @ coding_covariance(linear, seen.photo.code_steps) @ jacobian.T
    return PadMeasurement(
        pad=pad_id,
        colour=colour,
        lab=corrected.lab,
        u_pixels=jacobian @ colour.covariance_of_mean @ jacobian.T + coding,
        u_coding=coding,
        u_glare=jacobian @ colour.covariance_of_veil @ jacobian.T,
        light_gradient=corrected.light_gradient,
        u_open=corrected.u_open,
        polygon_px=polygon_px,
        stated_mismatch=corrected.stated_mismatch,
    )


def _mirrored_beside(seen: CardMeasurement, ground: GroundLight | None, place_mm: Float) -> GroundVeil:
    """Mirrored light on the ground beside a pad, as share of white."""
    if ground is None or not (ground.veiled or ground.mirrored_at):
        return GroundVeil()
    sides = [max(side, 0.0) for side in ground.sides] if ground.veiled else []
    levels = ground.low * (1 + np.array([0.0, ground.mirrored_at, *sides]))
    light = seen.correction.scene(levels[:, None] * card_white(seen, place_mm[None]), place_mm[None]).mean(axis=1)
    near, *both = (light[1:] - light[0]).tolist()
    return GroundVeil(both=tuple(both), near=near)


def _ground_beside(view: SlotView, strip: StripPose, kind: StripKind, pad_id: str) -> GroundLight | None:
    """Compare the ground beside a pad with the ground along the strip."""
    # View pixels of a place (along, across) on the strip, the latter from its middle.
    normal = np.array([-strip.direction[1], strip.direction[0]])
    turn = np.stack([strip.direction, normal], axis=1) * view.px_per_mm
    to_view = np.column_stack([turn, view.mm_to_view(strip.origin_mm)])
    clear = view.mm_to_view(view.slot.grown(-_SLOT_BORDER_MM).corners)
    along = (strip.pad_polygon_mm(kind.pad(pad_id)) - strip.origin_mm) @ strip.direction
    return measure_ground(
        view.linear,
        to_view,
        (clear[0], clear[2]),
        length_mm=kind.length_mm,
        width_mm=kind.width_mm,
        pad_along_mm=(float(along.min()), float(along.max())),
    )


def _judge_one(seen: CardMeasurement, pad: PadMeasurement, ground: GroundLight | None) -> list[Finding]:
    """Judge a pad's exposure and the light on it."""
    shadow_known = any(f.code == "shadow_edge" for f in seen.findings)
    return judge_pad(pad.pad, pad.colour.mean, seen.correction, ground, shadow_known=shadow_known)
