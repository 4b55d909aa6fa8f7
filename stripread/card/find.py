"""Finding the card in a photo: where it lies, to a few hundredths of a pixel, and whether it is one flat card."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.card.layout import CardLayout
from stripread.card.markers import MarkerSet, Sighting, detect_markers, likeness, load_markers, refine_corners
from stripread.errors import CardBentError, CardNotFoundError, MirroredPhotoError, SeveralCardsError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float, apply_homography, scale_points
from stripread.i18n import Message, Number, joined
from stripread.photo import Photo

__all__ = ["CardPose", "find_card"]

Grey = NDArray[np.uint8]

# Limits that we chose; docs/explanation/finding-the-card.md says on which simulated scenes.
_ENOUGH_MARKERS = 3
_SEARCH_PIXELS = 3.0e6  # the first search uses a picture of about this size
_GLANCE_PIXELS, _GLANCE_SIDE_PX = 1.8e5, 18.0  # the picture of the first glance, and its markers, are no smaller
_SMALLEST_CARD = 0.1  # of the longer side; cards down to 0.2 are promised, turned, tilted or in an upright photo
_FOCAL_SHARE = 0.8  # of the longer side: phones' main lenses lie between about 0.7 and 0.85
_LIKENESS_MIN = 0.5  # true markers reach 0.6 and more, at worst
_BENT_MM, _BENT_PX = 0.15, 0.25  # card_bent from this residual on, rms over the markers' corners, mm and px added up
_GROWTH_MAX = 0.05  # share of a marker's side by which ink may spread or blur shrink it
_USELESS_MM = 0.6  # CardBentError from this one on
_EDGE_MM = 1.0  # card_covered when the outline leaves the picture by more, and print with it


@dataclass(frozen=True, slots=True, kw_only=True)
class CardPose:
    """Where the card lies in a photo.

    Attributes
    ----------
    homography : ndarray of shape (3, 3)
        Card mm to pixels of the full-size upright photo; its last element is 1.
    corners_px : ndarray of shape (4, 2)
        The card's outline, from its own top left corner clockwise, in full-size pixels.
    markers_found : tuple of int
        Ids, in the order of the card's file.
    reprojection_rms_px : float
        Root mean square distance of the markers' corners from where the homography puts them. [full-size px]
    reprojection_max_mm : float
        The largest such distance on the card. [mm]
    px_per_mm : float
        At the card's centre; geometric mean over the directions. [full-size px/mm]
    tilt_deg : float
        Angle between the camera's axis and the card's normal, for a lens of 0.8 times the picture's longer side whose
        axis meets the picture's middle. Good to a few degrees where that holds; wrong for a cropped photo.
    """

    homography: Float
    corners_px: Float
    markers_found: tuple[int, ...]
    reprojection_rms_px: float
    reprojection_max_mm: float
    px_per_mm: float
    tilt_deg: float
    findings: tuple[Finding, ...]


def find_card(photo: Photo, card: CardLayout) -> CardPose:
    """Find the card's markers in the photo and return its pose.

    Raises
    ------
    CardFileError
        If the card names a dictionary or a marker id that OpenCV does not have.
    CardNotFoundError
        If fewer than three markers are found. A photo decoded at a reduced size may still show them at full size.
    MirroredPhotoError
        If the mirror image of the photo shows the card.
    SeveralCardsError
        If a marker is seen at two places, or markers cannot belong to one card.
    CardBentError
        If the card is bent so far that patches would be sampled beside their place.
    """
    markers = load_markers(card.dictionary, tuple(m.id for m in card.markers))
    grey = _grey(photo.pixels)
    seen = _glance(grey, markers) or _search(grey, card, markers)
    _refuse_several(seen, card)
    if len(seen) < _ENOUGH_MARKERS:
        mirror = np.asarray(cv2.flip(grey, 1), dtype=np.uint8)
        if len({s.id for s in _search(mirror, card, markers, thorough=False)}) >= _ENOUGH_MARKERS:
            raise MirroredPhotoError(
                expected=Message("the card as printed"),
                found=Message("its mirror image"),
                remedy=Message(
                    "Switch off mirroring in the camera app, or use the main camera instead of the selfie one."
                ),
            )
        raise _not_found(seen, card)
    chosen = {s.id: photo.to_full(s.corners) for s in seen}
    return _pose(chosen, card, photo.full_size, pixel=float(photo.reduction))


def _grey(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Grey:
    """8-bit grey, stretched where the photo is dark, because the detector's threshold counts in codes."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    gain = 1.0 / 257 if grey.dtype == np.uint16 else 1.0
    bright = float(np.percentile(grey[::16, ::16], 98)) * gain
    if bright < 110:
        gain *= 220 / max(bright, 4.0)
    return np.asarray(grey if gain == 1.0 else cv2.convertScaleAbs(grey, alpha=gain), dtype=np.uint8)


def _search(grey: Grey, card: CardLayout, markers: MarkerSet, *, thorough: bool = True) -> list[Sighting]:
    """Look through passes of rising cost until enough markers are seen; then look where the others must be."""
    seen: list[Sighting] = []
    passes = list(_passes(grey.shape))
    share = _SMALLEST_CARD * _smallest_side(card) / max(card.width_mm, card.height_mm)
    for factor, windows in passes if thorough else passes[:3]:
        if len({s.id for s in seen}) >= _ENOUGH_MARKERS:
            break
        fresh = detect_markers(grey, markers, factor=factor, windows=windows, smallest_share=max(0.004, share))
        seen = _merged(seen, fresh, grey, markers)
    if 2 <= len({s.id for s in seen}) < len(card.markers):
        seen = _merged(seen, _look_closer(grey, seen, card, markers), grey, markers)
    return seen


def _smallest_side(card: CardLayout) -> float:
    return float(min(np.linalg.norm(np.diff(m.corners_mm, axis=0), axis=1).min() for m in card.markers))


def _passes(shape: tuple[int, ...]) -> Iterator[tuple[float, tuple[int, ...]]]:
    """Scale and threshold windows of each pass: smaller pictures show soft markers, larger ones small markers."""
    base = 1.0 / max(1, round((shape[0] * shape[1] / _SEARCH_PIXELS) ** 0.5))
    yield base, (13,)
    yield base / 2, (7, 13)
    yield base / 4, (7, 13)
    yield base, (7, 23, 39)
    yield base * 2, (13, 23, 33)


def _glance(grey: Grey, markers: MarkerSet) -> list[Sighting]:
    """Look for a card that is large in the photo, in small pictures; none where there is anything else to tell.

    Its markers must all be there, each once, and so large that another card of a little over half the size would have
    shown as well. Corners are placed in the photo as it is, so nothing is lost in accuracy.
    """
    pictures = [grey]
    while pictures[-1].size > 4 * _GLANCE_PIXELS:
        # Halved time and again, which OpenCV does much faster than a quarter at once.
        half = cv2.resize(pictures[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        pictures.append(np.asarray(half, dtype=np.uint8))
    for level in range(len(pictures) - 1, max(0, len(pictures) - 3), -1):
        small = pictures[level]
        share = 0.5 * _GLANCE_SIDE_PX / max(small.shape)
        raw = detect_markers(small, markers, factor=1.0, windows=(11,), smallest_share=share)
        if len({s.id for s in raw}) < len(markers.ids) or min(s.side for s in raw) < _GLANCE_SIDE_PX:
            continue
        carried = [Sighting(id=s.id, corners=scale_points(s.corners, 2.0**level)) for s in raw]
        seen = _merged([], carried, grey, markers)
        return seen if sorted(s.id for s in seen) == sorted(markers.ids) else []
    return []


def _merged(seen: list[Sighting], fresh: Sequence[Sighting], grey: Grey, markers: MarkerSet) -> list[Sighting]:
    """Add what is new: real markers, each place once."""
    merged = list(seen)
    if not fresh:
        return merged
    corners = refine_corners(grey, np.stack([s.corners for s in fresh]), markers.modules)
    fine = [Sighting(id=raw.id, corners=c) for raw, c in zip(fresh, corners, strict=True)]
    for raw, exact, alike in zip(fresh, fine, likeness(grey, fine, markers), strict=True):
        if any(s.id == raw.id and np.linalg.norm(s.centre - raw.centre) < max(s.side, raw.side) for s in merged):
            continue
        if alike >= _LIKENESS_MIN:
            merged.append(exact)
    return merged


def _look_closer(grey: Grey, seen: list[Sighting], card: CardLayout, markers: MarkerSet) -> list[Sighting]:
    """Search the neighbourhood of each missing marker, brought to the size at which the detector is surest."""
    of_card = {m.id: m.corners_mm for m in card.markers}
    known = {s.id: s.corners for s in seen}
    homography = _fit(np.concatenate([of_card[i] for i in known]), np.concatenate(list(known.values())))
    found: list[Sighting] = []
    if homography is None:
        return found
    height, width = grey.shape
    for marker in card.markers:
        if marker.id in known:
            continue
        place = Sighting(id=marker.id, corners=apply_homography(homography, marker.corners_mm))
        if not np.isfinite(place.corners).all() or place.side < markers.modules or np.abs(place.corners).max() > 1e6:
            continue
        x0, y0 = np.maximum(np.floor(place.corners.min(axis=0) - place.side), 0).astype(int)
        x1, y1 = np.minimum(np.ceil(place.corners.max(axis=0) + place.side), (width, height)).astype(int)
        if min(x1 - x0, y1 - y0) < markers.modules or max(x1 - x0, y1 - y0) > 12 * place.side:
            continue  # out of the picture, or two markers that are not of one card send it astray
        for module_px in (5, 9):
            factor = module_px * markers.modules / place.side
            how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
            part = np.asarray(cv2.resize(grey[y0:y1, x0:x1], None, fx=factor, fy=factor, interpolation=how), np.uint8)
            for picture in (part, _without_shadows(part, module_px=module_px)):
                for s in detect_markers(picture, markers, factor=1.0, windows=(7, 13, 19), smallest_share=0.08):
                    found.append(Sighting(id=s.id, corners=scale_points(s.corners, 1 / factor) + np.array([x0, y0])))
    return [s for s in found if s.id not in known]


def _without_shadows(grey: Grey, *, module_px: int) -> Grey:
    """Divide by the paper nearby, since decoding uses one threshold a marker, which a shadow's edge upsets.

    The paper is the brightest within a module, or half the brightest within four where that is more: shaded paper has
    over half the codes of lit paper (0.6 where it gets a third of the light), ink has far less.
    """
    near = cv2.dilate(grey, np.ones((2 * module_px + 1,) * 2, dtype=np.uint8))
    far = cv2.dilate(grey, np.ones((8 * module_px + 1,) * 2, dtype=np.uint8))
    paper = np.maximum(cv2.convertScaleAbs(far, alpha=0.5), near)
    return np.asarray(cv2.divide(grey, paper, scale=255), dtype=np.uint8)


def _fit(points_mm: Float, points_px: Float) -> Float | None:
    """Card mm to pixels: least squares of pixel distances (linear start, then Levenberg-Marquardt); None if none."""
    homography, _ = cv2.findHomography(points_mm, points_px, 0)
    if homography is None or not np.isfinite(homography).all() or abs(homography[2, 2]) < 1e-12:
        return None
    result: Float = np.asarray(homography / homography[2, 2], dtype=np.float64)
    return result


def _inverse(homography: Float) -> Float:
    return np.asarray(np.linalg.inv(homography), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Agreement:
    """How well one plane explains the corners; residuals are measured minus predicted."""

    homography: Float
    rms_px: float
    rms_mm: float
    max_mm: float


def _agree(chosen: dict[int, Float], card: CardLayout) -> _Agreement | None:
    """Fit the homography and measure its residuals.

    Ink that spreads, and blur in a picture with a tone curve, let all markers grow or shrink alike, so their common
    growth is fitted too. It moves no centre, but would otherwise look like a bend.
    """
    used = [m for m in card.markers if m.id in chosen]
    seen = np.concatenate([chosen[m.id] for m in used])
    ideal = np.concatenate([m.corners_mm for m in used])
    arms = np.concatenate([m.corners_mm - m.corners_mm.mean(axis=0) for m in used])
    homography = _fit(ideal, seen)
    if homography is None:
        return None
    strays = apply_homography(_inverse(homography), seen) - ideal
    growth = float(np.clip((strays * arms).sum() / (arms**2).sum(), -_GROWTH_MAX, _GROWTH_MAX))
    ideal = ideal + growth * arms
    homography = _fit(ideal, seen)
    if homography is None:
        return None
    px = np.linalg.norm(seen - apply_homography(homography, ideal), axis=1)
    mm = np.linalg.norm(apply_homography(_inverse(homography), seen) - ideal, axis=1)
    return _Agreement(
        homography=homography,
        rms_px=float(np.sqrt(np.mean(px**2))),
        rms_mm=float(np.sqrt(np.mean(mm**2))),
        max_mm=float(mm.max()),
    )


def _pose(chosen: dict[int, Float], card: CardLayout, full_size: tuple[int, int], *, pixel: float) -> CardPose:
    """Turn corners in full-size pixels into the pose; ``pixel`` is the side of a decoded pixel in full-size ones."""
    chosen, agreement = _consistent(chosen, card)
    homography = agreement.homography
    px_per_mm = _px_per_mm(homography, np.array([card.width_mm, card.height_mm]) / 2)
    flat_mm = _BENT_MM + _BENT_PX * pixel / px_per_mm
    evidence = Message(
        "markers stray by %(rms)s mm (rms) and %(most)s mm at most from one plane",
        rms=Number(agreement.rms_mm, ".2f"),
        most=Number(agreement.max_mm, ".2f"),
    )
    if agreement.rms_mm > _USELESS_MM + _BENT_PX * pixel / px_per_mm:
        raise CardBentError(
            expected=Message("a flat card (its markers within %(most)s mm rms of one plane)", most=_USELESS_MM),
            found=Message("a bent one: %(evidence)s", evidence=evidence),
            remedy=Message("Lay the card on a flat, hard surface, or print a new one on stiffer paper; retake."),
        )
    findings: list[Finding] = []
    if missing := [m for m in card.markers if m.id not in chosen]:
        names = joined(_place(m.corners_mm.mean(axis=0), card) for m in missing)
        message = Message(
            "%(missing)s of %(markers)s markers not found (%(names)s); the other %(chosen)s were used.",
            missing=len(missing),
            markers=len(card.markers),
            names=names,
            chosen=len(chosen),
        )
        findings.append(make_finding("marker_missing", message))
    if agreement.rms_mm > flat_mm:
        findings.append(
            make_finding(
                "card_bent",
                Message(
                    "The card's %(evidence)s; a flat card stays under %(flat_mm)s mm.",
                    evidence=evidence,
                    flat_mm=Number(flat_mm, ".2f"),
                ),
            )
        )
    corners_px = apply_homography(homography, card.corners_mm)
    past = np.maximum(-0.5 - corners_px, corners_px - np.array(full_size) + 0.5).max(axis=1) / px_per_mm
    if (past > _EDGE_MM).any() and _print_leaves(card, homography, full_size):
        names = joined(_place(c, card) for c, p in zip(card.corners_mm, past, strict=True) if p > _EDGE_MM)
        findings.append(
            make_finding(
                "card_covered",
                Message(
                    "The card leaves the picture by %(past)s mm (%(names)s).",
                    past=Number(past.max(), ".0f"),
                    names=names,
                ),
            )
        )
    return CardPose(
        homography=homography,
        corners_px=corners_px,
        markers_found=tuple(m.id for m in card.markers if m.id in chosen),
        reprojection_rms_px=agreement.rms_px,
        reprojection_max_mm=agreement.max_mm,
        px_per_mm=px_per_mm,
        tilt_deg=_tilt_deg(homography, full_size),
        findings=tuple(findings),
    )


def _print_leaves(card: CardLayout, homography: Float, full_size: tuple[int, int]) -> bool:
    """Tell whether anything printed on the card leaves the picture: its bare margin is no loss."""
    rooms = [] if card.slot is None else [card.slot.corners]
    printed = np.concatenate([*(m.corners_mm for m in card.markers), *(p.rect.corners for p in card.patches), *rooms])
    seen = apply_homography(homography, printed)
    return bool(((seen < -0.5) | (seen > np.array(full_size) - 0.5)).any())


def _consistent(chosen: dict[int, Float], card: CardLayout) -> tuple[dict[int, Float], _Agreement]:
    """Return the markers that lie on one card, without at most one that does not (a likeness on the bench)."""
    side = _smallest_side(card)
    agreement = _agree(chosen, card)
    if agreement is not None and agreement.max_mm < side / 2:
        return chosen, agreement
    if len(chosen) > _ENOUGH_MARKERS:
        subsets = [{i: c for i, c in chosen.items() if i != left_out} for left_out in chosen]
        fits = [(a.rms_mm, n, a) for n, s in enumerate(subsets) if (a := _agree(s, card)) is not None]
        if fits and min(fits)[0] < _USELESS_MM:
            _, n, best = min(fits)
            return subsets[n], best
    if agreement is not None and agreement.max_mm < side:
        return chosen, agreement
    raise SeveralCardsError(
        expected=Message("the markers of one card"),
        found=Message("%(chosen)s markers that cannot lie on one card", chosen=len(chosen)),
        remedy=Message("Keep other cards, copies of this card and screens out of the picture; retake."),
    )


def _px_per_mm(homography: Float, point_mm: Float) -> float:
    """Square root of the area scale at a point."""
    depth = homography[2, :2] @ point_mm + 1.0
    return float(np.sqrt(abs(np.linalg.det(homography) / depth**3)))


def _tilt_deg(homography: Float, full_size: tuple[int, int]) -> float:
    focal = _FOCAL_SHARE * max(full_size)
    centre = (np.array(full_size) - 1) / 2
    axes = homography[:, :2].copy()
    axes[:2] -= centre[:, None] * axes[2]
    axes[:2] /= focal
    normal = np.cross(axes[:, 0], axes[:, 1])
    return float(np.degrees(np.arccos(np.clip(abs(normal[2]) / np.linalg.norm(normal), 0, 1))))


_PLACES = (
    (Message("top left"), Message("top"), Message("top right")),
    (Message("left"), Message("middle"), Message("right")),
    (Message("bottom left"), Message("bottom"), Message("bottom right")),
)


def _place(point_mm: Float, card: CardLayout) -> Message:
    """Name a place on the card in words."""
    column, row = (np.clip(point_mm / (card.width_mm, card.height_mm), 0, 0.999) * 3).astype(int)
    return _PLACES[row][column]


def _refuse_several(seen: Sequence[Sighting], card: CardLayout) -> None:
    ids = [s.id for s in seen]
    if twice := [m for m in card.markers if ids.count(m.id) > 1]:
        names = joined(_place(m.corners_mm.mean(axis=0), card) for m in twice)
        raise SeveralCardsError(
            expected=Message("one card %(name)s", name=repr(card.name)),
            found=Message("more than one: markers seen at several places (%(names)s)", names=names),
            remedy=Message("Keep other cards, copies of this card and screens out of the picture; retake."),
        )


def _not_found(seen: Sequence[Sighting], card: CardLayout) -> CardNotFoundError:
    ids = {s.id for s in seen}
    missing = [_place(m.corners_mm.mean(axis=0), card) for m in card.markers if m.id not in ids]
    there = [_place(m.corners_mm.mean(axis=0), card) for m in card.markers if m.id in ids]
    return CardNotFoundError(
        expected=Message(
            "the %(markers)s markers of card %(name)s, %(least)s at least",
            markers=len(card.markers),
            name=repr(card.name),
            least=_ENOUGH_MARKERS,
        ),
        found=Message(
            "%(seen)s (missing: %(missing)s)", seen=joined(there) if there else Message("none"), missing=joined(missing)
        ),
        remedy=Message(
            "Retake the photo in focus, with the whole card in view, large, and nothing lying on its corners."
        ),
    )
