"""Check standards shown to people and programs: what came of one check, and the control chart of a row of them."""

from collections.abc import Sequence
from typing import Any

from stripread.check import StandardCheck
from stripread.i18n import Message
from stripread.lot import CheckRow, Lot, broken_rules, chart_scores
from stripread.report.json_lines import findings_json
from stripread.report.terminal.reading import table
from stripread.units import bound, format_interval, format_number, places_for, upper_end

__all__ = ["broken_by_last", "chart_text", "check_json", "check_text"]

_SHOWN = 10  # checks


def check_text(check: StandardCheck, *, photo: str, recorded: CheckRow | None) -> str:
    """Return one check in words.

    Parameters
    ----------
    recorded : CheckRow or None
        The row that has recorded this photo before; None where it is recorded now.
    """
    unit = _unit(check)
    heads = {
        "agrees": "✔ AGREES with the known value",
        "disagrees": "▲ DIFFERS from the known value by more than the uncertainties allow",
        "doubtful": "▲ DOUBTFUL: the reading shows nothing for or against the lot, repeat it",
        "no number": "? NO NUMBER to hold against the known value",
    }
    lines = [f"{heads[check.outcome]}   [{photo}]", f"  known       {_plus_minus(check.known, check.u_known)}{unit}"]
    pad, agreement = check.pad, check.agreement
    if agreement is not None and pad.value is not None and pad.interval is not None:
        places = places_for(agreement.expanded_uncertainty)
        interval = format_interval(pad.interval, places)
        lines += [
            f"  read        {format_number(pad.value, places)}{unit}, 95 % interval {interval}",
            f"  difference  {format_number(agreement.difference, places)}{unit}, expanded uncertainty (95 %) "
            f"{upper_end(agreement.expanded_uncertainty, places)}",
            f"  E_n         {format_number(agreement.e_n, 2)}; agrees from -1 to 1",
            f"  z           {format_number(agreement.z, 2)}, for the control chart",
        ]
    elif pad.limit is not None:
        side = "under" if pad.censored == "below" else "over"
        fits = "which the known value fits" if check.bound_holds else "which the known value CONTRADICTS"
        lines.append(
            f"  read        {side} {bound(pad.limit.value, pad.censored or 'above')}{unit} ({pad.limit.name}), {fits}"
        )
    else:
        lines.append("  read        nothing that may be reported")
    lines += [f"  {f.severity:<10}  {f.message} ({f.code})\n              {f.advice}" for f in check.doubts]
    if recorded is not None:
        lines.append(
            f"  not recorded again: this photo stands in the record since {recorded.read_at.date().isoformat()}, known "
            f"{recorded.known:g}{unit}"
        )
    return "\n".join(lines)


def check_json(check: StandardCheck, *, photo: str, recorded: bool) -> dict[str, Any]:
    """Return one check for programs."""
    pad, agreement = check.pad, check.agreement
    return {
        "photo": photo,
        "photo_sha256": check.reading.photo_sha256,
        "lot": check.reading.lot.number,
        "lot_sha256": check.reading.lot.sha256,
        "pad": pad.pad,
        "unit": pad.unit,
        "known": check.known,
        "u_known": check.u_known,
        "value": pad.value,
        "standard_uncertainty": pad.standard_uncertainty,
        "interval": None if pad.interval is None else list(pad.interval),
        "censored": pad.censored,
        "limit": None if pad.limit is None else {"name": pad.limit.name, "value": pad.limit.value},
        "difference": None if agreement is None else agreement.difference,
        "expanded_uncertainty": None if agreement is None else agreement.expanded_uncertainty,
        "e_n": None if agreement is None else agreement.e_n,
        "z": None if agreement is None else agreement.z,
        "outcome": check.outcome,
        "findings": findings_json(check.findings),
        "recorded": recorded,
    }


def broken_by_last(rows: Sequence[CheckRow], lot: Lot, pad: str) -> tuple[Message, ...]:
    """Rules of the control chart that the last check of a pad that counts breaks."""
    return broken_rules(chart_scores(rows, pad=pad, lot_sha256=lot.sha256))


def chart_text(rows: Sequence[CheckRow], lot: Lot, pad: str) -> str:
    """Return the last checks of a pad as a table with a small chart, and what the rules say."""
    own = [row for row in rows if row.pad == pad and row.lot_sha256 == lot.sha256]
    unit = lot.pad(pad).unit
    lines = [f"Checks of lot {lot.number}, pad {pad}: {len(own)}"]
    others = sum(row.pad == pad for row in rows) - len(own)
    if others:
        lines[0] += f" (and {others} of other lots or calibrations in this file)"
    if not own:
        return lines[0]
    body = [_chart_row(row) for row in own[-_SHOWN:]]
    lines.append(
        table(("when", f"known [{unit}]", "read", "E_n", "z", "-3 -2     0     2  3 ", "counts"), body)
        + "\n  A check that is doubtful or gave no number does not count for the rules."
    )
    broken = broken_by_last(rows, lot, pad)
    lines += [f"▲ Control chart: {words}. Look for the cause before this lot is used again." for words in broken]
    if not broken:
        counted = len(chart_scores(rows, pad=pad, lot_sha256=lot.sha256))
        lines.append(f"  Control chart: no rule is broken; checks that count: {counted}.")
    return "\n".join(lines)


def _chart_row(row: CheckRow) -> tuple[object, ...]:
    when = row.read_at.date().isoformat()
    counts = "yes" if row.counts else "no: " + (", ".join(row.findings) or "no number")
    if row.value is None or row.u is None or row.z is None or row.e_n is None:
        return (when, f"{row.known:g}", "no number", "", "", " " * 21, counts)
    read = format_number(row.value, places_for(2 * row.u))
    return (
        when,
        f"{row.known:g}",
        read,
        format_number(row.e_n or 0.0, 2),
        format_number(row.z or 0.0, 2),
        _place(row.z),
        counts,
    )


def _place(z: float) -> str:
    """Return a line of 21 characters from -3.3 to 3.3 with the score as an o, or as < or > where it lies beyond."""
    line = [":" if k in (1, 4, 16, 19) else "|" if k == 10 else " " for k in range(21)]
    at = round(10 + 3 * z)
    line[min(max(at, 0), 20)] = "<" if at < 0 else ">" if at > 20 else "o"
    return "".join(line)


def _plus_minus(known: float, u_known: float) -> str:
    return f"{known:g}, standard uncertainty {u_known:g}" if u_known else f"{known:g}, taken as exact"


def _unit(check: StandardCheck) -> str:
    return "" if check.pad.unit == check.pad.analyte else f" {check.pad.unit}"
