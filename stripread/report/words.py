"""What a verdict says in a few words, the same on the terminal and in the picture.

Word, symbol and shape say the same thing three times over; colour only repeats it.
"""

from dataclasses import dataclass
from typing import Literal

from stripread.check import PadVerdict, Verdict
from stripread.errors import StripReadError
from stripread.findings import Finding
from stripread.report.numbers import format_interval, format_number, places_for

__all__ = ["Headline", "Sign", "error_headline", "expected_line", "next_steps", "pad_line", "verdict_headline"]

Sign = Literal["tick", "triangle", "question", "cross"]
_SYMBOLS: dict[Sign, str] = {"tick": "✔", "triangle": "▲", "question": "?", "cross": "✘"}
_LOOK_ALIKE = 0.005  # probabilities nearer to 0 or 1 than this are not told apart


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
    if verdict.validity == "invalid":
        return Headline("cross", "NO RESULT: do not use this strip")
    water = _water(verdict)
    if verdict.validity == "doubtful":
        return Headline("triangle", f"DOUBTFUL: {water.words.lower()}")
    return water


def _water(verdict: Verdict) -> Headline:
    states = {pad.range_state for pad in verdict.pads}
    if {"above", "below"} <= states:
        return Headline("triangle", "OUT OF RANGE")
    if "above" in states:
        return Headline("triangle", "TOO HIGH")
    if "below" in states:
        return Headline("triangle", "TOO LOW")
    if "undecided" in states:
        return Headline("question", "UNDECIDED: near a limit of the range")
    if "within" in states:
        return Headline("tick", "WITHIN RANGE")
    return Headline("question", "READ, but no expected range to judge it by")


def error_headline(error: StripReadError) -> Headline:
    """Return what to say where there is no measurement."""
    return Headline("cross", f"NOT READ: {error.code.replace('_', ' ')}")


def pad_line(pad: PadVerdict) -> str:
    """Return one pad's value with its interval, or why there is no number."""
    reading = pad.reading
    if reading.value is not None and reading.standard_uncertainty is not None and reading.interval is not None:
        places = places_for(2 * reading.standard_uncertainty)
        value = format_number(reading.value, places)
        return f"{value} {reading.unit}, 95 % interval {format_interval(reading.interval, places)}"
    if reading.censored is not None and reading.limit is not None:
        side = "under" if reading.censored == "below" else "over"
        limit = f"{side} {reading.limit.value:.2g} {reading.unit} ({reading.limit.name})"
        if reading.limit.name == "LOD":
            limit = f"not detected, {limit}"
        return limit
    worst = next((f.code for f in pad.findings if f.severity == "error"), None)
    return f"no number ({worst})" if worst else "no number"


def expected_line(verdict: Verdict, pad: PadVerdict) -> str | None:
    """Return what is expected of the pad's analyte, with the chance that it is met; None where nobody said."""
    expected = None if verdict.sample is None else verdict.sample.expectation(pad.reading.analyte)
    if expected is None or verdict.sample is None:
        return None
    text = f"{expected} in {verdict.sample.name}"
    if pad.probability_within is None:
        return text
    chance = pad.probability_within
    if chance > 1 - _LOOK_ALIKE:
        words = "over 99 %"
    elif chance < _LOOK_ALIKE:
        words = "under 1 %"
    else:
        words = f"{100 * chance:.0f} %"
    return f"{text}; probability within: {words}"


def next_steps(findings: tuple[Finding, ...], *, most: int = 3) -> tuple[str, ...]:
    """Return what to do next, the most urgent first; findings come worst first."""
    urgent = [f for f in findings if f.severity != "info"] or [f for f in findings if f.code in _WORTH_DOING]
    return tuple(dict.fromkeys(f.advice for f in urgent))[:most]


# Of the findings that only explain, those after which a person should do something now.
_WORTH_DOING = {"range_undecided", "possible_bleaching", "wrong_range_strip"}
