"""What a verdict says in a few words, the same on the terminal and in the picture.

Word, symbol and shape say the same thing three times over; colour only repeats it.
"""

from collections.abc import Set
from dataclasses import dataclass
from typing import Literal

from stripread.check import PadVerdict, Verdict
from stripread.errors import StripReadError
from stripread.findings import REGISTRY, Finding
from stripread.i18n import Clause, Joined, Message, Number, Shown, joined
from stripread.read import PadReading
from stripread.units import bound, format_interval, format_number, places_for, probability_in_words
from stripread.water import SampleDilution

__all__ = [
    "Headline",
    "PadWords",
    "Sign",
    "bound_words",
    "diluted_line",
    "error_headline",
    "expected_line",
    "headline_of",
    "next_steps",
    "pad_words",
    "steps_of",
    "verdict_headline",
    "with_unit",
]

Sign = Literal["tick", "triangle", "question", "cross"]
State = Literal["within", "warned", "low", "high", "out", "undecided", "unjudged", "doubtful", "no-result", "not-read"]
_SYMBOLS: dict[Sign, str] = {"tick": "✔", "triangle": "▲", "question": "?", "cross": "✘"}
_OF_THE_SAMPLE = {kind.code for kind in REGISTRY.values() if kind.about == "sample" and kind.severity != "info"}


@dataclass(frozen=True, slots=True)
class Headline:
    """The verdict: a sign to be drawn, the words beside it, and which of the verdicts it is."""

    sign: Sign
    words: Shown
    state: State = "unjudged"

    @property
    def symbol(self) -> str:
        """The sign as a character."""
        return _SYMBOLS[self.sign]


# What is said of the water, alone and after "DOUBTFUL, repeat".
_OUT = (Message("OUT OF RANGE"), Message("DOUBTFUL, repeat: out of range"))
_HIGH = (Message("TOO HIGH"), Message("DOUBTFUL, repeat: too high"))
_LOW = (Message("TOO LOW"), Message("DOUBTFUL, repeat: too low"))
_NEAR = (Message("UNDECIDED: near a limit"), Message("DOUBTFUL, repeat: near a limit"))
_WITHIN = (Message("WITHIN RANGE"), Message("DOUBTFUL, repeat: within range"))
_UNJUDGED = (
    Message("READ, but no expected range to judge it by"),
    Message("DOUBTFUL, repeat: read, but no expected range to judge it by"),
)


def verdict_headline(verdict: Verdict) -> Headline:
    """Return the verdict in words; trust comes first, then the water."""
    codes = {finding.code for finding in verdict.findings}
    return headline_of(verdict.validity, {pad.range_state for pad in verdict.pads}, codes)


def headline_of(validity: str, states: Set[str | None], codes: Set[str] = frozenset()) -> Headline:
    """Return the verdict in words: how far a measurement can be trusted, where its pads lie, and what else warns.

    ``codes`` are those of its findings: where one warns of the sample, as of a recipe that cannot be, there is no tick.
    """
    if validity == "invalid":
        return Headline("cross", Message("NO RESULT: do not use this strip"), "no-result")
    sign, state, (plainly, doubtfully) = _water(states)
    if validity == "doubtful":
        return Headline("triangle", doubtfully, "doubtful")
    if sign == "tick" and codes & _OF_THE_SAMPLE:
        return Headline("triangle", Message("WITHIN RANGE, with a warning"), "warned")
    return Headline(sign, plainly, state)


def _water(states: Set[str | None]) -> tuple[Sign, State, tuple[Message, Message]]:
    if {"above", "below"} <= states:
        return "triangle", "out", _OUT
    if "above" in states:
        return "triangle", "high", _HIGH
    if "below" in states:
        return "triangle", "low", _LOW
    if "undecided" in states:
        return "question", "undecided", _NEAR
    return ("tick", "within", _WITHIN) if "within" in states else ("question", "unjudged", _UNJUDGED)


def error_headline(error: StripReadError) -> Headline:
    """Return what to say where there is no measurement."""
    return Headline("cross", Message("NOT READ: %(trouble)s", trouble=error.title), "not-read")


@dataclass(frozen=True, slots=True)
class PadWords:
    """What one pad says: the value or the bound, and then its interval or why there is no number."""

    value: Shown
    interval: Shown

    def __str__(self) -> str:
        """Both, on one line, in English."""
        return f"{self.value}, {self.interval}"


def pad_words(verdict: Verdict, pad: PadVerdict) -> PadWords:
    """Return one pad's value with its interval, or why there is no number."""
    reading = pad.reading
    if reading.value is not None and reading.standard_uncertainty is not None and reading.interval is not None:
        places = places_for(2 * reading.standard_uncertainty)
        value = with_unit(format_number(reading.value, places), reading.unit, reading.analyte)
        interval = format_interval(reading.interval, places)
        return PadWords(value, Message("95 %% interval %(interval)s", interval=interval))
    if reading.censored is not None and reading.limit is not None:
        least = with_unit(bound(reading.limit.value, reading.censored), reading.unit, reading.analyte)
        return PadWords(bound_words(reading.censored, least), _BOUNDS[reading.limit.name])
    worst = next((f for f in (*pad.findings, *verdict.findings) if f.severity == "error"), None)
    if worst is None:
        return PadWords(Message("no number"), Message("as the findings say"))
    return PadWords(Message("no number"), Message("because: %(meaning)s", meaning=Clause(REGISTRY[worst.code].meaning)))


def with_unit(number: Number, unit: str, analyte: str) -> Joined:
    """Return a number with its unit; what is measured in itself, as pH, has none."""
    return Joined((number,) if unit == analyte else (number, unit))


def bound_words(censored: str, bound: Shown) -> Message:
    """Return what is said of a reading that is ``below`` or above a bound."""
    return Message("under %(bound)s", bound=bound) if censored == "below" else Message("over %(bound)s", bound=bound)


_BOUNDS = {
    "LOD": Message("not detected (under the LOD), so only a bound"),
    "LOQ": Message("found, but too little for a number (under the LOQ), so only a bound"),
    "interval's end": Message("its interval reaches zero, so only a bound"),
    "lowest block": Message("the chart's lowest block, so only a bound"),
    "lowest calibrator": Message("the lot's lowest calibrator, so only a bound"),
    "top calibrator": Message("it looks stronger than the lot's top calibrator, so only a bound"),
}


def expected_line(verdict: Verdict, pad: PadVerdict) -> Message | None:
    """Return what is expected of the pad's analyte, with the chance that it is met; None where nobody said."""
    expected = None if verdict.sample is None else verdict.sample.expectation(pad.reading.analyte)
    if expected is None or verdict.sample is None:
        return None
    text = Message("%(expected)s for %(sample)s", expected=expected.words, sample=verdict.sample.name)
    if pad.probability_within is None:
        return text
    chance = probability_in_words(pad.probability_within)
    return Message("%(expected)s; probability within: %(chance)s", expected=text, chance=chance)


def diluted_line(verdict: Verdict, dilution: SampleDilution) -> Message:
    """Return how the sample was diluted, and what the strip itself read in it."""
    own = [strip_words(pad.reading) for pad in verdict.pads]
    read = joined(words for words in own if words is not None)
    if not read.parts:
        return dilution.words
    return Message("%(dilution)s; the strip read %(read)s", dilution=dilution.words, read=read)


def strip_words(pad: PadReading) -> Shown | None:
    """Return the strip's own value and interval in a diluted sample; None where there is no number."""
    own = pad.as_dipped
    if own is None or own.interval is None:
        return None
    low, high = own.interval
    if own.value is None or own.standard_uncertainty is None:
        end = low if pad.censored == "above" else high
        if end is None:
            return None
        return bound_words(
            pad.censored or "below", with_unit(bound(end, pad.censored or "below"), pad.unit, pad.analyte)
        )
    places = places_for(2 * own.standard_uncertainty)
    value = with_unit(format_number(own.value, places), pad.unit, pad.analyte)
    return Joined((value, format_interval(own.interval, places)), ", ")


def steps_of(verdict: Verdict) -> tuple[Shown, ...]:
    """Return what a verdict says to do next."""
    return next_steps(verdict.findings, states={pad.range_state for pad in verdict.pads})


def next_steps(
    findings: tuple[Finding, ...], *, states: Set[str | None] = frozenset(), most: int = 3
) -> tuple[Shown, ...]:
    """Return what to do next, the most urgent first; findings come worst first.

    Where a pad that looks too weak may be bleached, that comes before all else: a raised dose would make it worse.
    """
    bleached = [f for f in findings if f.code == "possible_bleaching" and "below" in states]
    first = [
        Message("Raise no dose yet: strong water bleaches a pad pale. %(advice)s", advice=f.advice) for f in bleached
    ]
    urgent = [f for f in findings if (f.severity != "info" or f.code == "range_undecided") and f not in bleached]
    return tuple(dict.fromkeys([*first, *(f.advice for f in urgent)]))[:most]
