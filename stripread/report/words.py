"""What a verdict says in a few words, the same on the terminal and in the picture.

Word, symbol and shape say the same thing three times over; colour only repeats it.
"""

from collections.abc import Set
from dataclasses import dataclass
from typing import Literal

from stripread.check import PadVerdict, Verdict
from stripread.errors import StripReadError
from stripread.findings import REGISTRY, Finding
from stripread.units import format_interval, format_number, places_for, probability_in_words, two_digits

__all__ = [
    "Headline",
    "PadWords",
    "Sign",
    "error_headline",
    "expected_line",
    "headline_of",
    "next_steps",
    "pad_words",
    "verdict_headline",
]

Sign = Literal["tick", "triangle", "question", "cross"]
_SYMBOLS: dict[Sign, str] = {"tick": "✔", "triangle": "▲", "question": "?", "cross": "✘"}
_OF_THE_SAMPLE = {kind.code for kind in REGISTRY.values() if kind.about == "sample" and kind.severity != "info"}


@dataclass(frozen=True, slots=True)
class Headline:
    """The verdict: a sign to be drawn and the words beside it."""

    sign: Sign
    words: str

    @property
    def symbol(self) -> str:
        """The sign as a character."""
        return _SYMBOLS[self.sign]


def verdict_headline(verdict: Verdict) -> Headline:
    """Return the verdict in words; trust comes first, then the water."""
    codes = {finding.code for finding in verdict.findings}
    return headline_of(verdict.validity, {pad.range_state for pad in verdict.pads}, codes)


def headline_of(validity: str, states: Set[str | None], codes: Set[str] = frozenset()) -> Headline:
    """Return the verdict in words: how far a measurement can be trusted, where its pads lie, and what else warns.

    ``codes`` are those of its findings: where one warns of the sample, as of a recipe that cannot be, there is no tick.
    """
    if validity == "invalid":
        return Headline("cross", "NO RESULT: do not use this strip")
    judged = _water(states)
    if validity == "doubtful":
        water = judged.words.lower().replace("undecided: ", "")
        return Headline("triangle", f"DOUBTFUL, repeat: {water}")
    if judged.sign == "tick" and codes & _OF_THE_SAMPLE:
        return Headline("triangle", "WITHIN RANGE, with a warning")
    return judged


def _water(states: Set[str | None]) -> Headline:
    if {"above", "below"} <= states:
        return Headline("triangle", "OUT OF RANGE")
    if "above" in states:
        return Headline("triangle", "TOO HIGH")
    if "below" in states:
        return Headline("triangle", "TOO LOW")
    if "undecided" in states:
        return Headline("question", "UNDECIDED: near a limit")
    if "within" in states:
        return Headline("tick", "WITHIN RANGE")
    return Headline("question", "READ, but no expected range to judge it by")


def error_headline(error: StripReadError) -> Headline:
    """Return what to say where there is no measurement."""
    trouble = error.code.replace("_", " ")
    return Headline("cross", f"NOT READ: {trouble}")


@dataclass(frozen=True, slots=True)
class PadWords:
    """What one pad says: the value or the bound, and then its interval or why there is no number."""

    value: str
    interval: str

    def __str__(self) -> str:
        """Both, on one line."""
        return f"{self.value}, {self.interval}"


def pad_words(verdict: Verdict, pad: PadVerdict) -> PadWords:
    """Return one pad's value with its interval, or why there is no number."""
    reading = pad.reading
    unit = "" if reading.unit == reading.analyte else f" {reading.unit}"  # as of pH
    if reading.value is not None and reading.standard_uncertainty is not None and reading.interval is not None:
        places = places_for(2 * reading.standard_uncertainty)
        interval = format_interval(reading.interval, places)
        return PadWords(f"{format_number(reading.value, places)}{unit}", f"95 % interval {interval}")
    if reading.censored is not None and reading.limit is not None:
        side = "under" if reading.censored == "below" else "over"
        return PadWords(f"{side} {two_digits(reading.limit.value)}{unit}", _BOUNDS[reading.limit.name])
    worst = next((f for f in (*pad.findings, *verdict.findings) if f.severity == "error"), None)
    if worst is None:
        return PadWords("no number", "as the findings say")
    said = REGISTRY[worst.code].meaning
    meaning = f"{said[0].lower()}{said[1:].rstrip('.')}"
    return PadWords("no number", f"because: {meaning}")


_BOUNDS = {
    "LOD": "not detected (under the LOD), so only a bound",
    "LOQ": "found, but too little for a number (under the LOQ), so only a bound",
    "interval's end": "its interval reaches zero, so only a bound",
    "lowest block": "the chart's lowest block, so only a bound",
    "lowest calibrator": "the lot's lowest calibrator, so only a bound",
    "top calibrator": "the lot's top calibrator, so only a bound",
}


def expected_line(verdict: Verdict, pad: PadVerdict) -> str | None:
    """Return what is expected of the pad's analyte, with the chance that it is met; None where nobody said."""
    expected = None if verdict.sample is None else verdict.sample.expectation(pad.reading.analyte)
    if expected is None or verdict.sample is None:
        return None
    text = f"{expected} for {verdict.sample.name}"
    if pad.probability_within is None:
        return text
    words = probability_in_words(pad.probability_within)
    return f"{text}; probability within: {words}"


def next_steps(findings: tuple[Finding, ...], *, most: int = 3) -> tuple[str, ...]:
    """Return what to do next, the most urgent first; findings come worst first."""
    urgent = [f for f in findings if f.severity != "info" or f.code == "range_undecided"]
    return tuple(dict.fromkeys(f.advice for f in urgent))[:most]
