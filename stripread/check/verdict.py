"""The verdict on a reading: how far to trust it, and whether the water is as it should be."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Literal

from stripread.check.case import PadCase, StripCase
from stripread.check.conformity import RangeState
from stripread.check.expected import judge_range, probability_in_range
from stripread.check.history import FileStanding, History
from stripread.check.history_rules import SAMPLE_HISTORY_RULES, STRIP_HISTORY_RULES
from stripread.check.methods import plain_unit
from stripread.check.rules import PAD_RULES, SAMPLE_RULES, STRIP_RULES
from stripread.errors import SiteError
from stripread.findings import REGISTRY, Finding, worst_severity
from stripread.i18n import Message, Verbatim
from stripread.read import AsDipped, PadReading, Reading
from stripread.site import SampleType

__all__ = [
    "CAUTION",
    "DILUTE_WITH_CARE",
    "PadVerdict",
    "Validity",
    "Verdict",
    "check_reading",
    "doubted",
    "validity_of",
    "worst_first",
]

Validity = Literal["valid", "doubtful", "invalid"]

CAUTION = Message(
    "Strong solution gives off a gas that irritates eyes and lungs: ventilate, do not lean over the open pail, do not "
    "agitate it, keep it covered, and wear the protection that the label names. The product's label, local codes and "
    "licensed practice come before anything said here."
)
DILUTE_WITH_CARE = Message(
    "When you dilute: pour gently, as the gas leaves solution that is splashed or stirred; label the vessel with what "
    "is in it; pour it away as the product's label says."
)
_WORST_FIRST = {"error": 0, "warning": 1, "info": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class PadVerdict:
    """One pad judged.

    Attributes
    ----------
    reading : PadReading
        As it may be reported: without number, interval and limit where a finding is an error.
    range_state : {"within", "below", "above", "undecided"} or None
        None where the sample says nothing about the pad's analyte, or nothing may be reported.
    probability_within : float or None
        That the true value lies in the expected range; None also for censored readings.
    findings : tuple of Finding
        About this pad, worst first.
    """

    reading: PadReading
    range_state: RangeState | None
    probability_within: float | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A reading judged.

    Attributes
    ----------
    reading : Reading
        As it was read; what may be reported of its pads is in ``pads``.
    validity : {"valid", "doubtful", "invalid"}
        Of the measurement; the water may be bad and its reading valid.
    findings : tuple of Finding
        All of them, worst first.
    cautions : tuple of str
        To be shown wherever the reading is, as a strong solution is, or may be, at hand.
    """

    reading: Reading
    sample: SampleType | None
    validity: Validity
    pads: tuple[PadVerdict, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Message, ...]

    @property
    def exit_code(self) -> int:
        """0 where the reading is valid and, if a sample type was named, judged and within; else 3."""
        states = [pad.range_state for pad in self.pads if pad.range_state is not None]
        within = self.sample is None or (bool(states) and all(state == "within" for state in states))
        return 0 if self.validity == "valid" and within else 3


def check_reading(
    reading: Reading,
    *,
    sample: SampleType | None,
    today: date,
    dipped_at: datetime | None,
    waited_s: float | None = None,
    history: History | None = None,
    files: tuple[FileStanding, ...] = (),
) -> Verdict:
    """Hold a reading against its sample type, its lot, its read window and what was before.

    Parameters
    ----------
    dipped_at : datetime or None
        When the strip was dipped; without a zone it is the local time, as in most photos.
    waited_s : float or None
        From the dip to the photo by a timer; it goes before the time of the dip.
    history : History or None
        What the record knows that bears on it; None where there is no record.
    files : tuple of FileStanding
        Whether somebody accepted the lot file and the card file that it was read with; empty where nobody looked.

    Raises
    ------
    SiteError
        If the site states the expected range in another unit than the lot.
    """
    if sample is not None:
        _check_units(reading, sample)
    strip = StripCase(
        reading=reading, today=today, dipped_at=dipped_at, waited_s=waited_s, history=history, files=files
    )
    about_strip = (*reading.findings, *(f for rule in (*STRIP_RULES, *STRIP_HISTORY_RULES) for f in rule(strip)))
    silent = worst_severity(about_strip) == "error"
    cases = (PadCase(reading=reading, pad=pad, sample=sample, history=history) for pad in reading.pads)
    pads = tuple(_check_pad(case, silent=silent) for case in cases)
    findings = worst_first((*about_strip, *(f for pad in pads for f in pad.findings)))
    bleached = any(f.code == "possible_bleaching" and f.severity != "info" for f in findings)
    return Verdict(
        reading=reading,
        sample=sample,
        validity=validity_of(findings),
        pads=pads,
        findings=findings,
        cautions=_cautions(reading, sample, bleached=bleached),
    )


def _cautions(reading: Reading, sample: SampleType | None, *, bleached: bool) -> tuple[Message, ...]:
    if not (bleached or (sample is not None and sample.strong)):
        return ()
    return (CAUTION,) if reading.dilution is None else (CAUTION, DILUTE_WITH_CARE)


def doubted(verdict: Verdict, findings: Sequence[Finding]) -> Verdict:
    """Return a verdict with findings that came up afterwards, such as that another strip disagrees."""
    if not findings:
        return verdict
    doubts = worst_severity(tuple(findings)) != "info"
    return replace(
        verdict,
        validity="doubtful" if verdict.validity == "valid" and doubts else verdict.validity,
        findings=worst_first((*findings, *verdict.findings)),
    )


def _check_units(reading: Reading, sample: SampleType) -> None:
    for pad in reading.pads:
        expected = sample.expectation(pad.analyte)
        if expected is not None and plain_unit(expected.unit) != plain_unit(pad.unit):
            raise SiteError(
                expected=Message(
                    "%(unit)s as the unit of %(analyte)s under [sample.%(name)s] of the site file, as in lot "
                    "%(number)s",
                    unit=repr(pad.unit),
                    analyte=pad.analyte,
                    name=sample.name,
                    number=reading.lot.number,
                ),
                found=Verbatim(repr(expected.unit)),
                remedy=Message("State the expected range in the unit of the strip."),
            )


def _check_pad(case: PadCase, *, silent: bool) -> PadVerdict:
    doubts = (*case.pad.findings, *(f for rule in PAD_RULES for f in rule(case)))
    if silent or worst_severity(doubts) == "error":
        case = replace(case, pad=_silenced(case.pad))
    about_water = (f for rule in (*SAMPLE_RULES, *SAMPLE_HISTORY_RULES) for f in rule(case))
    expected = case.expected
    return PadVerdict(
        reading=case.pad,
        range_state=None if expected is None else judge_range(case.pad, expected),
        probability_within=None if expected is None else probability_in_range(case.pad, expected),
        findings=worst_first((*doubts, *about_water)),
    )


def _silenced(pad: PadReading) -> PadReading:
    own = None if pad.as_dipped is None else AsDipped(value=None, standard_uncertainty=None, interval=None)
    return replace(pad, value=None, standard_uncertainty=None, interval=None, censored=None, limit=None, as_dipped=own)


def worst_first(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Drop repeated findings and sort the others, those of one severity in the order in which they came."""
    return tuple(sorted(dict.fromkeys(findings), key=lambda finding: _WORST_FIRST[finding.severity]))


def validity_of(findings: tuple[Finding, ...]) -> Validity:
    """Return how far a measurement with these findings can be trusted."""
    worst = worst_severity(tuple(f for f in findings if REGISTRY[f.code].about == "measurement"))
    if worst == "error":
        return "invalid"
    return "doubtful" if worst == "warning" else "valid"
