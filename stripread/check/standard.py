"""A check standard: a strip dipped into a known dilution, its reading held against what it should read."""

import math
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from stripread.check.verdict import PadVerdict, check_reading
from stripread.findings import REGISTRY, Finding
from stripread.lot import Agreement, CheckRow, compare_to_known
from stripread.read import PadReading, Reading
from stripread.site import Expectation, SampleType
from stripread.units import freedom_of_factor

__all__ = ["StandardCheck", "check_row", "check_standard", "normal_score"]

_K = 2.0  # the dilution is expected within two of its standard uncertainties


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardCheck:
    """One pad of a check standard.

    Attributes
    ----------
    pad : PadReading
        As it may be reported.
    agreement : Agreement or None
        None where the reading is censored or invalid: no number, so nothing to hold against the known value.
    bound_holds : bool or None
        Of a censored reading: whether the known value lies on the side of the limit that it tells.
    findings : tuple of Finding
        Of the measurement: those of photo, card and strip, and those of this pad; worst first.
    """

    reading: Reading
    pad: PadReading
    known: float
    u_known: float
    agreement: Agreement | None
    bound_holds: bool | None
    findings: tuple[Finding, ...]

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """The findings that make the reading doubtful or invalid.

        That the lot is provisional is none of them: it is the lot that the check puts to the test.
        """
        return tuple(f for f in self.findings if f.severity != "info" and f.code != "provisional_lot")

    @property
    def outcome(self) -> Literal["agrees", "disagrees", "doubtful", "no number"]:
        """What came of it; a reading in doubt shows nothing either way."""
        if self.agreement is None:
            return "disagrees" if self.bound_holds is False and not self.doubts else "no number"
        if self.doubts:
            return "doubtful"
        return "agrees" if self.agreement.agrees else "disagrees"


def check_standard(reading: Reading, *, pad: str, known: float, u_known: float, today: date) -> StandardCheck:
    """Hold one pad of a reading against the dilution that the strip was dipped into.

    The ordinary rules judge the measurement, with the known dilution as the sample that is expected.

    Parameters
    ----------
    known, u_known : float
        The dilution and its standard uncertainty (k = 1), in the lot's unit.

    Raises
    ------
    KeyError
        If the reading has no such pad.
    """
    calibration = reading.lot.pad(pad)
    expected = Expectation(
        analyte=calibration.analyte,
        unit=calibration.unit,
        low=max(known - _K * u_known, 0.0),
        # Up to the LOQ at least: a blank is a fair check, though the strip puts no number on it.
        high=max(known + _K * u_known, calibration.loq.value or 0.0),
        target=known,
    )
    sample = SampleType(name="the check standard", expectations=(expected,), kinds=(reading.lot.kind,))
    verdict = check_reading(reading, sample=sample, today=today, dipped_at=None)
    judged = next(p for p in verdict.pads if p.reading.pad == pad)
    shown, estimate = judged.reading, judged.reading.estimate
    agreement = None
    if shown.value is not None and shown.standard_uncertainty is not None:
        agreement = compare_to_known(
            shown.value,
            shown.standard_uncertainty,
            known=known,
            u_known=u_known,
            degrees_of_freedom=estimate.degrees_of_freedom,
        )
    return StandardCheck(
        reading=reading,
        pad=shown,
        known=known,
        u_known=u_known,
        agreement=agreement,
        bound_holds=_bound_holds(shown, known - _K * u_known, known + _K * u_known),
        findings=_about_measurement(verdict.findings, judged, verdict.pads),
    )


def check_row(check: StandardCheck, *, photo: str, when: datetime) -> CheckRow:
    """Return a check as a row of the lot's record of checks."""
    low, high = check.pad.interval or (None, None)
    return CheckRow(
        when=when,
        photo=photo,
        photo_sha256=check.reading.photo_sha256,
        lot_sha256=check.reading.lot.sha256,
        pad=check.pad.pad,
        known=check.known,
        u_known=check.u_known,
        value=check.pad.value,
        u=check.pad.standard_uncertainty,
        low=low,
        high=high,
        e_n=None if check.agreement is None else check.agreement.e_n,
        findings=tuple(finding.code for finding in check.doubts),
    )


def normal_score(row: CheckRow) -> float | None:
    """Return a check's score z as a number that is as rare in a normal distribution; None without a number.

    z is a difference over an uncertainty that is itself an estimate, so it has Student's t distribution. Its degrees of
    freedom, which a row does not keep, follow from E_n, which has Student's factor in it (see `compare_to_known`).
    """
    from scipy.special import ndtri, stdtr  # scipy.stats has the same and takes long to import

    if row.z is None or row.value is None or row.u is None or not row.e_n:
        return row.z
    expanded = (row.value - row.known) / row.e_n
    freedom = freedom_of_factor(math.sqrt(max(expanded**2 - (_K * row.u_known) ** 2, 0.0)) / row.u)
    if math.isinf(freedom):
        return row.z
    # Welch-Satterthwaite, JCGM 100:2008 G.4.1: what is known counts as known.
    freedom *= (1 + (row.u_known / row.u) ** 2) ** 2
    return math.copysign(float(ndtri(max(stdtr(freedom, -abs(row.z)), 1e-300))), row.z)


def _bound_holds(pad: PadReading, low: float, high: float) -> bool | None:
    """Tell whether a value from low to high fits a censored reading, which claims no more than its limit."""
    if pad.limit is None or pad.censored is None:
        return None
    ends = [end for end in pad.interval or () if end is not None]
    bounds = [pad.limit.value, *ends]
    return low <= max(bounds) if pad.censored == "below" else high >= min(bounds)


def _about_measurement(
    findings: tuple[Finding, ...], judged: PadVerdict, pads: tuple[PadVerdict, ...]
) -> tuple[Finding, ...]:
    """Leave out the findings of the strip's other pads, and those about the water: it is the known one."""
    others = {finding for pad in pads if pad is not judged for finding in pad.findings} - set(judged.findings)
    return tuple(f for f in findings if f not in others and REGISTRY[f.code].about == "measurement")
