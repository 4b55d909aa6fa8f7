"""What of an estimate may be reported: a number with its interval, a bound, or nothing; and what is said of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from stripread.findings import HIGHER_KIND, Finding, dilute, make_finding
from stripread.geometry import Float
from stripread.i18n import Joined, Message, Number
from stripread.lot import ChartCurve, Estimate, PadCalibration, widen_to_steps
from stripread.read.undilute import undiluted
from stripread.units import K95, bound, two_digits
from stripread.water import MOST_FACTOR, SampleDilution, in_sample

__all__ = ["AsDipped", "Censored", "Limit", "PadReading", "fitting_dilution", "report_pad"]

Censored = Literal["below", "above"]

_OFF_CURVE_P = 1e-3  # chance that a good pad is called off the curve
_RIVAL_CHI2 = 5.99  # as in lot/inverse.py: 95 % point of chi-square with 2 degrees of freedom
_DILUTIONS = (2, 5, 10, 20, 50, 100, 200, 500, 1000)  # that are easily measured out: ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A bound of the true value, the end of the interval; ``name`` says for which limit there is no number.

    LOD, LOQ, lowest or top calibrator (of a chart: lowest block, interval's end).
    """

    name: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AsDipped:
    """What the strip itself read, in the diluted sample that it was dipped into; as in `PadReading`."""

    value: float | None
    standard_uncertainty: float | None
    interval: tuple[float | None, float | None] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PadReading:
    """One analyte on one strip: the estimate and how far to trust it. All numbers are of the undiluted sample.

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
    as_dipped : AsDipped or None
        The strip's own numbers where the sample was diluted; None where it was not.
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
    as_dipped: AsDipped | None = None

    @property
    def degrees_of_freedom(self) -> float:
        """Of the standard uncertainty."""
        return self.estimate.degrees_of_freedom


def report_pad(
    calibration: PadCalibration,
    lab: Float,
    causes: Mapping[str, Float],
    estimate: Estimate,
    *,
    dilution: SampleDilution | None = None,
) -> PadReading:
    """Decide what of an estimate may be reported, and what is to be said about it.

    Parameters
    ----------
    estimate : Estimate
        Of what the strip was dipped into.
    dilution : SampleDilution or None
        Of the sample that was dipped into; what is reported is of the undiluted one.
    """
    from scipy.special import fdtri  # Fisher's quantile

    if isinstance(calibration.curve, ChartCurve):
        estimate = widen_to_steps(estimate, calibration.curve)
    findings: list[Finding] = []
    scale_of_its_own = dilution is not None and calibration.unit == calibration.analyte  # as pH: no factor leads back
    if scale_of_its_own:
        message = Message("%(analyte)s of a diluted sample is not that of the sample.", analyte=calibration.analyte)
        findings.append(make_finding("not_of_diluted", message))
        dilution = None
    sample = estimate if dilution is None else undiluted(estimate, dilution)
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
                    likely=Number(sample.value, ".3g"),
                    rival=Number(sample.rival or 0.0, ".3g"),
                    unit=unit,
                ),
            )
        )
    censored, limit, why = _censor(estimate, calibration, dilution)
    findings.extend(why)
    beyond = _beyond(lab, estimate, calibration, sum(causes.values(), np.zeros((3, 3))))
    silent = off or estimate.rival is not None or scale_of_its_own
    number = not silent and censored is None
    return PadReading(
        pad=calibration.pad,
        analyte=calibration.analyte,
        unit=unit,
        lab=lab,
        value=sample.value if number else None,
        standard_uncertainty=sample.standard_uncertainty if number else None,
        interval=None if silent else (sample.low, sample.high),
        censored=None if silent else censored,
        limit=None if silent else limit,
        delta_e_to_curve=estimate.delta_e,
        estimate=sample,
        beyond=beyond if beyond is None or dilution is None else dilution.factor * beyond,
        findings=tuple(findings),
        causes=causes,
        as_dipped=None if dilution is None else _as_dipped(estimate, number=number, silent=silent),
    )


def _as_dipped(estimate: Estimate, *, number: bool, silent: bool) -> AsDipped:
    return AsDipped(
        value=estimate.value if number else None,
        standard_uncertainty=estimate.standard_uncertainty if number else None,
        interval=None if silent else (estimate.low, estimate.high),
    )


def fitting_dilution(calibration: PadCalibration, dilution: SampleDilution | None = None) -> int | None:
    """Return the N of "1 part in N" that brings a sample into a pad's range whose top it was over, diluted or not.

    Ten times as much as before, as the sample may be far over the top; less where that would bring what lies just over
    the top to under twice the LOQ. None where no sensible dilution is left.
    """
    loq, top = calibration.loq.value, calibration.curve.top
    step = next((step for step in (10, 5) if loq is None or top >= 2 * step * loq), 2)
    wanted = step * (1.0 if dilution is None else dilution.factor)
    return max((n for n in _DILUTIONS if n <= 1.001 * wanted), default=None) if wanted <= MOST_FACTOR else None


def _censor(
    estimate: Estimate, calibration: PadCalibration, dilution: SampleDilution | None
) -> tuple[Censored | None, Limit | None, list[Finding]]:
    """Decide by the strip's own estimate whether only a bound may be reported; the bound is one of the sample."""
    unit, curve = calibration.unit, calibration.curve
    loq = calibration.loq.value
    sample = estimate if dilution is None else undiluted(estimate, dilution)
    if estimate.high is None or estimate.value > curve.top:
        message = Message(
            "The pad looks stronger than the top calibrator, %(top)s %(unit)s, or its interval has no upper end.",
            top=in_sample(curve.top, dilution, _plainly),
            unit=unit,
        )
        low = _of_sample(curve.low, dilution) if sample.low is None else sample.low
        n = fitting_dilution(calibration, dilution)
        advice = HIGHER_KIND if n is None else Joined((dilute(n), HIGHER_KIND))
        return "above", Limit(name="top calibrator", value=low), [make_finding("above_top", message, advice=advice)]
    if isinstance(curve, ChartCurve):  # it has neither LOD nor LOQ
        return _censor_by_chart(estimate, curve, unit, dilution)
    if curve.low == 0 and sample.high is not None:
        if not _is_detected(estimate):
            message = Message(
                "Not detected: under %(limit)s %(unit)s in this photo.",
                limit=bound(sample.high, "below"),
                unit=unit,
            )
            return "below", Limit(name="LOD", value=sample.high), [make_finding("below_lod", message)]
        if loq is None or estimate.value < loq or estimate.low == 0:
            message = Message(
                "Detected, but too little for a number (LOQ %(limit)s %(unit)s): under %(bound)s %(unit)s.",
                limit=in_sample(curve.top if loq is None else loq, dilution, two_digits),
                bound=bound(sample.high, "below"),
                unit=unit,
            )
            return "below", Limit(name="LOQ", value=sample.high), [make_finding("below_loq", message)]
    elif sample.low is None and sample.high is not None:
        limit = Limit(name="lowest calibrator", value=sample.high)
        message = Message(
            "The interval reaches the lowest calibrator, %(low)s %(unit)s: under %(bound)s %(unit)s.",
            low=in_sample(curve.low, dilution, _plainly),
            bound=bound(sample.high, "below"),
            unit=unit,
        )
        advice = Message("Report it as under that value, or use a kind with a lower range.")
        return "below", limit, [make_finding("below_loq", message, advice=advice)]
    return None, None, []


def _plainly(number: float) -> Number:
    return Number(number, "g")


def _of_sample(number: float, dilution: SampleDilution | None) -> float:
    """Return a number of the lot, known exactly, as a lower bound of the sample."""
    return number if dilution is None else number * dilution.factor * float(np.exp(-K95 * dilution.relative_u))


def _is_detected(estimate: Estimate) -> bool:
    """Whether the colour is further from the blank's than 95 of 100 blanks are: ISO 11843's critical value."""
    from scipy.special import stdtrit

    distance = estimate.zero_distance
    return distance is not None and distance > float(stdtrit(estimate.degrees_of_freedom, 0.95))


def _censor_by_chart(
    estimate: Estimate, curve: ChartCurve, unit: str, dilution: SampleDilution | None
) -> tuple[Censored | None, Limit | None, list[Finding]]:
    """Report a bound where the interval reaches the lowest block."""
    sample = estimate if dilution is None else undiluted(estimate, dilution)
    if curve.low == 0 and sample.low == 0 and sample.high is not None:
        limit = Limit(name="interval's end", value=sample.high)
        high = bound(sample.high, "below")
        words = Message("The interval reaches zero; its upper end is %(high)s %(unit)s.", high=high, unit=unit)
    elif sample.low is None and sample.high is not None:
        limit = Limit(name="lowest block", value=sample.high)
        words = Message(
            "The interval reaches the lowest block, %(low)s %(unit)s: under %(bound)s %(unit)s.",
            low=in_sample(curve.low, dilution, _plainly),
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
