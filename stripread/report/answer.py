"""What a planning command answers: the result in words, the steps to follow at the tank, what was assumed."""

import dataclasses
import math
import textwrap
from dataclasses import dataclass
from typing import Any

from stripread.findings import Finding
from stripread.i18n import Shown
from stripread.report.json_lines import findings_json
from stripread.units import COVERAGE, Difference, Measured

__all__ = ["Answer", "answer_json", "answer_text"]

_WIDTH = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """An answer, for people and programs.

    Attributes
    ----------
    sign : str
        ``✔``, ``▲`` where something needs attention, ``=`` for a plain result.
    headline : Shown
        The result in a few words.
    facts : tuple of (label, text)
    steps : tuple of Shown
        To be followed in this order; they get their numbers when they are shown.
    notes : tuple of Shown
        Conventions and assumptions.
    cautions : tuple of Shown
    findings : tuple of Finding
    result : object
        A frozen dataclass with the numbers.
    """

    sign: str
    headline: Shown
    result: object
    facts: tuple[tuple[Shown, Shown], ...] = ()
    steps: tuple[Shown, ...] = ()
    notes: tuple[Shown, ...] = ()
    cautions: tuple[Shown, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def needs_attention(self) -> bool:
        """Whether something is wrong or in doubt."""
        return self.sign == "▲"


def answer_text(answer: Answer) -> str:
    """Return an answer as text: headline, cautions, numbers, steps, and what was assumed."""
    lines = [textwrap.fill(f"{answer.sign} {answer.headline}", _WIDTH, subsequent_indent="  ")]
    lines += [_field("CAUTION", caution) for caution in answer.cautions]
    lines += [_field(label, text) for label, text in answer.facts]
    for finding in answer.findings:
        lines += [_field(finding.severity, f"{finding.message} ({finding.code})"), _field("what to do", finding.advice)]
    if answer.steps:
        lines += ["", "  STEP BY STEP"]
        for index, step in enumerate(answer.steps, start=1):
            lines.append(textwrap.fill(str(step), _WIDTH, initial_indent=f"  {index:>2}. ", subsequent_indent=" " * 6))
    if answer.notes:
        lines += ["", "  ASSUMPTIONS"]
        lines += [
            textwrap.fill(str(note), _WIDTH, initial_indent="  - ", subsequent_indent="    ") for note in answer.notes
        ]
    return "\n".join(lines)


def answer_json(answer: Answer, *, command: str) -> dict[str, Any]:
    """Return an answer for programs; numbers with an uncertainty are objects of value, u, interval."""
    return {
        "command": command,
        "attention": answer.needs_attention,
        "headline": str(answer.headline),
        "result": _plain(answer.result),
        "coverage": COVERAGE,
        "steps": list(map(str, answer.steps)),
        "notes": list(map(str, answer.notes)),
        "cautions": list(map(str, answer.cautions)),
        "findings": findings_json(answer.findings),
    }


def _plain(thing: object) -> Any:
    """Return dataclasses as objects, tuples as lists; what is no number as null."""
    if isinstance(thing, Measured):
        return {
            "value": thing.value,
            "standard_uncertainty": thing.u,
            "interval": [_plain(end) for end in thing.interval],
        }
    if isinstance(thing, Difference):
        return {
            "value": thing.value,
            "standard_uncertainty": thing.u,
            "z": thing.z,
            "probability": thing.probability,
        }
    if isinstance(thing, Shown):
        return str(thing)
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return {f.name: _plain(getattr(thing, f.name)) for f in dataclasses.fields(thing) if _told(f)}
    if isinstance(thing, tuple | list):
        return [_plain(one) for one in thing]
    if isinstance(thing, float) and not math.isfinite(thing):
        return None
    return thing


def _told(field: "dataclasses.Field[Any]") -> bool:
    return field.repr and field.name != "finding"  # findings have a key of their own


def _field(label: object, text: object) -> str:
    return textwrap.fill(
        str(text), _WIDTH, initial_indent=f"  {label:<16}  ", subsequent_indent=" " * 20, break_on_hyphens=False
    )
