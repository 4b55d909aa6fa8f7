"""The card in a photo: found, its colours corrected, judged; and the picture of a part of it."""

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

import cv2
import numpy as np

from stripread.card import CardLayout, CardPose, find_card, measure_patches
from stripread.colour import Correction, fit_correction, linear_srgb
from stripread.errors import CardNotFoundError, PhotoUnfitError
from stripread.findings import Finding
from stripread.geometry import Float, Rect, apply_homography
from stripread.photo import Blur, Photo, PhotoFile, decode_photo, judge_card, suggested_reduction
from stripread.strip import SlotView

__all__ = [
    "CardInspection",
    "CardMeasurement",
    "Stopwatch",
    "card_view",
    "card_white",
    "inspect_card",
    "measure_card",
]

_FINE_PX_PER_MM = 5.0  # decode finer where the card shows less: a 5 mm pad then still has 25 px a side
_VIEW_PX_PER_MM = 4.0  # at which the finder works


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
