"""From a photo of a dipped strip to concentrations with intervals: measured pads held against their lot's curves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np

from stripread.card import U_PAPER, CardLayout
from stripread.colour import DEGREES_OF_FREEDOM
from stripread.errors import LotFileError, PadCountError, StripUpsideDownError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.lot import (
    CalibrationCurve,
    ChartCurve,
    Estimate,
    Likeness,
    Lot,
    PadCalibration,
    compare_signature,
    invert_curve,
    widen_to_steps,
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
from stripread.strip import StripKind
from stripread.units import bound, two_digits

__all__ = ["Censored", "Limit", "PadReading", "Reading", "read_measurement", "read_strip", "report_pad"]

Censored = Literal["below", "above"]

# Of a print that was never measured: its patches lie 2.4 CIEDE2000 (mean) from the design's colours and prints lie 0.8
# from each other (546 printed cards measured elsewhere). The map averages over some 130 patches, so what reaches a pad
# is the part that neighbours share: taken as half, spread over three coordinates. On top comes the paper's own colour.
_U_DESIGN, _U_PRINTS = 0.5 * 2.4 / np.sqrt(3), 0.5 * 0.8 / np.sqrt(3)
_NOTHING_DETECTED = ("LOD", "interval's end")  # limits of a reading that may be zero
_HARDLY_SHOWS = 2.0  # Delta E between a pad and its plastic; our choice
_OFF_CURVE_P = 1e-3  # chance that a good pad is called off the curve
_RIVAL_CHI2 = 5.99  # as in lot/inverse.py: 95 % point of chi-square with 2 degrees of freedom
# RMS Delta E of the smoothed signature from the nearest mixture of the calibration's conditions. With one phone in one
# light, all of 60 simulated photos stay under it; with another phone in another light, 6 of 10 lie over it.
_UNFAMILIAR = 0.3
# The same distance up to which a poor match is the lot's own as well: there 97 % of the pads of simulated phones far
# stranger than real ones are covered, and their intervals are hardly wider than in a good match.
_ALIKE = 2 * _UNFAMILIAR
# From here on u grows with the distance: no seen lamp or phone is so unlike a lot, and the constants of the mismatch
# were not fitted there. Of red-blue lamps whose photos are not refused, 85 % of the numbers left hold then, 55 % else.
_FAR = 1.0
_SHARES = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 40)])  # of a curve's range, close enough to know its colours


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A bound of the true value, the end of the interval; ``name`` says for which limit there is no number.

    LOD, LOQ, lowest or top calibrator (of a chart: lowest block, interval's end).
    """

    name: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PadReading:
    """One analyte on one strip: the estimate and how far to trust it.

    Attributes
    ----------
    value, standard_uncertainty : float or None
        Units of ``unit``, k = 1; None where no number may be reported.
    interval : tuple of (float or None) or None
        95 %; an end is None where the lot's curve ends first.
    estimate : Estimate
        What the inversion gave, also where it may not be reported. For rules, not for people.
    beyond : float or None
        A concentration above the lot's range at which the pad, bleached or turned back, looks about the same.
    """

    pad: str
    analyte: str
    unit: str
    lab: Float
    value: float | None
    standard_uncertainty: float | None
    interval: tuple[float | None, float | None] | None
    censored: Censored | None
    limit: Limit | None
    delta_e_to_curve: float
    estimate: Estimate
    beyond: float | None
    findings: tuple[Finding, ...]
    causes: Mapping[str, Float]  # covariances of ``lab``, by cause


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

    @property
    def timing_ms(self) -> Mapping[str, float]:
        """Milliseconds a stage, up to the measured pads."""
        return self.measurement.timing_ms


def read_strip(
    file: PhotoFile, *, card: CardLayout, kind: StripKind, lot: Lot, flash: PhotoFile | None = None
) -> Reading:
    """Read a strip of a lot from a photo, or from a pair of which ``flash`` is the one with the phone's flash.

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
        return read_measurement(measured, lot=lot)
    if not lot.flash_colours:
        raise LotFileError(
            expected=Message("lot %(number)s calibrated with flash pairs", number=repr(lot.number)),
            found=Message("a calibration from single photos"),
            remedy=Message("Read the photo without --flash, or calibrate the lot with a column flash in its series."),
        )
    return read_measurement(finish_flash_pair(measure_flash_pair(file, flash, card, kind), lot.flash_colours), lot=lot)


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


def read_measurement(measured: StripMeasurement, *, lot: Lot) -> Reading:
    """Hold a measured strip against its lot.

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
        pads.append(_read_pad(pad, calibration, measured, lot, like, u_reference=u_reference))
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
        pad, correction, like.difference, u_reference=u_reference, u_photo=like.noise
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


def _read_pad(
    pad: PadMeasurement,
    calibration: PadCalibration,
    measured: StripMeasurement,
    lot: Lot,
    like: Likeness,
    *,
    u_reference: float,
) -> PadReading:
    causes = _causes(pad, measured, lot, like, scale=calibration.mismatch_scale, u_reference=u_reference)
    curve = calibration.curve_in(like.weights)
    estimate = invert_curve(curve, pad.lab, causes, {"colour_correction": DEGREES_OF_FREEDOM})
    return report_pad(calibration, pad.lab, causes, estimate)


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


def report_pad(calibration: PadCalibration, lab: Float, causes: Mapping[str, Float], estimate: Estimate) -> PadReading:
    """Decide what of an estimate may be reported, and what is to be said about it."""
    from scipy.special import fdtri  # Fisher's quantile

    if isinstance(calibration.curve, ChartCurve):
        estimate = widen_to_steps(estimate, calibration.curve)
    findings: list[Finding] = []
    off = estimate.chi2 > 2 * fdtri(2, estimate.degrees_of_freedom, 1 - _OFF_CURVE_P)
    unit = calibration.unit
    if off:
        findings.append(
            make_finding(
                "off_curve",
                Message(
                    "The pad's colour is %(delta_e)s Delta E from the lot's curve, more than light, phone "
                    "and strip explain.",
                    delta_e=Number(estimate.delta_e, ".1f"),
                ),
            )
        )
    if estimate.rival is not None:
        findings.append(
            make_finding(
                "ambiguous_colour",
                Message(
                    "The colour fits %(likely)s %(unit)s and %(rival)s %(unit)s about equally well.",
                    likely=Number(estimate.value, ".3g"),
                    rival=Number(estimate.rival, ".3g"),
                    unit=unit,
                ),
            )
        )
    censored, limit, why = _censor(estimate, calibration)
    findings.extend(why)
    silent = off or estimate.rival is not None
    number = not silent and censored is None
    return PadReading(
        pad=calibration.pad,
        analyte=calibration.analyte,
        unit=unit,
        lab=lab,
        value=estimate.value if number else None,
        standard_uncertainty=estimate.standard_uncertainty if number else None,
        interval=None if silent else (estimate.low, estimate.high),
        censored=None if silent else censored,
        limit=None if silent else limit,
        delta_e_to_curve=estimate.delta_e,
        estimate=estimate,
        beyond=_beyond(lab, estimate, calibration, sum(causes.values(), np.zeros((3, 3)))),
        findings=tuple(findings),
        causes=causes,
    )


def _censor(estimate: Estimate, calibration: PadCalibration) -> tuple[Censored | None, Limit | None, list[Finding]]:
    """Decide whether only a bound may be reported."""
    unit, curve = calibration.unit, calibration.curve
    loq = calibration.loq.value
    if estimate.high is None or estimate.value > curve.top:
        message = Message(
            "The pad looks stronger than the top calibrator, %(top)s %(unit)s, or its interval has no upper end.",
            top=Number(curve.top, "g"),
            unit=unit,
        )
        return (
            "above",
            Limit(name="top calibrator", value=curve.low if estimate.low is None else estimate.low),
            [make_finding("above_top", message)],
        )
    if isinstance(curve, ChartCurve):  # it has neither LOD nor LOQ
        return _censor_by_chart(estimate, curve, unit)
    if curve.low == 0:
        if not _is_detected(estimate):
            message = Message(
                "Not detected: under %(limit)s %(unit)s in this photo.",
                limit=bound(estimate.high, "below"),
                unit=unit,
            )
            return "below", Limit(name="LOD", value=estimate.high), [make_finding("below_lod", message)]
        if loq is None or estimate.value < loq or estimate.low == 0:
            message = Message(
                "Detected, but too little for a number (LOQ %(limit)s %(unit)s): under %(bound)s %(unit)s.",
                limit=two_digits(curve.top if loq is None else loq),
                bound=bound(estimate.high, "below"),
                unit=unit,
            )
            return "below", Limit(name="LOQ", value=estimate.high), [make_finding("below_loq", message)]
    elif estimate.low is None:
        limit = Limit(name="lowest calibrator", value=estimate.high)
        message = Message(
            "The interval reaches the lowest calibrator, %(low)s %(unit)s: under %(bound)s %(unit)s.",
            low=Number(curve.low, "g"),
            bound=bound(estimate.high, "below"),
            unit=unit,
        )
        advice = Message("Report it as under that value, or use a kind with a lower range.")
        return "below", limit, [make_finding("below_loq", message, advice=advice)]
    return None, None, []


def _is_detected(estimate: Estimate) -> bool:
    """Whether the colour is further from the blank's than 95 of 100 blanks are: ISO 11843's critical value."""
    from scipy.special import stdtrit

    distance = estimate.zero_distance
    return distance is not None and distance > float(stdtrit(estimate.degrees_of_freedom, 0.95))


def _censor_by_chart(
    estimate: Estimate, curve: ChartCurve, unit: str
) -> tuple[Censored | None, Limit | None, list[Finding]]:
    """Report a bound where the interval reaches the lowest block."""
    if curve.low == 0 and estimate.low == 0 and estimate.high is not None:
        limit = Limit(name="interval's end", value=estimate.high)
        words = Message(
            "The interval reaches zero; its upper end is %(high)s %(unit)s.", high=bound(estimate.high, "below"), unit=unit
        )
    elif estimate.low is None:
        limit = Limit(name="lowest block", value=curve.low if estimate.high is None else estimate.high)
        words = Message(
            "The interval reaches the lowest block, %(low)s %(unit)s: under %(bound)s %(unit)s.",
            low=Number(curve.low, "g"),
            bound=bound(limit.value, "below"),
            unit=unit,
        )
    else:
        return None, None, []
    return "below", limit, [make_finding("below_loq", words, advice=Message("Report it as under that value."))]


def _beyond(lab: Float, estimate: Estimate, calibration: PadCalibration, measured: Float) -> float | None:
    """Nearest place on the known way back of a pad above its range, if it fits about as well as the curve does."""
    if not calibration.beyond:
        return None
    curve = calibration.curve
    top = np.array([curve.top])
    points = np.array([[curve.top, *curve.lab(top)[0]], *calibration.beyond])
    # Straight from one calibrator to the next; what that misses is taken as a tenth of the step.
    best: tuple[float, float] | None = None
    scatter = curve.scatter_at(top)[0]
    for (c0, *lab0), (c1, *lab1) in pairwise(points):
        step = np.subtract(lab1, lab0)
        spread = measured + scatter + 0.1**2 * float(step @ step) / 3 * np.eye(3)
        inverse = np.linalg.inv(spread)
        share = float(np.clip(step @ inverse @ (lab - lab0) / max(step @ inverse @ step, 1e-12), 0, 1))
        off = lab - (np.array(lab0) + share * step)
        chi2 = float(off @ inverse @ off)
        if best is None or chi2 < best[0]:
            best = (chi2, float(np.exp((1 - share) * np.log(c0) + share * np.log(c1))))
    if best is None or best[0] - estimate.chi2 > _RIVAL_CHI2:
        return None
    near_top = estimate.high is None or estimate.high >= curve.top or best[1] <= curve.top * 1.02
    return None if near_top else best[1]
