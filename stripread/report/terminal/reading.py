"""Verdicts, card checks and errors as text for a terminal: the verdict first, then what to do, then the details."""

import math
import textwrap
from collections.abc import Iterable

import numpy as np

from stripread.check import PadVerdict, Verdict
from stripread.colour import Correction
from stripread.errors import StripReadError
from stripread.findings import Finding
from stripread.i18n import Message, Shown, on_one_line
from stripread.measure import CardInspection
from stripread.report.words import (
    Headline,
    diluted_line,
    error_headline,
    expected_line,
    next_steps,
    pad_words,
    steps_of,
    verdict_headline,
)
from stripread.units import two_digits

__all__ = ["budget_table", "card_check_text", "error_text", "table", "verdict_text"]

_WIDTH = 100


def verdict_text(verdict: Verdict, *, photo: str, point: str | None, budget: bool = False) -> str:
    """Return a checked reading; its first line is the verdict."""
    reading, card = verdict.reading, verdict.reading.measurement.card
    lines = [_head(verdict_headline(verdict), photo)]
    for pad in verdict.pads:
        lines.append(_field(pad.reading.analyte, str(pad_words(verdict, pad))))
        if (expected := expected_line(verdict, pad)) is not None:
            lines.append(_field("expected", expected))
    if reading.dilution is not None:
        lines.append(_field("diluted", diluted_line(verdict, reading.dilution)))
    lines += [_field("CAUTION", caution) for caution in verdict.cautions]
    lines += _steps(steps_of(verdict))
    lines += _findings(verdict.findings)
    taken = "unknown time" if reading.taken_at is None else reading.taken_at.isoformat(sep=" ")
    where = f" at {point}" if point else ""
    lines.append(_field("strip", f"kind {verdict.reading.measurement.kind.name}, lot {reading.lot.number}{where}"))
    lines.append(_field("photo", f"{taken}, {reading.camera or 'unknown camera'}"))
    lines.append(_field("card", f"{card.card.name}; {_residuals(card.correction)}"))
    if budget:
        for pad in verdict.pads:
            lines += ["", budget_table(pad)]
    return "\n".join(lines)


def budget_table(pad: PadVerdict) -> str:
    """Return what contributes to a pad's standard uncertainty, the largest part first."""
    parts = sorted(pad.reading.estimate.budget.items(), key=lambda item: -item[1])
    total = math.fsum(u * u for _, u in parts)
    rows = [(cause.replace("_", " "), str(two_digits(u)), f"{100 * u * u / total:.0f} %") for cause, u in parts]
    rows.append(("together", str(two_digits(math.sqrt(total))), "100 %"))
    head = (f"uncertainty of {pad.reading.analyte}", f"u (k = 1) [{pad.reading.unit}]", "share of variance")
    return table(head, rows)


def card_check_text(seen: CardInspection, findings: tuple[Finding, ...], *, photo: str) -> str:
    """Return whether a photo of a card is fit to measure by and, where it is not, why; and its worst patches."""
    if seen.refusal is not None:
        lines = [error_text(seen.refusal, photo=photo)]
    elif any(f.severity != "info" for f in findings):
        lines = [_head(Headline("triangle", Message("DOUBTFUL: better retake it")), photo)]
    else:
        lines = [_head(Headline("tick", Message("FIT to measure by")), photo)]
    correction = seen.correction
    if correction is None:
        lines.append(_field("card", seen.card.name))
    else:
        lines.append(_field("card", f"{seen.card.name}; {_residuals(correction)}"))
        order = np.argsort(-np.nan_to_num(correction.de00, nan=-1.0))[:5]
        worst = ", ".join(f"{correction.patches.ids[i]} {correction.de00[i]:.1f}" for i in order)
        lines.append(_field("worst", f"{worst} (CIEDE2000)"))
        if correction.clipped:
            lines.append(_field("clipped", f"{', '.join(correction.clipped)}: not used"))
        if correction.disagreeing:
            lines.append(_field("disagreeing", f"{', '.join(correction.disagreeing)}: not used"))
    pose = seen.pose
    lines.append(_field("place", f"{pose.px_per_mm:.1f} px/mm, tilted by about {pose.tilt_deg:.0f} degrees"))
    return "\n".join(lines + _steps(next_steps(findings)) + _findings(findings))


def error_text(error: StripReadError, *, photo: str) -> str:
    """Return why a photo gives no measurement."""
    return "\n".join(
        [
            _head(error_headline(error), photo),
            _field("expected", error.expected),
            _field("found", error.found),
            _field("what to do", error.remedy),
        ]
    )


def table(head: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> str:
    """Return a table in plain text: the first column to the left, the others to the right."""
    lines = [head, *(tuple(on_one_line(str(cell)) for cell in row) for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    aligned = [
        [c.rjust(w) if i else c.ljust(w) for i, (c, w) in enumerate(zip(line, widths, strict=True))] for line in lines
    ]
    return "\n".join("  " + "  ".join(cells).rstrip() for cells in aligned)


def _head(headline: Headline, photo: str) -> str:
    return f"{headline.symbol} {headline.words}   [{photo}]"


def _field(label: str, text: object) -> str:
    return textwrap.fill(
        str(text), _WIDTH, initial_indent=f"  {label:<16}  ", subsequent_indent=" " * 20, break_on_hyphens=False
    )


def _steps(steps: tuple[Shown, ...]) -> list[str]:
    return [_field("what to do" if i == 0 else "", f"{i + 1}. {step}") for i, step in enumerate(steps)]


def _findings(findings: Iterable[Finding]) -> list[str]:
    return [_field(f.severity, f"{f.message} ({f.code})") for f in findings]


def _residuals(correction: Correction) -> str:
    return (
        f"colours corrected by a {correction.map.method} map, which misses patches left out of it by "
        f"{correction.residual_de00_mean:.1f} CIEDE2000 on average and {correction.residual_de00_max:.1f} at most"
    )
