"""A reading that a person entered, from a meter, a titration or a laboratory, and the verdict on it."""

import math
from dataclasses import dataclass, replace

from stripread.check.case import SampleCase
from stripread.check.conformity import RangeState
from stripread.check.expected import judge_range, probability_in_range
from stripread.check.history import History
from stripread.check.history_rules import SAMPLE_HISTORY_RULES
from stripread.check.methods import plain_unit
from stripread.check.rules import SAMPLE_RULES
from stripread.check.verdict import CAUTION, Validity, validity_of, worst_first
from stripread.errors import SiteError
from stripread.findings import Finding
from stripread.i18n import Message, Shown, Verbatim
from stripread.read import Censored, Limit
from stripread.site import SampleType

__all__ = ["EnteredReading", "EnteredVerdict", "check_entered"]

# What to do, where the list of findings speaks of strips.
_ADVICE: dict[str, Shown] = {
    "out_of_range": Message("Measure again; if it stands, look for the cause, and dose as the product's label says."),
    "range_undecided": Message("Measure again, or by finer means, before you change the dosing."),
    "jump_at_point": Message(
        "Check the instrument and measure again; if it stands, look at stock, injector and valves since the last "
        "reading."
    ),
    "recipe_mismatch": Message(
        "Measure concentrate and stock again, and check the volumes; use neither number until you know which one is "
        "wrong."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EnteredReading:
    """One analyte as it was entered: a number with its interval, or a bound.

    Attributes
    ----------
    value, standard_uncertainty : float or None
        In ``unit``, k = 1; None where only a bound is known.
    interval : tuple of (float or None)
        95 %; an end is None where it is open.
    u_assumed : bool
        Whether nobody stated the uncertainty, so that one was assumed.
    """

    analyte: str
    unit: str
    value: float | None
    standard_uncertainty: float | None
    interval: tuple[float | None, float | None]
    censored: Censored | None = None
    limit: Limit | None = None
    degrees_of_freedom: float = math.inf
    u_assumed: bool = False
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EnteredVerdict:
    """An entered reading judged; fields as of `PadVerdict` and `Verdict`."""

    reading: EnteredReading
    sample: SampleType
    validity: Validity
    range_state: RangeState | None
    probability_within: float | None
    findings: tuple[Finding, ...]
    cautions: tuple[Message, ...]

    @property
    def exit_code(self) -> int:
        """0 where it is valid and within, or the sample says nothing of this analyte; else 3."""
        return 0 if self.validity == "valid" and self.range_state in ("within", None) else 3


def check_entered(reading: EnteredReading, *, sample: SampleType, history: History | None) -> EnteredVerdict:
    """Hold an entered reading against its sample type and what was before.

    Raises
    ------
    SiteError
        If the site states the expected range in another unit.
    """
    expected = sample.expectation(reading.analyte)
    if expected is not None and plain_unit(expected.unit) != plain_unit(reading.unit):
        raise SiteError(
            expected=Message(
                "%(unit)s as the unit of %(analyte)s under [sample.%(name)s] of the site file",
                unit=repr(reading.unit),
                analyte=reading.analyte,
                name=sample.name,
            ),
            found=Verbatim(repr(expected.unit)),
            remedy=Message("State the expected range in that unit."),
        )
    case = SampleCase(pad=reading, sample=sample, history=history)
    found = [f for rule in (*SAMPLE_RULES, *SAMPLE_HISTORY_RULES) for f in rule(case)]
    findings = worst_first(tuple(replace(f, advice=_ADVICE.get(f.code, f.advice)) for f in found))
    return EnteredVerdict(
        reading=reading,
        sample=sample,
        validity=validity_of(findings),
        range_state=None if expected is None else judge_range(reading, expected),
        probability_within=None if expected is None else probability_in_range(reading, expected),
        findings=findings,
        cautions=(CAUTION,) if sample.strong else (),
    )
