"""A flash pair: one strip photographed without and with the phone's flash, measured as if the flash alone lit it.

Card and strip are found in each photo anew, so the phone may move in between. What the pair gives is a
`StripMeasurement` like that of a single photo, and lots are calibrated and strips read with it in the same way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout
from stripread.colour import FLASH_CONSTANTS, Correction, delta_e_2000, fit_map, lab_to_xyz, xyz_to_lab
from stripread.errors import FlashPairError, PadCountError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number, Verbatim
from stripread.measure.flash_light import FlashLight, PairPatches, fit_flash_light, fit_pair_tone, join_flash_colours
from stripread.measure.pad import PadMeasurement, coding_covariance
from stripread.measure.strip import StripMeasurement, measure_strip
from stripread.photo import PhotoFile
from stripread.strip import StripKind

__all__ = ["FlashColours", "FlashPair", "finish_flash_pair", "flash_colours", "measure_flash_pair"]

FlashColours = Mapping[str, tuple[float, float, float]]
"""CIELAB of each patch of a card print, by its id, as one phone sees it in the light of its flash alone."""

_LEAST_COMMON = 40  # patches; the fit has 35 coefficients beside the tone curve, on three values a patch
_MOVED_MM = 0.7  # ours: a pad is measured clear of its rim by about as much
# Ours, by patch means of 60 seen phones: a violet pad errs by 0.45 % (median) with the flash twice the ambient light,
# 0.63 % at 0.7 times, 0.68 % at a half, 1.16 % at a fifth. The stated uncertainty grows along.
_WEAK = 0.7
_NO_FLASH = 0.03  # of the ambient light: exposures in EXIF are rounded to about as much
# CIELAB by which patches miss the lot's flash colours. Of 60 seen pairs as patch means, 95 % miss them by 0.25 or less
# at equal light, by 0.58 or less at a fifth; another tone curve in one photo (contrast off by 0.2) stays under it too.
_MISFIT = 1.0
# What single photos are warned of and a pair takes away: light of several colours, or one that hides colours.
_CURED = frozenset({"mixed_light", "poor_correction", "uneven_light"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashPair:
    """Both photos measured, nothing taken off yet.

    ``first`` is the photo that was named first; ``without`` and ``with_flash`` are in the order that the light tells.
    """

    first: StripMeasurement
    without: StripMeasurement
    with_flash: StripMeasurement
    patches: PairPatches


def measure_flash_pair(file: PhotoFile, flash_file: PhotoFile, card: CardLayout, kind: StripKind) -> FlashPair:
    """Measure card and strip in both photos; photos in the wrong order are put right.

    Raises
    ------
    FlashPairError
        Photos of different sizes or cameras, without exposure data, the same photo twice, no flash in either, or a
        card of which too little is usable in both.
    StripReadError
        Those of `measure_strip`.
    """
    _check_files(file, flash_file)
    measured = _measure_both(file, flash_file, card, kind)
    corrections = [m.card.correction for m in measured]
    used = corrections[0].used & corrections[1].used
    white = used & corrections[0].patches.white
    if used.sum() < _LEAST_COMMON or not white.any():
        raise FlashPairError(
            expected=Message(
                "at least %(least)s patches, white among them, that both photos show well", least=_LEAST_COMMON
            ),
            found=Message("%(count)s, of them %(whites)s white", count=int(used.sum()), whites=int(white.sum())),
            remedy=Message(
                "Retake both photos with all of the card in view; tilt the phone if the flash mirrors in the card."
            ),
        )
    tone = fit_pair_tone([c.patches for c in corrections], [c.used for c in corrections])
    whites = np.array([tone.undo(c.patches.linear[white]).mean(axis=0) for c in corrections])
    exposures = np.array([_exposure(one) for one in (file, flash_file)])
    # Green: white balance leaves its gain alone, so that the exposure tells of it.
    light = whites[:, 1] / exposures
    dim, bright = _order(file, flash_file, light)
    if light[bright] < light[dim] * (1 + _NO_FLASH):
        raise FlashPairError(
            expected=Message("more light in the photo with the flash"),
            found=Message(
                "%(dim)s times the light of the other photo, by its exposure",
                dim=Number(light[bright] / light[dim], ".2f"),
            ),
            remedy=Message(
                "Take both photos in the same light, one with the flash switched on; go closer, or into the shade."
            ),
        )
    first = corrections[0].patches
    size = np.array(first.card_size_mm)
    patches = PairPatches(
        linear=np.array([corrections[i].patches.linear for i in (dim, bright)]),
        tone=tone,
        white=whites[[dim, bright]],
        used=used,
        share=float(light[dim] / light[bright]),
        lab=first.lab,
        places=(first.places_mm - size / 2) / (size / 2),
    )
    return FlashPair(first=measured[0], without=measured[dim], with_flash=measured[bright], patches=patches)


def _measure_both(file: PhotoFile, flash_file: PhotoFile, card: CardLayout, kind: StripKind) -> list[StripMeasurement]:
    """Measure both photos. A flash mirrored in the strip looks like a pad: the other photo tells where the strip is."""
    measured: list[StripMeasurement | None] = [None, None]
    refused = None
    for i, one in enumerate((file, flash_file)):
        try:
            measured[i] = measure_strip(one, card, kind)
        except PadCountError as error:
            refused = error
    first, second = measured
    if first is None and second is None and refused is not None:
        raise refused
    if first is None and second is not None:
        first = measure_strip(file, card, kind, known=second.strip)
    if second is None and first is not None:
        second = measure_strip(flash_file, card, kind, known=first.strip)
    return [m for m in (first, second) if m is not None]


def _check_files(file: PhotoFile, flash_file: PhotoFile) -> None:
    same = Message(
        "Take both photos one after the other with the same phone, and send the files as its camera stored them."
    )
    if file.sha256 == flash_file.sha256:
        raise FlashPairError(
            expected=Message("two photos"), found=Message("%(name)s twice", name=file.name), remedy=same
        )
    if file.full_size != flash_file.full_size:
        raise FlashPairError(
            expected=Message("two photos of one size"),
            found=Verbatim(" and ".join(f"{f.full_size[0]} x {f.full_size[1]} ({f.name})" for f in (file, flash_file))),
            remedy=Message("Hold the phone alike for both. %(advice)s", advice=same),
        )
    if file.camera != flash_file.camera:
        raise FlashPairError(
            expected=Message("two photos of one phone"),
            found=Message("%(one)s and %(other)s", one=file.camera, other=flash_file.camera),
            remedy=same,
        )


def _exposure(file: PhotoFile) -> float:
    if file.exposure is None:
        raise FlashPairError(
            expected=Message("exposure time, ISO and f-number in the EXIF of %(name)s", name=file.name),
            found=Message("none, or not all three"),
            remedy=Message(
                "Send the files as the phone's camera stored them: messengers and editors drop what it notes."
            ),
        )
    return file.exposure


def _order(file: PhotoFile, flash_file: PhotoFile, light: Float) -> tuple[int, int]:
    """Return which photo is without and which is with the flash: by EXIF where it says so, else by their light."""
    if file.flash is not None and flash_file.flash is not None and file.flash != flash_file.flash:
        return (1, 0) if file.flash else (0, 1)
    return (1, 0) if light[0] > light[1] else (0, 1)


def flash_colours(pairs: Sequence[FlashPair]) -> FlashColours:
    """Return what the pairs of a calibration have in common: the card's colours in the flash's light alone."""
    lab = join_flash_colours([pair.patches for pair in pairs])
    ids = pairs[0].first.card.correction.patches.ids
    return {
        patch: (float(row[0]), float(row[1]), float(row[2]))
        for patch, row in zip(ids, lab, strict=True)
        if np.isfinite(row).all()
    }


def finish_flash_pair(pair: FlashPair, colours: FlashColours) -> StripMeasurement:
    """Measure the pads in the light of the flash alone.

    Parameters
    ----------
    colours : mapping
        Of the lot's calibration (`flash_colours`).

    Raises
    ------
    FlashPairError
        If too few patches of the card are among the colours: it is another card.
    """
    patches = pair.first.card.correction.patches
    known = np.array([name in colours for name in patches.ids])
    used = pair.patches.used & known
    if used.sum() < _LEAST_COMMON:
        raise FlashPairError(
            expected=Message(
                "at least %(least)s patches whose colours in the flash's light the lot knows", least=_LEAST_COMMON
            ),
            found=Number(int(used.sum())),
            remedy=Message("Use the card print that the lot was calibrated with, all of it in view."),
        )
    target = np.array([colours.get(name, tuple(lab)) for name, lab in zip(patches.ids, patches.lab, strict=True)])
    light = fit_flash_light(replace(pair.patches, used=used), target)
    correction = _correction(pair, light, target, used)
    pads = tuple(_pad(pair, light, pad.pad) for pad in pair.first.pads)
    findings = (*_both_findings(pair), *_pair_findings(pair, light, used))
    timing = {stage: ms + pair.with_flash.timing_ms.get(stage, 0.0) for stage, ms in pair.without.timing_ms.items()}
    return replace(
        pair.first,
        card=replace(pair.first.card, correction=correction),
        pads=pads,
        findings=findings,
        timing_ms=timing,
        flash_photo=(pair.with_flash if pair.first is pair.without else pair.without).card.photo,
    )


def _correction(pair: FlashPair, light: FlashLight, target: Float, used: NDArray[np.bool_]) -> Correction:
    """Return the first photo's correction with what the pair says of the patches."""
    base = pair.first.card.correction
    patches = base.patches
    left_out = np.where(pair.patches.used[:, None], light.left_out + target - patches.lab, np.nan)
    neutral = used & patches.neutral
    # Relative luminance by lightness: Y = ((L* + 16) / 116)^3 (CIE 15).
    off = 3 * (light.fitted - target)[neutral, 0] / (target[neutral, 0] + 16)
    scene = base.scene(patches.linear, patches.places_mm)
    return replace(
        base,
        tone=replace(base.tone, scatter=float(np.sqrt(np.mean(off**2)))),
        map=fit_map(scene, patches.lab, patches.white & used, used.astype(np.float64), method="linear"),
        used=used,
        mismatch=FLASH_CONSTANTS,
        left_out=left_out,
        de00=delta_e_2000(patches.lab + np.nan_to_num(left_out), patches.lab),
    )


def _pad(pair: FlashPair, light: FlashLight, pad_id: str) -> PadMeasurement:
    photos = (pair.without, pair.with_flash)
    pads = [next(p for p in m.pads if p.pad == pad_id) for m in photos]
    centre = _centre(pair.with_flash, pad_id)
    size = np.array(pair.first.card.correction.patches.card_size_mm)
    place = (centre - size / 2) / (size / 2)
    linear = np.array([np.maximum(p.colour.mean, 1e-4) for p in pads])
    jacobian = light.jacobian(linear, place)
    u_coding, u_scatter, u_glare = np.zeros((3, 3)), np.zeros((3, 3)), np.zeros((3, 3))
    for i, pad in enumerate(pads):
        coding = coding_covariance(linear[i], photos[i].card.photo.code_steps)
        u_coding += jacobian[:, i] @ coding @ jacobian[:, i].T
        u_scatter += jacobian[:, i] @ pad.colour.covariance_of_mean @ jacobian[:, i].T
        u_glare += jacobian[:, i] @ pad.colour.covariance_of_veil @ jacobian[:, i].T
    lab = light.lab(linear, place)
    step = 1e-3
    brighter, darker = (xyz_to_lab(lab_to_xyz(lab) * (1 + sign * step)) for sign in (1, -1))
    own = next(p for p in pair.first.pads if p.pad == pad_id)
    gradient = (brighter - darker) / (2 * step)
    return replace(
        own,
        lab=lab,
        u_pixels=u_scatter + u_coding,
        u_coding=u_coding,
        u_glare=u_glare,
        light_gradient=gradient,
        u_open=np.zeros((3, 3)),  # the pair has a tone curve of its own, with twice the greys
    )


def _centre(measured: StripMeasurement, pad_id: str) -> Float:
    centre: Float = measured.strip.pad_polygon_mm(measured.kind.pad(pad_id)).mean(axis=0)
    return centre


def _both_findings(pair: FlashPair) -> list[Finding]:
    """Return the findings of both photos, each code once, without those that the pair takes away."""
    found: dict[str, Finding] = {}
    for finding in (*pair.without.findings, *pair.with_flash.findings):
        if finding.code not in _CURED:
            found.setdefault(finding.code, finding)
    return list(found.values())


def _pair_findings(pair: FlashPair, light: FlashLight, used: NDArray[np.bool_]) -> list[Finding]:
    findings = []
    ratio = 1 / pair.patches.share - 1
    if ratio < _WEAK:
        message = Message("The flash gives %(ratio)s times the light that is there anyway.", ratio=Number(ratio, ".2f"))
        findings.append(make_finding("flash_weak", message))
    moved = max(
        float(np.linalg.norm(_centre(pair.without, pad.id) - _centre(pair.with_flash, pad.id)))
        for pad in pair.first.kind.pads
    )
    if moved > _MOVED_MM:
        findings.append(
            make_finding(
                "strip_moved",
                Message("The pad lies %(moved)s mm from where it was on the card.", moved=Number(moved, ".1f")),
            )
        )
    misfit = float(np.sqrt(np.mean(np.sum(light.left_out[used] ** 2, axis=1))))
    if misfit > _MISFIT:
        findings.append(
            make_finding(
                "flash_misfit",
                Message(
                    "The card's patches miss the colours that the lot's phone shows in its flash by "
                    "%(misfit)s Delta E.",
                    misfit=Number(misfit, ".1f"),
                ),
            )
        )
    return findings
