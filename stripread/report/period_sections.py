"""The sections of a period's report: batches, findings, lots, and what the record says of itself."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from stripread.findings import REGISTRY
from stripread.lot.lot import Lot
from stripread.lot.record import CheckRow, chart_scores
from stripread.lot.verify import broken_rules
from stripread.measured import Measured
from stripread.numbers import counted, format_interval, format_number, places_for
from stripread.quantities import Units
from stripread.records.entries import Entry
from stripread.records.period import Episode, LotFacts, Period
from stripread.records.standing import BatchStanding
from stripread.report.amounts import tell_volume
from stripread.report.batch_text import off_range, sample_of
from stripread.report.document import Alarm, Heading, Items, Part, Table, Words
from stripread.report.period_figures import check_figure
from stripread.report.period_words import MARKS, meaning, moment, span
from stripread.report.records_text import pad_value
from stripread.site import Site

__all__ = ["batch_parts", "finding_parts", "lot_parts", "note_parts", "superseded_parts", "verification_parts"]


# --- batches ---------------------------------------------------------------------------------------------------------


def batch_parts(batches: Sequence[BatchStanding], site: Site, units: Units) -> Iterator[Part]:
    """Return the batches with their mass balance."""
    yield Heading("Batches and their mass balance")
    if not batches:
        yield Words("None were entered.")
        return
    yield Table(
        ("batch", "made", "of", "recipe gives [mg/L]", "first reading [mg/L]", "last reading [mg/L]", "mass balance"),
        [_batch_row(b, site, units) for b in batches],
        (8, 12, 24, 14, 14, 14, 18),
        frozenset((3, 4, 5)),
    )
    yield Words("With 95 % intervals. A recipe is held against the first valid reading: later ones have lost strength.",
                small=True)  # fmt: skip


def _batch_row(batch: BatchStanding, site: Site, units: Units) -> tuple[str, ...]:
    said = batch.said
    parts = (f"{tell_volume(p.volume_l, units)} of {p.batch or 'a solution'}" for p in said.parts)
    of = " + ".join(parts) or said.source or ""
    last = batch.readings[-1] if len(batch.readings) > 1 else None
    return (
        said.id,
        moment(said.made_at),
        f"{of}{' in ' if of else ''}{tell_volume(said.water_l, units)} of water",
        _strength(batch.recipe),
        _strength(batch.first),
        "" if last is None else f"{_strength(last[1])}, {moment(last[0])}",
        _balance(batch, site),
    )


def _balance(batch: BatchStanding, site: Site) -> str:
    """Say in words whether recipe, range and first reading go together."""
    if batch.recipe is None:
        return "? recipe unknown"
    words = []
    name = sample_of(batch.said)
    if off_range(batch.recipe, site, name) is not None:
        expected = site.samples[name].main
        words.append(f"✘ RECIPE CANNOT GIVE {expected.low:g} to {expected.high:g} mg/L")
    if batch.first is not None:
        words.append("▲ reading DIFFERS from recipe" if batch.finding else "✔ reading agrees with recipe")
    return "; ".join(words) or "never read"


def _strength(strength: Measured | None) -> str:
    if strength is None:
        return ""
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return f"{format_number(strength.value, places)} ({format_interval(strength.interval, places)})"


# --- findings --------------------------------------------------------------------------------------------------------


def finding_parts(episodes: Sequence[Episode]) -> Iterator[Part]:
    """Return what was found, and what was done about it."""
    yield Heading("Findings, and what was done")
    if not episodes:
        yield Words("None but remarks.")
        return
    yield Table(
        ("when", "where", "what was found", "advice given", "what was done"),
        [(span(e), ", ".join(e.points), _found(e), e.advice, _done(e)) for e in episodes],
        (11, 11, 32, 22, 26),
    )
    yield Words("Findings of one kind that are less than three days apart are one row.", small=True)


def _found(episode: Episode) -> str:
    more = len(episode.readings) - 1
    also = f" And in {counted(more, 'reading')} more." if more else ""
    entries = ", ".join(str(r.entry.seq) for r in episode.readings[:6]) + (", ..." if more >= 6 else "")
    return f"{MARKS[episode.severity]} {meaning(episode.code)} {episode.message}{also} [entry {entries}]"


def _done(episode: Episode) -> str:
    words = [f"Note of {moment(n.entry.at)}: {n.said.text}" for n in episode.notes]
    words += [f"{moment(b.made_at)}: {b.kind} {b.id} made." for b in episode.made]
    about_water = episode.code in REGISTRY and REGISTRY[episode.code].about == "sample"
    if episode.righted is not None:
        again = "Read within range again" if about_water else "Read well again"
        words.append(f"{again} on {moment(episode.righted.when)}: {pad_value(episode.righted.main)}.")
    elif about_water:
        words.append("No reading within range followed in this period.")
    return " ".join(words) or "Nothing entered."


# --- lots ------------------------------------------------------------------------------------------------------------


def lot_parts(lots: Sequence[LotFacts], made_at: datetime) -> Iterator[Part]:
    """Return the lots with their check standards."""
    yield Heading("Lots and check standards")
    if not lots:
        yield Words("No lot was read with.")
        return
    yield Table(
        ("lot", "strip kind", "expires", "readings", "after its date", "check standards", "control chart"),
        [_lot_row(f) for f in lots],
        (11, 15, 14, 11, 10, 19, 28),
        frozenset((3, 4)),
    )
    for facts in lots:
        if facts.lot is not None and len(_counting(facts.checks, facts.lot)) > 1:
            yield check_figure(facts.checks, facts.lot)
    for facts in lots:
        if facts.checks and facts.lot is not None:
            yield Heading(f"Checks of lot {facts.number}", level=3)
            unit = facts.lot.pads[0].unit
            yield Table(
                ("when", f"known [{unit}]", f"read [{unit}]", "E_n", "remark"),
                [_check_row(c) for c in facts.checks],
                (20, 20, 30, 10, 28),
                frozenset((1, 2, 3)),
            )


def _lot_row(facts: LotFacts) -> tuple[str, ...]:
    lot = facts.lot
    if lot is None:
        return facts.number, "?", "its file cannot be read", str(facts.readings), "?", "", ""
    expired = " ▲ EXPIRED" if facts.late else ""
    scores = _counting(facts.checks, lot)
    broken = broken_rules(scores)
    chart = "▲ " + "; ".join(broken) if broken else "✔ within its limits" if scores else "▲ no valid check"
    return (
        facts.number,
        lot.kind,
        f"{lot.expires.isoformat()}{expired}",
        str(facts.readings),
        str(facts.late),
        f"{counted(len(facts.checks), 'check')}, {len(scores)} valid",
        chart,
    )


def _counting(checks: Sequence[CheckRow], lot: Lot) -> list[float]:
    return list(chart_scores(checks, pad=lot.pads[0].pad, lot_sha256=lot.sha256))


def _check_row(row: CheckRow) -> tuple[str, ...]:
    read = "no number"
    if row.value is not None and row.u is not None:
        places = places_for(2 * row.u)
        read = f"{format_number(row.value, places)} ({format_interval((row.low, row.high), places)})"
    e_n = "" if row.e_n is None else format_number(row.e_n, 2)
    agrees = "" if row.e_n is None else "✔ agrees" if abs(row.e_n) <= 1 else "▲ DIFFERS"
    doubts = f"doubtful: {', '.join(row.findings)}" if row.findings else ""
    known = f"{row.known:g} (u {row.u_known:g})"
    return f"{row.when:%Y-%m-%d %H:%M}", known, read, e_n, "; ".join(filter(None, (agrees, doubts)))


# --- the record ------------------------------------------------------------------------------------------------------


def note_parts(period: Period) -> Iterator[Part]:
    """Return the injector's settings and the notes."""
    settings = [
        f"{moment(s.since)} {s.injector}: 1 part {'in' if s.convention == 'in' else 'to'} {s.ratio:g}"
        for s in period.injector
    ]
    yield Heading("Injector and notes")
    yield Words(f"Settings: {'; '.join(settings)}." if settings else "No setting of an injector was entered.")
    if period.notes:
        yield Table(
            ("when", "by", "about", "note"),
            [
                (moment(n.entry.at), n.entry.who, "" if n.said.about is None else f"entry {n.said.about}", n.said.text)
                for n in period.notes
            ],
            (14, 12, 12, 62),
        )


def superseded_parts(pairs: Sequence[tuple[Entry, Entry]]) -> Iterator[Part]:
    """Return the entries that hold no longer."""
    yield Heading("Superseded entries")
    if not pairs:
        yield Words("None: nothing entered in this period stands in the place of another entry.")
        return
    yield Table(
        ("entry", "what", "now", "when and by whom", "why"),
        [
            (
                str(old.seq),
                f"{old.kind.replace('_', ' ')} {old.subject or ''}".strip(),
                "withdrawn" if new.withdrawn else f"entry {new.seq}",
                f"{moment(new.at)}, {new.who}",
                new.why or "said anew",
            )
            for old, new in pairs
        ],
        (9, 22, 14, 22, 33),
        frozenset((0,)),
    )


def verification_parts(period: Period) -> Iterator[Part]:
    """Return whether the record is as it was written."""
    found = period.verification
    yield Heading("Is the record as it was written?")
    if found.intact:
        yield Words(
            f"✔ INTACT: {found.entries} entries and {found.files} files of the whole record, each held against its "
            "hash and the one before it."
        )
    else:
        yield Alarm(f"✘ NOT AS IT WAS WRITTEN: {counted(found.problem_count, 'fault')}.")
        yield Items(tuple(f"{p.where}: {p.fault}; {p.found}" for p in found.problems))
    yield Words(
        f"Head of the chain: {found.head}. Kept elsewhere, as on this page, it proves later that nothing before it was "
        "rewritten: stripread records verify --anchor.",
        small=True,
    )
