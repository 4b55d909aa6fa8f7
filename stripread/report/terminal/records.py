"""The record in words and as JSON: the log, what verification found, what reading again moved."""

from collections.abc import Mapping, Sequence
from typing import Any

from stripread.i18n import Message, Shown, Verbatim, joined, on_one_line
from stripread.records import Entry, RecordedPad, RecordedReading, Reread, Verification
from stripread.report.words import Headline, bound_words, headline_of, with_unit
from stripread.units import InOwnUnits, bound, format_interval, format_number, places_for
from stripread.water import dilution_of_payload

__all__ = [
    "entries_text",
    "entry_json",
    "entry_line",
    "log_text",
    "pad_interval",
    "pad_value",
    "reading_entry_json",
    "reading_headline",
    "recorded_dilution",
    "reread_json",
    "reread_text",
    "verification_json",
    "verification_text",
]

_HEADS = ("entry", "taken", "point", "sample", "reading", "95 % interval", "verdict", "by")
_CONVERTED = ("C", "L/min")  # units of readings that people read in their own
_MOVED = 1.0  # of the larger u: what moved by less than its own uncertainty is said in numbers alone


def log_text(readings: Sequence[RecordedReading]) -> str:
    """Return readings as a table, a line for each pad, corrections below their reading."""
    rows: list[tuple[str, ...]] = []
    notes: dict[int, list[str]] = {}
    for one in readings:
        for index, pad in enumerate(one.pads):
            first = (str(one.entry.seq), one.when.strftime("%Y-%m-%d %H:%M %z"), one.point or "-", one.sample or "-")
            means = "" if one.method.is_strip else f" [{one.method.words}]"
            what = "" if one.method.is_strip else f"{pad.analyte} "
            read = (f"{what}{pad_value(pad)}{means}", pad_interval(pad), _verdict(one, pad), one.entry.who)
            cells = (*(first if index == 0 else ("", "", "", "")), *map(str, read))
            rows.append(tuple(map(on_one_line, cells)))
        notes[len(rows)] = _notes(one)
    widths = [max(len(row[i]) for row in (_HEADS, *rows)) for i in range(len(_HEADS))]
    lines = [_line(_HEADS, widths)]
    for number, row in enumerate(rows, start=1):
        lines.append(_line(row, widths))
        lines += [f"{'':{widths[0]}}  {note}" for note in notes.get(number, ())]
    return "\n".join(lines)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    aligned = [c.rjust(w) if i == 0 else c.ljust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True))]
    return "  ".join(aligned).rstrip()


def _notes(one: RecordedReading) -> list[str]:
    lines = []
    if (diluted := recorded_dilution(one.entry.payload)) is not None:
        lines.append(f"diluted: {diluted}")
    if one.entry.supersedes is not None:
        why = on_one_line(one.entry.why or "no reason given")
        lines.append(f"in place of entry {one.entry.supersedes}: {why}")
    if one.superseded_by is not None:
        lines.append(f"superseded by entry {one.superseded_by}")
    return lines


def recorded_dilution(payload: Mapping[str, Any]) -> Message | None:
    """Return how a recorded reading's sample was diluted, and what the strip read; None where it was not."""
    dilution = dilution_of_payload((payload.get("how") or {}).get("diluted"))
    if dilution is None:
        return None
    pads = [pad for pad in payload.get("pads", ()) if pad.get("read_value") is not None]
    read = joined(
        with_unit(
            format_number(pad["read_value"], places_for(2 * pad["read_standard_uncertainty"])),
            pad["unit"],
            pad["analyte"],
        )
        for pad in pads
    )
    return (
        Message("%(dilution)s; the strip read %(read)s", dilution=dilution.words, read=read) if pads else dilution.words
    )


def reading_headline(one: RecordedReading) -> Headline:
    """Return the verdict that stands in the record, as it was given when the strip was read."""
    codes = {finding["code"] for finding in one.entry.payload.get("findings", ())}
    return headline_of(one.validity, {pad.range_state for pad in one.pads}, codes)


def pad_value(pad: RecordedPad) -> Shown:
    """Return a pad's value, or its bound."""
    if pad.value is not None and pad.u is not None and pad.unit in _CONVERTED:
        return InOwnUnits(number=pad.value, unit=pad.unit, places=places_for(2 * pad.u))
    if pad.value is not None and pad.u is not None:
        return with_unit(format_number(pad.value, places_for(2 * pad.u)), pad.unit, pad.analyte)
    if pad.censored is not None and pad.limit_value is not None:
        return bound_words(pad.censored, with_unit(bound(pad.limit_value, pad.censored), pad.unit, pad.analyte))
    return Message("no number")


def pad_interval(pad: RecordedPad) -> Shown:
    """Return a pad's 95 % interval, a dash where there is none."""
    if pad.value is None or pad.u is None:
        return Verbatim("-")
    if pad.low is not None and pad.high is not None and pad.unit in _CONVERTED:
        places = places_for(2 * pad.u)
        low = InOwnUnits(number=pad.low, unit=pad.unit, places=places, end="low")
        high = InOwnUnits(number=pad.high, unit=pad.unit, places=places, end="high")
        return Message("%(low)s to %(high)s", low=low, high=high)
    return format_interval((pad.low, pad.high), places_for(2 * pad.u))


def _verdict(one: RecordedReading, pad: RecordedPad) -> str:
    return one.validity if pad.range_state is None else f"{one.validity}, {pad.range_state}"


def entries_text(entries: Sequence[Entry]) -> str:
    """Return entries of any kind, a line each."""
    return "\n".join(entry_line(entry) for entry in entries)


def entry_line(entry: Entry) -> str:
    """Return one entry in a line."""
    place = f" in place of entry {entry.supersedes}: {entry.why}" if entry.supersedes is not None else ""
    state = " (withdrawn)" if entry.withdrawn else ""
    about = f" {entry.subject}" if entry.subject else ""
    text = f": {entry.payload['text']}" if entry.kind == "note" and "text" in entry.payload else ""
    when = entry.at.strftime("%Y-%m-%d %H:%M %z")
    said = f"{entry.kind.replace('_', ' ')}{about}{state}{text}{place}  [{entry.who}]"
    return f"{entry.seq:>6}  {when}  {on_one_line(said)}"


def entry_json(entry: Entry, *, superseded_by: int | None = None) -> dict[str, Any]:
    """Return what an entry says about itself; its payload stands beside it."""
    return {
        "seq": entry.seq,
        "kind": entry.kind,
        "at": entry.at.isoformat(),
        "zone": entry.zone_name,
        "who": entry.who,
        "software": entry.software,
        "subject": entry.subject,
        "supersedes": entry.supersedes,
        "superseded_by": superseded_by,
        "why": entry.why,
        "files": [{"role": f.role, "sha256": f.sha256, "name": f.name, "path": f.path} for f in entry.files],
        "hash": entry.hash,
    }


def reading_entry_json(one: RecordedReading) -> dict[str, Any]:
    """Return a recorded reading: the keys of ``read --json`` without timing, and ``entry``."""
    return {**one.entry.payload, "entry": entry_json(one.entry, superseded_by=one.superseded_by)}


def verification_text(found: Verification) -> str:
    """Return what verification found; its first line is the verdict."""
    lines = ["✔ INTACT" if found.intact else f"✘ NOT AS IT WAS WRITTEN: {found.problem_count} faults"]
    hashed = "" if found.files_hashed else " (only looked for, not read)"
    lines.append(f"  entries   {found.entries}")
    lines.append(f"  files     {found.files}{hashed}")
    lines.append(f"  head      {found.head}")
    lines += [f"  FAULT     {p.where}: {p.fault}; {p.found}" for p in found.problems]
    if found.problem_count > len(found.problems):
        lines.append(f"  FAULT     and {found.problem_count - len(found.problems)} more")
    if found.head_behind:
        lines.append(f"  info      the head beside the database lacks the last {found.head_behind} entries: a kill")
    lines += [f"  info      {where} was entered {step}: the computer's clock" for where, step in found.clock_steps]
    if found.orphan_count:
        shown = ", ".join(found.orphans[:3])
        lines.append(f"  info      {found.orphan_count} files that no entry names ({shown}): `stripread records tidy`")
    return "\n".join(lines)


def verification_json(found: Verification) -> dict[str, Any]:
    """Return what verification found."""
    return {
        "intact": found.intact,
        "entries": found.entries,
        "files": found.files,
        "files_hashed": found.files_hashed,
        "head": str(found.head),
        "fault_count": found.problem_count,
        "faults": [{"fault": p.fault, "where": p.where, "found": p.found} for p in found.problems],
        "head_behind": found.head_behind,
        "clock_steps": [{"where": where, "found": step} for where, step in found.clock_steps],
        "orphan_count": found.orphan_count,
        "orphans": list(found.orphans),
    }


def reread_text(reads: Sequence[Reread], *, dry_run: bool) -> str:
    """Return what reading a lot again moved."""
    lines = []
    for one in reads:
        where = f"entry {one.old.seq}" + (f" at {one.old.subject}" if one.old.subject else "")
        if one.why_not is not None:
            lines.append(f"  {where}: left as it is; {one.why_not}")
            continue
        new = f" -> entry {one.seq}" if one.seq is not None else ""
        moves = [f"{pad} {was:.3g} -> {now:.3g} ({by:+.1f} u)" for pad, was, now, by in one.shifts]
        judged = "; judged anew: " + _judged(one) if one.judged_anew else ""
        lines.append(f"  {where}{new}: {', '.join(moves) or 'no number to compare'}{judged}")
    read = [one for one in reads if one.new is not None]
    far = sum(any(abs(by) > _MOVED for *_, by in one.shifts) for one in read)
    lines.append(
        f"{len(read)} read again, {far} of them moved by more than their u, {sum(o.judged_anew for o in read)} judged "
        f"anew; {len(reads) - len(read)} left as they are" + ("; nothing was recorded" if dry_run else "")
    )
    return "\n".join(lines)


def _judged(one: Reread) -> str:
    def state(payload: Mapping[str, Any]) -> str:
        return f"{payload['validity']}, {payload['pads'][0]['range_state'] or 'no range'}"

    return f"{state(one.old.payload)} -> {state(one.new or {})}"


def reread_json(one: Reread) -> dict[str, Any]:
    """Return what became of one reading."""
    return {
        "entry": one.old.seq,
        "new_entry": one.seq,
        "point": one.old.payload.get("point"),
        "why_not": one.why_not,
        "judged_anew": one.judged_anew,
        "moved": [{"pad": pad, "was": was, "now": now, "in_u": by} for pad, was, now, by in one.shifts],
    }
