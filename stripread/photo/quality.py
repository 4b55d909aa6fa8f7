"""Whether a photo is fit to measure: sharpness, exposure, light, covered patches, how well colours could be matched.

Each judgement is a plain function of arrays; `judge_card` and `judge_pad` put them together. The thresholds are ours,
judged on simulated photos of the seen part; ``docs/explanation/photo-quality.md`` states false alarms and detections.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.colour import CLIPPED_HIGH, Correction
from stripread.errors import PhotoUnfitError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float, apply_homography
from stripread.i18n import Message, Number
from stripread.photo.blur import Blur, measure_blur
from stripread.photo.photo import Photo

__all__ = [
    "CardQuality",
    "GroundLight",
    "judge_card",
    "judge_correction",
    "judge_exposure",
    "judge_light",
    "judge_pad",
    "judge_patches",
    "measure_ground",
]

_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # of linear sRGB, IEC 61966-2-1

# A pad 5.5 mm wide is measured on its inner 70 %, which leaves a rim of 0.82 mm: 1.8 standard deviations of this blur.
# Markers of 15 mm are lost from about 0.55 mm on.
_SOFT_MM = 0.45
_WHITES_LOST, _PATCHES_LOST = 1 / 3, 0.10  # shares too bright from which photo_clipped
_PAD_BRIGHTER = 1.35  # times the brightest patch that could be used: the tone curve is only guessed there
_DARK_WHITE = 0.20  # linear light of the card's white: code 124 of 255
_SHADOW_RESIDUAL = 0.03  # relative, of the second worst neutral patch about the smooth light
_SHADOW_RESIDUAL_DESIGN = 0.12  # the same where the patches' own colours are off by as much
_COVER_HUE = 2.0  # times that: difference between channels from which it is no shadow
_SHADOW_LIGHTNESS = 45.0  # L*: darker greys carry flare and noise
_MIXED, _UNEVEN = 0.20, 0.40  # change of a channel's share, fall of the light, over the card
_SURE = 2.0  # standard uncertainties by which a change of the light's colour must be known to be named or excluded
# Mean CIEDE2000 of patches left out of the map that is used. Enrolled prints in seen lamps reach 0.68, real phones 2 to
# 4. With invented phones stranger than those (tone curves, saturation by hue, local tone mapping) 98 % of the pads are
# covered, 94 % at a misfit of 3 to 5; beyond, nothing is known. Of photos in red-blue light both limits refuse 95 %
# (with too few usable patches), of those phones' 1.5 %.
_MISFIT, _MISFIT_DESIGN, _MISFIT_UNFIT = 0.75, 2.0, 5.0
_PLAIN, _PLAIN_DESIGN = 1.0, 2.5  # the same of a plain linear map: it shows sodium lamps, which a bent map hides
_TAKEN_AWAY = 0.2  # seen lamps 0.0, sodium 0.03, strange phones 0.08 (95 %), red-blue light 0.6 (median)
_SPOILT = 2.0  # times the limit, where a shadow is known: it misleads the patches more than the pad
_DISAGREES_DESIGN = 12.0  # CIEDE2000: a print may well be 5 from its design in one patch
_NEIGHBOUR = 1.6  # times the usual distance between patches: next to it, diagonals included
_GROUND_DARKER, _GROUND_BRIGHTER = 0.05, 0.05  # relative to the rest of the slot
# Share of white from which it is a thing, as a scrap of paper: a lamp that bright is seen in the pad itself.
_PAPER = 0.35
_GROUND_VEILED = 0.025  # relative to the darker part of the slot, geometric mean of both sides
_PLASTIC_FOLLOWS = 0.6  # of the ground's change: the plastic reflects three times as much, so a third is mirrored light
_GROUND_NEAR_MM = 2.0  # how far past the pad's ends its ground counts


@dataclass(frozen=True, slots=True)
class CardQuality:
    """What was judged on the card; ``refusal`` is why nothing may be measured by it, None where it may."""

    blur: Blur | None
    findings: tuple[Finding, ...]
    refusal: PhotoUnfitError | None = None


@dataclass(frozen=True, slots=True)
class GroundLight:
    """Relative departure of the ground beside a pad from the rest of the slot's ground.

    ``darkest`` is of both sides together, ``brightest`` of either side. ``sides`` is how much brighter the median
    of each side is than the darker quarter of the slot, whose luminance is ``low``, 1 on white; ``plastic`` how much
    brighter the strip is next to the pad than further on (None where the ground is not brighter or too little plastic
    shows). ``own`` is how much brighter each side's brightest part there is than the darker quarter of that side.
    """

    darkest: float
    brightest: float
    sides: tuple[float, ...]
    low: float
    plastic: float | None
    own: tuple[float, ...] = ()

    @property
    def shaded(self) -> bool:
        """Whether a shadow falls on the ground beside the pad."""
        return self.darkest < -_GROUND_DARKER

    @property
    def veiled(self) -> bool:
        """Whether light mirrors on both sides of the pad, and so over it as well.

        More light, as outside of a shadow, makes ground and plastic brighter by the same share; mirrored light adds
        the same amount to both, which is a small share of the plastic's.
        """
        both = _on_both(self.sides)
        lit = self.plastic is not None and self.plastic > _PLASTIC_FOLLOWS * both
        return both > _GROUND_VEILED and not lit

    @property
    def mirrored_at(self) -> float:
        """How much light mirrors on the side of the pad that has more of it, relative to ``low``; 0 where none does.

        It may reach over the pad or not.
        """
        most = max(self.own, default=0.0)
        lit = self.plastic is not None and self.plastic > _PLASTIC_FOLLOWS * most
        return most if most > _GROUND_BRIGHTER and not lit else 0.0


def _on_both(sides: Sequence[float]) -> float:
    return float(np.prod(np.maximum(sides, 0.0)) ** (1 / len(sides)))


def judge_card(
    photo: Photo, homography: Float, squares_mm: Sequence[Float], correction: Correction, *, enrolled: bool
) -> CardQuality:
    """Judge a photo by its card.

    Parameters
    ----------
    homography : ndarray (3, 3)
        Card mm to pixels of the full-size photo.
    squares_mm : sequence of ndarray (4, 2)
        Corners of dark squares on white (the markers that were found). [mm]
    enrolled : bool
        Whether the patches' colours were measured.
    """
    centres = apply_homography(homography, correction.patches.places_mm)
    in_view = np.asarray(((centres >= -0.5) & (centres <= np.array(photo.full_size) - 0.5)).all(axis=1))
    blur = measure_blur(photo, homography, squares_mm)
    findings = [] if blur is None else _judge_blur(blur)
    findings += judge_exposure(correction, in_view)
    light = judge_light(correction, enrolled=enrolled)
    findings += light
    findings += judge_patches(correction, enrolled=enrolled)
    spoilt = any(f.code in ("shadow_edge", "card_covered") for f in light)
    try:
        findings += judge_correction(correction, enrolled=enrolled, spoilt=spoilt)
    except PhotoUnfitError as error:
        return CardQuality(blur, tuple(findings), error)
    return CardQuality(blur, tuple(findings))


def _judge_blur(blur: Blur) -> list[Finding]:
    if blur.worst_mm <= _SOFT_MM:
        return []
    worst_mm, worst_px = Number(blur.worst_mm, ".2f"), Number(blur.worst_px, ".1f")
    if blur.worst_mm > 1.4 * min(blur.mm):
        message = Message(
            "Edges are blurred by %(worst_mm)s mm, %(worst_px)s px (standard deviation), in one direction more than in "
            "the other: the phone or the card moved.",
            worst_mm=worst_mm,
            worst_px=worst_px,
        )
    else:
        message = Message(
            "Edges are blurred by %(worst_mm)s mm, %(worst_px)s px (standard deviation).",
            worst_mm=worst_mm,
            worst_px=worst_px,
        )
    return [make_finding("photo_soft", message)]


def judge_exposure(correction: Correction, in_view: NDArray[np.bool_]) -> list[Finding]:
    """Judge whether patches are too bright, or all too dark; ``in_view`` (n,) are those within the picture."""
    patches = correction.patches
    left_out = np.isin(np.array(patches.ids), np.array(correction.clipped, dtype=str)) & in_view
    bright = left_out & (patches.linear.max(axis=1) > 0.9 * CLIPPED_HIGH)
    whites = patches.white & in_view
    lost, total = int((bright & whites).sum()), int(whites.sum())
    findings = []
    if lost > _WHITES_LOST * total or bright.sum() > _PATCHES_LOST * len(bright):
        text = Message(
            "%(bright)s of %(patches)s patches are too bright, %(lost)s of %(total)s white ones among them.",
            bright=int(bright.sum()),
            patches=len(bright),
            lost=lost,
            total=total,
        )
        findings.append(make_finding("photo_clipped", text))
    if not (correction.white & patches.white).any():
        greys = ", ".join(name for name, yes in zip(patches.ids, correction.white, strict=True) if yes)
        message = Message("No white patch could be used; the next grey stands for it (%(greys)s).", greys=greys)
        findings.append(make_finding("grey_for_white", message))
    seen = patches.linear[whites if total else in_view].max(axis=1)
    level = float(np.median(seen)) if len(seen) else 0.0
    if level < _DARK_WHITE:
        findings.append(
            make_finding(
                "photo_dark",
                Message("The card's white reaches %(level)s of the full light.", level=Number(level, ".0%")),
            )
        )
    return findings


def judge_light(correction: Correction, *, enrolled: bool) -> list[Finding]:
    """Judge the light over the card: edges of shadows, lights of different colour, its fall."""
    patches, tone = correction.patches, correction.tone
    neutral = correction.used & patches.neutral
    bright = patches.lab[neutral, 0] > _SHADOW_LIGHTNESS
    residual = tone.residual[bright]
    findings = []
    limit = _SHADOW_RESIDUAL if enrolled else _SHADOW_RESIDUAL_DESIGN
    if len(residual) > 1:
        # The second worst: a single one may be stained.
        level = float(np.sort(np.abs(residual.mean(axis=1)))[-2])
        hue = float(np.sort(np.ptp(residual, axis=1))[-2])
        share = Number(max(level, hue), ".0%")
        if hue > max(level, _COVER_HUE * limit):  # a shadow takes about the same share of each channel
            message = Message(
                "White and grey patches depart by %(share)s and more from light that changes smoothly, and in colour: "
                "something lies on them.",
                share=share,
            )
            findings.append(make_finding("card_covered", message))
        elif level > limit:
            message = Message(
                "White and grey patches depart by %(share)s and more from light that changes smoothly.", share=share
            )
            findings.append(make_finding("shadow_edge", message))
    if findings:  # the light's fit bends towards such patches and says no more about the light
        return findings
    width, height = patches.card_size_mm
    x, y = np.meshgrid(np.linspace(0, width, 7), np.linspace(0, height, 5))
    grid = np.stack([x.ravel(), y.ravel()], axis=1)
    light = tone.light(grid)
    change = tone.colour_change(grid)
    if change.largest > _MIXED and np.log1p(change.largest) > _SURE * change.u_largest:
        message = Message(
            "The colour of the light changes by %(largest)s over the card.", largest=Number(change.largest, ".0%")
        )
        findings.append(make_finding("mixed_light", message))
    elif _SURE * change.u_worst > np.log1p(_MIXED):
        message = Message(
            "The white and grey patches cannot tell whether the colour of the light changes by %(change)s.",
            change=Number(_MIXED, ".0%"),
        )
        findings.append(make_finding("light_unknown", message))
    luminance = light @ _LUMINANCE
    fall = float(1 - luminance.min() / luminance.max())
    if fall > _UNEVEN:
        findings.append(
            make_finding(
                "uneven_light", Message("The light falls by %(fall)s over the card.", fall=Number(fall, ".0%"))
            )
        )
    return findings


def judge_patches(correction: Correction, *, enrolled: bool) -> list[Finding]:
    """Judge the patches that do not fit the others: neighbours are covered, single ones have changed."""
    patches = correction.patches
    odd = np.isin(np.array(patches.ids), np.array(correction.disagreeing, dtype=str))
    if not enrolled:
        odd &= np.nan_to_num(correction.de00) > _DISAGREES_DESIGN
    if not odd.any():
        return []
    apart = np.linalg.norm(patches.places_mm[:, None] - patches.places_mm[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    beside = apart < _NEIGHBOUR * float(np.median(apart.min(axis=1)))
    together = odd & (beside & odd[None]).any(axis=1)
    findings = []
    for code, which, why in (
        (
            "card_covered",
            together,
            Message("neighbours of each other show other colours: a thing or a small shadow lies there"),
        ),
        (
            "patch_disagrees",
            odd & ~together,
            Message("no other colour in this light than the enrolled one was expected"),
        ),
    ):
        if which.any():
            off = [name for name, yes in zip(patches.ids, which, strict=True) if yes]
            names = (
                ", ".join(off)
                if len(off) <= 8
                else Message("%(names)s and %(count)s more", names=", ".join(off[:8]), count=len(off) - 8)
            )
            worst = float(np.nanmax(correction.de00[which]))
            text = Message(
                "%(names)s are off by up to %(worst)s CIEDE2000 and were left out; %(why)s.",
                names=names,
                worst=Number(worst, ".0f"),
                why=why,
            )
            findings.append(make_finding(code, text))
    return findings


def judge_correction(correction: Correction, *, enrolled: bool, spoilt: bool = False) -> list[Finding]:
    """Judge how well the patches' colours could be matched.

    ``spoilt`` tells that a shadow or a thing on the card was found: it spoils the match, and naming it helps more.

    Raises
    ------
    PhotoUnfitError
        If so badly that the stated uncertainty would not hold.
    """
    misfit, away = correction.residual_de00_mean, correction.taken_away
    more = _SPOILT if spoilt else 1.0
    remedy = (
        Message("Clear the card, keep shadows off it, and retake the photo.")
        if spoilt
        else Message(
            "Move to daylight or plain white light: red-blue grow lamps and sodium lamps hide "
            "colours. If the light is plain white, check that the card file is that of this print "
            "and the card is dry and not faded."
        )
    )
    if misfit > _MISFIT_UNFIT * more:
        raise PhotoUnfitError(
            expected=Message(
                "light in which the card's colours can be matched within %(most)s CIEDE2000 on average",
                most=Number(_MISFIT_UNFIT, "g"),
            ),
            found=Message("%(misfit)s CIEDE2000, each patch left out in turn", misfit=Number(misfit, ".1f")),
            remedy=remedy,
        )
    if away > _TAKEN_AWAY * more:
        raise PhotoUnfitError(
            expected=Message("light that holds all colours"),
            found=Message(
                "colours that show only when %(away)s of another channel is taken away", away=Number(away, ".0%")
            ),
            remedy=remedy,
        )
    doubtful, plain = (_MISFIT, _PLAIN) if enrolled else (_MISFIT_DESIGN, _PLAIN_DESIGN)
    if (misfit > doubtful or correction.linear_misfit > plain) and not spoilt:
        message = Message(
            "Patches left out of the fit are missed by %(misfit)s CIEDE2000 on average, by "
            "%(linear)s with a plain map; up to %(usual)s and %(usual_linear)s is usual.",
            misfit=Number(misfit, ".2g"),
            linear=Number(correction.linear_misfit, ".2g"),
            usual=Number(doubtful, "g"),
            usual_linear=Number(plain, "g"),
        )
        return [make_finding("poor_correction", message)]
    return []


def measure_ground(
    view: NDArray[np.floating], to_view: Float, clear_px: tuple[Float, Float], *, length_mm: float, width_mm: float,
    pad_along_mm: tuple[float, float],
) -> GroundLight | None:  # fmt: skip
    """Compare the slot's ground beside a pad with the ground along the rest of the strip; None if too little shows.

    Parameters
    ----------
    view : ndarray (rows, columns, 3)
        Linear picture of the slot, the light's slow fall divided out.
    to_view : ndarray (2, 3)
        From (along, across) on the strip, 0 at its tip and its middle line, to pixels of the view. [px per mm]
    clear_px : tuple of ndarray (2,)
        Low and high corner of the part of the view that shows clear ground.
    pad_along_mm : tuple
        Where the pad begins and ends along the strip.
    """
    step, bin_mm, past = 0.25, 2.0, 10.0
    near_mm, far_mm = width_mm / 2 + 0.8, width_mm / 2 + 3.5  # clear of the strip's edge, its blur and thin shadow
    along = np.arange(-past, length_mm + past, step)
    rows = np.arange(near_mm, far_mm, step)
    sides = []
    for sign in (-1.0, 1.0):
        across = sign * rows[:, None]
        x, y = (row[0] * along + row[1] * across + row[2] for row in to_view)
        seen = cv2.remap(view, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR) @ _LUMINANCE
        clear = (x >= clear_px[0][0]) & (x <= clear_px[1][0]) & (y >= clear_px[0][1]) & (y <= clear_px[1][1])
        per_bin = round(bin_mm / step)
        count = len(along) // per_bin
        bright = np.where(clear, seen, np.nan)[:, : count * per_bin]
        cells = bright.reshape(len(rows), count, per_bin).transpose(1, 0, 2).reshape(count, -1)
        sides.append(_median_of_known(cells, least=cells.shape[1] // 4))
    levels = np.array(sides)
    if np.isfinite(levels).sum() < 8 or (usual := _quantile_of_known(levels, 0.5)) < 0.01:
        return None
    levels[levels > usual + _PAPER] = np.nan
    middle = along[0] + bin_mm * (np.arange(levels.shape[1]) + 0.5)
    low, high = pad_along_mm
    near = levels[:, (middle > low - _GROUND_NEAR_MM) & (middle < high + _GROUND_NEAR_MM)] / usual - 1
    known = np.isfinite(near).any(axis=0)
    if not known.any():
        return None
    both = np.nanmean(near[:, known], axis=0)
    least = _quantile_of_known(levels, 0.25)
    either = tuple(float(np.median(side[np.isfinite(side)])) for side in near if np.isfinite(side).any())
    brighter = tuple((1 + side) * usual / least - 1 for side in either)
    own = tuple(
        float((1 + np.nanmax(side)) * usual / _quantile_of_known(level, 0.25) - 1)
        for side, level in zip(near, levels, strict=True)
        if np.isfinite(side).any()
    )
    return GroundLight(
        darkest=float(both.min()),
        brightest=float(np.nanmax(near)),
        sides=brighter,
        low=least,
        plastic=_plastic_beside(view, to_view, length_mm, pad_along_mm)
        if _on_both(brighter) > _GROUND_VEILED or max(own) > _GROUND_BRIGHTER
        else None,
        own=own,
    )


def _plastic_beside(
    view: NDArray[np.floating], to_view: Float, length_mm: float, pad_along_mm: tuple[float, float]
) -> float | None:
    """Return how much brighter the strip is next to a pad than further on; other pads are darker than the plastic."""
    along = np.arange(1.0, length_mm - 1.0, 0.25)
    places = np.stack(np.meshgrid(along, np.arange(-1.0, 1.01, 0.5)), axis=-1) @ to_view[:, :2].T + to_view[:, 2]
    x, y = np.moveaxis(places.astype(np.float32), -1, 0)
    level = np.median(cv2.remap(view, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) @ _LUMINANCE, axis=0)
    away = np.maximum(pad_along_mm[0] - along, along - pad_along_mm[1])
    next_to, further = level[(away > 1.0) & (away < 4.0)], level[(away > 8.0) & (away < 30.0)]
    if len(next_to) < 4 or len(further) < 8:
        return None
    return float(np.quantile(next_to, 0.75) / max(float(np.quantile(further, 0.75)), 1e-6) - 1)


def _median_of_known(cells: Float, *, least: int) -> Float:
    """Median of the finite values of each row, NaN where fewer than ``least``; `numpy.nanmedian` is far slower."""
    known = np.isfinite(cells).sum(axis=1)
    ordered = np.sort(cells, axis=1)  # NaN come last
    row = np.arange(len(cells))
    middle = (
        ordered[row, np.maximum(known - 1, 0) // 2] + ordered[row, np.minimum(known // 2, cells.shape[1] - 1)]
    ) / 2
    return np.where(known >= max(least, 1), middle, np.nan)


def _quantile_of_known(values: Float, share: float) -> float:
    """Quantile of the finite values, straight between their ranks; `numpy.nanquantile` is far slower."""
    ordered = np.sort(values[np.isfinite(values)])
    return float(np.interp(share * (len(ordered) - 1), np.arange(len(ordered)), ordered))


def judge_pad(
    pad: str, linear: Float, correction: Correction, ground: GroundLight | None, *, shadow_known: bool
) -> list[Finding]:
    """Judge a pad against the patches' brightness, and the light on it by the ground beside it.

    Parameters
    ----------
    linear : ndarray (3,)
        The pad's mean, as the photo shows it.
    shadow_known : bool
        Whether the edge of a shadow was found on the card: brighter ground then is no glare.
    """
    findings = []
    brightest = correction.patches.linear[correction.used].max(axis=0)
    if (linear > CLIPPED_HIGH).any() or (linear > _PAD_BRIGHTER * brightest).any():
        text = Message(
            "Pad %(pad)s is as bright as the camera records, or brighter than all patches that could be used.", pad=pad
        )
        findings.append(make_finding("photo_clipped", text))
    if ground is None:
        return findings
    if ground.shaded:
        text = Message(
            "The ground beside pad %(pad)s is %(darkest)s darker than along the strip.",
            pad=pad,
            darkest=Number(-ground.darkest, ".0%"),
        )
        findings.append(make_finding("shadow_edge", text))
    if ground.brightest > _GROUND_BRIGHTER or ground.veiled:
        excess = Number(ground.brightest, ".0%")
        if shadow_known and not ground.veiled:
            text = Message(
                "The ground beside pad %(pad)s is %(excess)s brighter than along the strip.",
                pad=pad,
                excess=excess,
            )
            findings.append(make_finding("shadow_edge", text))
        else:
            text = Message(
                "The ground beside pad %(pad)s is %(excess)s brighter than along the strip: what mirrors there may "
                "reach the pad.",
                pad=pad,
                excess=excess,
            )
            findings.append(make_finding("glare_on_pad", text))
    return findings
