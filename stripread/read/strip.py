"""From a photo of a dipped strip to concentrations with intervals: measured pads held against their lot's curves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from stripread.card import U_PAPER, CardLayout
from stripread.colour import DEGREES_OF_FREEDOM
from stripread.errors import LotFileError, PadCountError, StripUpsideDownError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.lot import (
    CalibrationCurve,
    Likeness,
    Lot,
    compare_signature,
    invert_curve,
)
from stripread.measure import (
    PadMeasurement,
    StripMeasurement,
    finish_flash_pair,
    measure_flash_pair,
    measure_strip,
    pad_mismatch,
)
from stripread.photo import PhotoFile
from stripread.read.pad import PadReading, report_pad
from stripread.strip import StripKind
from stripread.water import SampleDilution

__all__ = ["Reading", "read_measurement", "read_strip"]

# Of a print that was never measured: its patches lie 2.4 CIEDE2000 (mean) from the design's colours and prints lie 0.8
# from each other (546 printed cards measured elsewhere). The map averages over some 130 patches, so what reaches a pad
# is the part that neighbours share: taken as half, spread over three coordinates. On top comes the paper's own colour.
_U_DESIGN, _U_PRINTS = 0.5 * 2.4 / np.sqrt(3), 0.5 * 0.8 / np.sqrt(3)
_NOTHING_DETECTED = ("LOD", "interval's end")  # limits of a reading that may be zero
_HARDLY_SHOWS = 2.0  # Delta E between a pad and its plastic; our choice
# RMS Delta E of the smoothed signature from the nearest mixture of the calibration's conditions. With one phone in one
# light, all of 60 simulated photos stay under it; with another phone in another light, 6 of 10 lie over it.
_UNFAMILIAR = 0.3
# Share of what a photo's patches differ by from others of its light that is no change of light. By its square half of
# it counts on: the patches' noise is in the map that they are fitted by as well, and reaches the pad through it.
_NO_LIGHT = np.sqrt(0.5)
# The same distance up to which a poor match is the lot's own as well: there 97 % of the pads of simulated phones far
# stranger than real ones are covered, and their intervals are hardly wider than in a good match.
_ALIKE = 2 * _UNFAMILIAR
# From here on u grows with the distance: no seen lamp or phone is so unlike a lot, and the constants of the mismatch
# were not fitted there. Of red-blue lamps whose photos are not refused, 85 % of the numbers left hold then, 55 % else.
_FAR = 1.0
_SHARES = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 40)])  # of a curve's range, close enough to know its colours


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """All pads of one strip in one photo, with the findings about photo, card and strip."""

    photo: str
    photo_sha256: str
    taken_at: datetime | None
    camera: str | None
    lot: Lot
    measurement: StripMeasurement
    likeness: Likeness
    pads: tuple[PadReading, ...]
    findings: tuple[Finding, ...]
    dilution: SampleDilution | None = None  # of the sample that it was dipped into

    @property
    def timing_ms(self) -> Mapping[str, float]:
        """Milliseconds a stage, up to the measured pads."""
        return self.measurement.timing_ms


def read_strip(
    file: PhotoFile,
    *,
    card: CardLayout,
    kind: StripKind,
    lot: Lot,
    flash: PhotoFile | None = None,
    dilution: SampleDilution | None = None,
) -> Reading:
    """Read a strip of a lot from a photo, or from a pair of which ``flash`` is the one with the phone's flash.

    Where it was dipped into a diluted sample, the numbers are those of the sample.

    Raises
    ------
    StripReadError
        Whatever keeps the photo from being measured (see `measure_strip`), or a lot of another kind.
    """
    if lot.kind != kind.name:
        raise LotFileError(
            expected=Message("a lot of kind %(name)s", name=repr(kind.name)),
            found=Message("lot %(number)s of kind %(kind)s", number=repr(lot.number), kind=repr(lot.kind)),
            remedy=Message("Name the lot and the kind that belong together; look at the vial."),
        )
    if flash is None:
        measured = measure_strip(file, card, kind, colours=lot_colours(lot), spectral=lot.correction == "spectral")
        return read_measurement(measured, lot=lot, dilution=dilution)
    if not lot.flash_colours:
        raise LotFileError(
            expected=Message("lot %(number)s calibrated with flash pairs", number=repr(lot.number)),
            found=Message("a calibration from single photos"),
            remedy=Message("Read the photo without --flash, or calibrate the lot with a column flash in its series."),
        )
    measured = finish_flash_pair(measure_flash_pair(file, flash, card, kind), lot.flash_colours)
    return read_measurement(measured, lot=lot, dilution=dilution)


def lot_colours(lot: Lot) -> dict[str, Float]:
    """CIELAB (n, 3) that each pad of the lot can have: its curve, and what is known of it beyond its top."""
    return {
        pad.pad: np.vstack([pad.curve.lab(_along(pad.curve)), *(np.array([row[1:]]) for row in pad.beyond)])
        for pad in lot.pads
    }


def _along(curve: CalibrationCurve) -> Float:
    """Concentrations from a curve's low end to its top."""
    result: Float = curve.low + (curve.top - curve.low) * _SHARES
    return result


def read_measurement(measured: StripMeasurement, *, lot: Lot, dilution: SampleDilution | None = None) -> Reading:
    """Hold a measured strip against its lot; where the sample was diluted, report what it was before.

    Raises
    ------
    LotFileError
        If the lot has no curve for one of the pads.
    StripUpsideDownError
        If no pad shows, and the strip is not of a blank's colour.
    PadCountError
        If one of several pads hardly shows and has a colour that no pad of the lot has.
    """
    photo = measured.card.photo
    like = _likeness(measured, lot)
    findings = [_weighed(finding, like) for finding in measured.findings]
    card = measured.card.card
    if card.enrolment is None:
        findings.append(
            make_finding(
                "card_not_enrolled", Message("Card %(name)s carries its design colours only.", name=repr(card.name))
            )
        )
    if not like.comparable:
        findings.append(
            make_finding(
                "lot_not_calibrated_for_card",
                Message(
                    "Lot %(number)s was calibrated with card %(card)s, which shares too few patches with "
                    "this one, %(name)s.",
                    number=lot.number,
                    card=repr(lot.card),
                    name=repr(card.name),
                ),
            )
        )
    elif like.distance > _UNFAMILIAR and not lot.provisional:
        findings.append(
            make_finding(
                "unfamiliar_light",
                Message(
                    "The card's colours lie %(distance)s Delta E from those of the calibration photos; up to "
                    "%(usual)s is usual in their own light with their own phone.",
                    distance=Number(like.distance, ".1f"),
                    usual=Number(_UNFAMILIAR, "g"),
                ),
            )
        )
    if lot.provisional:
        findings.append(
            make_finding(
                "provisional_lot", Message("Lot %(number)s was made from the chart on its vial.", number=lot.number)
            )
        )
    method = measured.card.correction.map.method
    if (method == "spectral") != (lot.correction == "spectral"):
        # What the two ways of correction miss has nothing in common.
        like = replace(like, difference=measured.card.correction.residuals, comparable=False, noise=0.0)
        message = Message(
            "Lot %(number)s was calibrated by the %(correction)s map, this photo is corrected by a %(method)s one.",
            number=lot.number,
            correction=Message(lot.correction),
            method=Message(method),
        )
        findings.append(make_finding("correction_differs", message))
    u_reference = _reference_uncertainty(card, lot, common=like.comparable)
    pads = []
    for pad in measured.pads:
        try:
            calibration = lot.pad(pad.pad)
        except KeyError:
            raise LotFileError(
                expected=Message(
                    "a curve for pad %(pad)s in lot %(number)s", pad=repr(pad.pad), number=repr(lot.number)
                ),
                found=Message("curves for %(pads)s", pads=", ".join(p.pad for p in lot.pads)),
                remedy=Message("Calibrate the lot with all pads of its kind."),
            ) from None
        causes = _causes(pad, measured, lot, like, scale=calibration.mismatch_scale, u_reference=u_reference)
        curve = calibration.curve_in(like.weights)
        estimate = invert_curve(curve, pad.lab, causes, {"colour_correction": DEGREES_OF_FREEDOM})
        pads.append(report_pad(calibration, pad.lab, causes, estimate, dilution=dilution))
    if any(f.code == "pad_not_seen" for f in findings):
        _check_blank(pads, lot)
    _check_shown(pads, measured)
    return Reading(
        photo=photo.name,
        photo_sha256=photo.sha256,
        taken_at=photo.taken_at,
        camera=photo.camera,
        lot=lot,
        measurement=measured,
        likeness=like,
        pads=tuple(pads),
        findings=tuple(findings),
        dilution=dilution,
    )


def _likeness(measured: StripMeasurement, lot: Lot) -> Likeness:
    """Compare light and phone of this photo, as its card shows them, with those of the lot's calibration."""
    correction = measured.card.correction
    patches = correction.patches
    return compare_signature(patches.ids, patches.lab, correction.residuals, ~patches.neutral, lot.conditions)


def _widened(like: Likeness, findings: Sequence[Finding]) -> float:
    """Return the factor on the u of the mismatch, of a photo so unlike its lot that no constant was fitted there.

    A shadow or a thing on the card makes it unlike as well, but is no light that hides colours, and is named.
    """
    spoilt = any(f.code in ("shadow_edge", "card_covered") for f in findings)
    return max(1.0, like.distance / _FAR) if like.comparable and not spoilt else 1.0


def _weighed(finding: Finding, like: Likeness) -> Finding:
    """Return a finding of the photo, weighed by how like it is to the lot's: what both have in common cancels."""
    if finding.code != "poor_correction" or not like.comparable or like.distance > _ALIKE:
        return finding
    return make_finding(
        "poor_correction",
        Message(
            "The card's colours could not be matched well, nor those in the calibration photos: both "
            "are off alike, to within %(distance)s Delta E.",
            distance=Number(like.distance, ".1f"),
        ),
        advice=Message("The interval allows for it."),
        severity="info",
    )


def _reference_uncertainty(card: CardLayout, lot: Lot, *, common: bool) -> float:
    """Noise of the prints' measurements in the residuals; one print's own noise cancels between its photos."""
    own = card.enrolment.u_lab if card.enrolment else 0.0
    if not common:
        return own
    return 0.0 if lot.card == card.name else float(np.hypot(own, lot.card_u_lab))


def _in_own_place(measured: StripMeasurement, like: Likeness, lot: Lot) -> bool:
    """Tell whether a photo is by a phone of the calibration in a light of its own."""
    phones = {c.camera for c in lot.conditions} - {None}
    return like.comparable and like.distance <= _UNFAMILIAR and measured.card.photo.camera in phones


def _causes(
    pad: PadMeasurement,
    measured: StripMeasurement,
    lot: Lot,
    like: Likeness,
    *,
    scale: float,
    u_reference: float,
) -> dict[str, Float]:
    """Covariances of the pad's CIELAB, by what causes them.

    In the calibration's own place, what rounding does is in its scatter between strips, or the same in all its photos
    and in this one: it counts once.
    """
    correction = measured.card.correction
    mismatch = (scale * _widened(like, measured.card.findings)) ** 2 * pad_mismatch(
        pad, correction, like.difference, u_reference=u_reference, u_photo=_NO_LIGHT * like.noise
    )
    if not like.comparable:  # the calibration's own mismatch is unknown: as much again
        mismatch = 2 * mismatch
    causes = {
        "pixels": pad.u_pixels - pad.u_coding,
        "light": correction.u_light**2 * np.outer(pad.light_gradient, pad.light_gradient) + pad.u_open,
        "colour_correction": mismatch,
    }
    if not _in_own_place(measured, like, lot):
        causes["rounding"] = pad.u_coding
    if pad.u_glare.any():
        causes["glare"] = pad.u_glare
    card = measured.card.card
    if card.enrolment is None:
        # A lot calibrated with the same design, unmeasured as well, errs alike: only prints differ.
        same = lot.card == card.name
        causes["card_print"] = _U_PRINTS**2 * np.eye(3) if same else np.diag(_U_DESIGN**2 + np.square(U_PAPER))
    return causes


def _check_blank(pads: Sequence[PadReading], lot: Lot) -> None:
    """Refuse a strip on which no pad shows unless what lies in its place has the colour of the lot's blank pads.

    Raises
    ------
    StripUpsideDownError
        The plastic of a strip that lies face down is no blank pad.
    """
    for pad in pads:
        if pad.censored == "below" and pad.limit is not None and pad.limit.name in _NOTHING_DETECTED:
            continue
        raise StripUpsideDownError(
            expected=Message("a pad that shows, or one of the colour of lot %(number)s's blanks", number=lot.number),
            found=Message("no pad %(pad)s, and another colour in its place", pad=repr(pad.pad)),
            remedy=Message(
                "Turn the strip over so that its pads face up, compare its lot with the vial, and retake the photo."
            ),
        )


def _check_shown(pads: Sequence[PadReading], measured: StripMeasurement) -> None:
    """Refuse a strip on which one of several pads hardly shows and has no colour of the lot: plastic of another kind.

    Raises
    ------
    PadCountError
    """
    if len(pads) == 1:
        return
    steps = measured.strip.steps
    missing = [p.pad for p in pads if steps.get(p.pad, np.inf) < _HARDLY_SHOWS and _is_off_curve(p)]
    if missing:
        raise PadCountError(
            expected=Message("%(pads)s pad(s) of kind %(name)s", pads=len(pads), name=measured.kind.name),
            found=Message(
                "no pad %(missing)s, but a colour in its place that no pad of the lot can have",
                missing=repr(missing[0]),
            ),
            remedy=Message("Check which kind of strip it is; a pad may be missing, dirty or hidden. Retake the photo."),
        )


def _is_off_curve(pad: PadReading) -> bool:
    return any(f.code == "off_curve" for f in pad.findings)
