"""A reading by other means than a strip as text for a terminal: the verdict first, as for a strip."""

import textwrap

from stripread.check import EnteredVerdict, Method
from stripread.i18n import Joined, Message, Shown
from stripread.report.words import bound_words, headline_of, next_steps, with_unit
from stripread.units import bound, format_interval, format_number, places_for, probability_in_words

__all__ = ["entered_text"]

_WIDTH = 100


def entered_text(verdict: EnteredVerdict, *, method: Method, point: str | None) -> str:
    """Return a judged reading; its first line is the verdict."""
    head = headline_of(verdict.validity, {verdict.range_state}, {f.code for f in verdict.findings})
    where = f"{verdict.sample.name}{f' at {point}' if point else ''}"
    lines = [f"{head.symbol} {head.words}   [{where}]", _field(verdict.reading.analyte, _value(verdict))]
    lines += [_field("expected", text) for text in _expected(verdict)]
    lines += [_field("assumed", note) for note in verdict.reading.notes]
    lines += [_field("CAUTION", caution) for caution in verdict.cautions]
    steps = next_steps(verdict.findings)
    lines += [_field("what to do" if i == 0 else "", f"{i + 1}. {step}") for i, step in enumerate(steps)]
    lines += [_field(f.severity, f"{f.message} ({f.code})") for f in verdict.findings]
    return "\n".join([*lines, _field("by", method.words)])


def _value(verdict: EnteredVerdict) -> Shown:
    reading = verdict.reading
    if reading.limit is not None and reading.censored is not None:
        least = with_unit(bound(reading.limit.value, reading.censored), reading.unit, reading.analyte)
        return bound_words(reading.censored, least)
    places = places_for(2 * (reading.standard_uncertainty or 0.0))
    value = with_unit(format_number(reading.value or 0.0, places), reading.unit, reading.analyte)
    interval = Message("95 %% interval %(interval)s", interval=format_interval(reading.interval, places))
    return Joined((value, interval), ", ")


def _expected(verdict: EnteredVerdict) -> list[Message]:
    expected = verdict.sample.expectation(verdict.reading.analyte)
    if expected is None:
        return []
    text = Message("%(expected)s for %(sample)s", expected=expected.words, sample=verdict.sample.name)
    if verdict.probability_within is None:
        return [text]
    chance = probability_in_words(verdict.probability_within)
    return [Message("%(expected)s; probability within: %(chance)s", expected=text, chance=chance)]


def _field(label: str, text: object) -> str:
    return textwrap.fill(
        str(text), _WIDTH, initial_indent=f"  {label:<16}  ", subsequent_indent=" " * 20, break_on_hyphens=False
    )
