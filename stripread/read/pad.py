"""What of an estimate may be reported: a number with its interval, a bound, or nothing; and what is said of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.lot import ChartCurve, Estimate, PadCalibration, widen_to_steps
from stripread.units import bound, two_digits

__all__ = ["Censored", "Limit", "PadReading", "report_pad"]

Censored = Literal["below", "above"]

_OFF_CURVE_P = 1e-3  # chance that a good pad is called off the curve
_RIVAL_CHI2 = 5.99  # as in lot/inverse.py: 95 % point of chi-square with 2 degrees of freedom


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

    @property
    def degrees_of_freedom(self) -> float:
        """Of the standard uncertainty."""
        return self.estimate.degrees_of_freedom


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
        high = bound(estimate.high, "below")
        words = Message("The interval reaches zero; its upper end is %(high)s %(unit)s.", high=high, unit=unit)
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
