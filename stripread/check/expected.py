"""The water: where a reading lies to the range expected for its sample, and the findings that tell so."""

import math
from collections.abc import Iterator

from stripread.check.case import PadCase, ReadAnalyte, SampleCase
from stripread.check.conformity import RangeState, judged_state, probability_within, range_state
from stripread.check.words import LIMIT_NAMES
from stripread.findings import HIGHER_KIND, Finding, dilute, make_finding
from stripread.i18n import Joined, Message, Number, Shown
from stripread.read import fitting_dilution
from stripread.site import Expectation
from stripread.units import Measured, lower_end, probability_in_words, upper_end

__all__ = ["judge_range", "out_of_range", "plain_number", "probability_in_range", "range_undecided", "reported"]


def judge_range(pad: ReadAnalyte, expected: Expectation) -> RangeState | None:
    """Say where a pad lies to the expected range; None where no interval may be reported.

    A number is within with a probability of 95 % or more, below or above where that side has so much, else undecided. A
    censored reading goes by its 95 % interval, and claims no more than its limit: under the larger of limit and
    interval, or over the smaller.
    """
    if pad.interval is None:
        return None
    if pad.value is not None and pad.standard_uncertainty is not None:
        number = Measured(pad.value, pad.standard_uncertainty, degrees_of_freedom=pad.degrees_of_freedom)
        return judged_state(number, _floor(expected), expected.high)
    low, high = pad.interval
    if pad.limit is not None and pad.censored == "below" and high is not None:
        high = max(high, pad.limit.value)
    if pad.limit is not None and pad.censored == "above" and low is not None:
        low = min(low, pad.limit.value)
    return range_state((low, high), _floor(expected), expected.high)


def probability_in_range(pad: ReadAnalyte, expected: Expectation) -> float | None:
    """Probability that the true value lies in the expected range; None where there is no number."""
    if pad.value is None or pad.standard_uncertainty is None:
        return None
    return probability_within(
        pad.value,
        pad.standard_uncertainty,
        _floor(expected),
        expected.high,
        degrees_of_freedom=pad.degrees_of_freedom,
    )


def _floor(expected: Expectation) -> float:
    """Lower limit of the range: none where zero is allowed, as no water holds less than nothing."""
    return expected.low if expected.low > 0 else -math.inf


def out_of_range(case: SampleCase) -> Iterator[Finding]:
    """Tell of water that is outside what is expected."""
    if case.sample is None or case.expected is None:
        return
    state = judge_range(case.pad, case.expected)
    analyte, expected, reading = case.pad.analyte, case.expected.words, _judged(case.pad, case.expected)
    if state == "below":
        message = Message(
            "%(analyte)s is below the %(expected)s expected for %(sample)s: %(reading)s.",
            analyte=analyte,
            expected=expected,
            sample=case.sample.name,
            reading=reading,
        )
    elif state == "above":
        message = Message(
            "%(analyte)s is above the %(expected)s expected for %(sample)s: %(reading)s.",
            analyte=analyte,
            expected=expected,
            sample=case.sample.name,
            reading=reading,
        )
    else:
        return
    yield make_finding("out_of_range", message)


def range_undecided(case: SampleCase) -> Iterator[Finding]:
    """Tell that it is neither sure nor ruled out that the water is as expected."""
    if case.sample is None or case.expected is None:
        return
    if judge_range(case.pad, case.expected) == "undecided":
        advice: dict[str, Shown] = (
            {
                "below": Message(
                    "Use a kind with a lower range, or read more strips; do not change the dosing on this alone."
                ),
                "above": _over_the_top(case),
            }
            if isinstance(case, PadCase)
            else {}
        )
        yield make_finding(
            "range_undecided",
            Message(
                "Whether %(analyte)s is in the %(expected)s expected for %(sample)s is undecided: %(reading)s.",
                analyte=case.pad.analyte,
                expected=case.expected.words,
                sample=case.sample.name,
                reading=_judged(case.pad, case.expected),
            ),
            advice=advice.get(case.pad.censored or ""),
        )


def _over_the_top(case: PadCase) -> Shown:
    n = fitting_dilution(case.calibration, case.reading.dilution)
    return HIGHER_KIND if n is None else Joined((dilute(n), HIGHER_KIND))


def plain_number(number: float) -> Number:
    """Write a number to three digits, without an exponent in the range of strips."""
    return Number(float(f"{number:.3g}"), "g")


def reported(pad: ReadAnalyte) -> Message:
    """Write a reading as it may be reported."""
    if pad.limit is not None and pad.censored is not None:
        below = pad.censored == "below"
        bound = Joined((upper_end(pad.limit.value) if below else lower_end(pad.limit.value), pad.unit))
        name = LIMIT_NAMES.get(pad.limit.name, pad.limit.name)
        if below:
            return Message("under %(bound)s (%(limit)s)", bound=bound, limit=name)
        return Message("over %(bound)s (%(limit)s)", bound=bound, limit=name)
    least, most = pad.interval or (None, None)
    low, high = "?" if least is None else lower_end(least), "?" if most is None else upper_end(most)
    value: Shown = Message("no number") if pad.value is None else plain_number(pad.value)
    amount = Joined((value, pad.unit))
    return Message("%(amount)s (95 %%: %(low)s to %(high)s)", amount=amount, low=low, high=high)


def _judged(pad: ReadAnalyte, expected: Expectation) -> Message:
    """Write a reading with the chance that it is in range, where it is a number."""
    chance = probability_in_range(pad, expected)
    if chance is None:
        return reported(pad)
    return Message(
        "%(reading)s; in range with a probability of %(chance)s",
        reading=reported(pad),
        chance=probability_in_words(chance),
    )
