"""The report of a period: the record's facts put into words, tables and pictures for an auditor and for the grower."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from stripread import __version__
from stripread.check.verdict import CAUTION
from stripread.findings import REGISTRY
from stripread.lot.lot import Lot
from stripread.lot.record import CheckRow, chart_scores
from stripread.lot.verify import broken_rules
from stripread.measured import Measured
from stripread.numbers import counted, format_interval, format_number, places_for
from stripread.records.entries import Entry
from stripread.records.period import BatchFacts, Episode, LotFacts, Period, PointFacts
from stripread.records.queries import RecordedReading
from stripread.report.document import Alarm, Document, Heading, Items, Part, Table, Words
from stripread.report.period_figures import check_figure, trend_figure
from stripread.report.records_text import pad_interval, pad_value
from stripread.site import Site
from stripread.water.recipe import recipe_finding, recipe_range_finding

__all__ = ["period_report"]

# What mostly follows from something else: told in a few words after what was wrong with strip, lot, batch or line.
_FOLLOWS = {
    "out_of_range": "out of range",
    "jump_at_point": "unlike before",
    "stock_past_its_time": "stock past its time",
}
_IN_SUMMARY = 10
_MARKS = {"error": "✘", "warning": "▲"}


def period_report(period: Period, site: Site, *, made_at: datetime) -> Document:
    """Return the report.

    Raises
    ------
    MissingExtraError
        Without matplotlib, for the figures.
    """
    last = period.end - timedelta(days=1)
    parts = (
        *_summary(period),
        *_points(period.points, site),
        *_batches(period.batches, site),
        *_episodes(period.episodes),
        *_lots(period.lots, made_at),
        *_notes(period),
        *_superseded(period.superseded),
        *_verification(period),
        Heading("Cautions"),
        Items((
            "Not for drinking water compliance, medicine or food: no approved method, no licensed laboratory.",
            "Not a clearance: that a number is low does not mean that air or water is safe.",
            CAUTION,
        )),
    )  # fmt: skip
    return Document(
        title=f"{period.site}: water record",
        subtitle=f"{_day(period.start)} to {_day(last)}",
        parts=parts,
        footer=f"{period.site}, {period.start.date()} to {last.date()}. Written by stripread {__version__} on "
        f"{made_at.date()}, record {str(period.verification.head)[:16]}...",
    )


# --- summary ---------------------------------------------------------------------------------------------------------


def _summary(period: Period) -> Iterator[Part]:
    yield Heading("In short")
    yield Words(_counts(period.readings, len([p for p in period.points if p.states])))
    intact = period.verification.intact
    yield (
        Words(f"✔ The record is as it was written: {period.verification.entries} entries, "
              f"{period.verification.files} files, none changed, removed or put in.")
        if intact
        else Alarm("✘ The record is NOT as it was written; see the last section.")
    )  # fmt: skip
    if not period.episodes:
        yield Words("✔ Nothing was found wrong with strips, lots, batches or water.")
        return
    photos = [e for e in period.episodes if _of_photo(e.code)]
    follows = [e for e in period.episodes if e.code in _FOLLOWS]
    causes = [e for e in period.episodes if e not in photos and e not in follows]
    if causes:
        yield Words("What was found:")
        yield Items(tuple(_sentence(e) for e in causes[:_IN_SUMMARY]), numbered=True)
        if len(causes) > _IN_SUMMARY:
            yield Words(f"And {len(causes) - _IN_SUMMARY} more, under “Findings, and what was done”.")
    if follows:
        yield Words(f"What it was at the points: {'; '.join(_short(e) for e in follows)}.")
    if photos:
        yield Words(f"Photos to be retaken: {sum(len(e.readings) for e in photos)}.")


def _counts(readings: Sequence[RecordedReading], points: int) -> str:
    judged = Counter(_state(r) for r in readings)
    words = [f"{judged[name]} {text}" for name, text in _STATES.items() if judged[name]]
    return f"{counted(len(readings), 'reading')} at {counted(points, 'point')}: {', '.join(words) or 'none'}."


_STATES = {
    "within": "within range",
    "out": "out of range",
    "undecided": "undecided, as their interval straddles a limit",
    "doubtful": "doubtful measurements",
    "invalid": "invalid measurements",
    "unjudged": "without an expected range",
}


def _state(reading: RecordedReading) -> str:
    if reading.validity != "valid":
        return reading.validity
    state = reading.main.range_state or "unjudged"
    return "out" if state in ("below", "above") else state


def _of_photo(code: str) -> bool:
    """Tell whether a finding only says that a photo was not good, which a retake mends."""
    return code.startswith(("photo_", "pad_", "card_", "glare", "shadow", "mixed", "poor_", "flash_", "patch_"))


def _sentence(episode: Episode) -> str:
    count = len(episode.readings)
    many = f" ({counted(count, 'reading')})" if count > 1 else ""
    state = "" if episode.righted is None else f" In order again on {_moment(episode.righted.when)}."
    return (
        f"{_MARKS[episode.severity]} {_span(episode)}, {', '.join(episode.points)}{many}: {_meaning(episode.code)} "
        f"{episode.message}{state}"
    )


def _short(episode: Episode) -> str:
    return f"{_FOLLOWS[episode.code]} {_span(episode)} ({', '.join(episode.points)})"


def _meaning(code: str) -> str:
    return REGISTRY[code].meaning if code in REGISTRY else f"{code}."


def _span(episode: Episode) -> str:
    first, last = episode.first, episode.last
    return _day(first) if first.date() == last.date() else f"{_day(first)} to {_day(last)}"


def _day(when: datetime) -> str:
    return f"{when.day} {when:%b %Y}"


def _moment(when: datetime) -> str:
    return f"{when.day} {when:%b %H:%M}"


# --- points ----------------------------------------------------------------------------------------------------------


def _points(points: Sequence[PointFacts], site: Site) -> Iterator[Part]:
    yield Heading("Points")
    rows = [_point_row(p, site) for p in points]
    if not rows:
        yield Words("No points, and no readings at any.")
        return
    yield Table(
        (
            "point",
            "verdict",
            "expected",
            "readings",
            "within",
            "out",
            "undecided",
            "doubtful or invalid",
            "last reading",
        ),
        rows,
        (11, 17, 13, 10, 8, 6, 11, 10, 19),
        frozenset(range(3, 8)),
    )
    yield Words(
        "Within, out, undecided: of the valid readings, by their 95 % interval. A doubtful or invalid one is no good "
        "measurement and is not judged here, whatever it reads.",
        small=True,
    )
    for point in points:
        if point.trend.readings:
            yield trend_figure(point, site)


def _point_row(point: PointFacts, site: Site) -> tuple[str, ...]:
    readings = point.trend.readings
    states = Counter(_state(r) for r in readings)
    said = point.said
    expected = "" if said is None or said.sample not in site.samples else str(site.samples[said.sample].main)
    last = "none"
    if readings:
        pad = readings[-1].main
        last = f"{_moment(readings[-1].when)}: {pad_value(pad)}"
        last += f" ({pad_interval(pad)})" if pad.value is not None else ""
    return (
        point.name,
        _point_verdict(states),
        expected,
        str(len(readings)),
        str(states["within"]),
        str(states["out"]),
        str(states["undecided"]),
        str(states["doubtful"] + states["invalid"]),
        last,
    )


def _point_verdict(states: "Counter[str]") -> str:
    if not states:
        return "? NOT SAMPLED"
    if states["out"]:
        return f"▲ OUT OF RANGE in {counted(states['out'], 'reading')}"
    if states["undecided"]:
        return "? NOT ALWAYS CLEAR"
    return "✔ IN RANGE" if states["within"] else "? NO VALID READING"


# --- batches ---------------------------------------------------------------------------------------------------------


def _batches(batches: Sequence[BatchFacts], site: Site) -> Iterator[Part]:
    yield Heading("Batches and their mass balance")
    if not batches:
        yield Words("None were entered.")
        return
    yield Table(
        ("batch", "made", "of", "recipe gives [mg/L]", "first reading [mg/L]", "last reading [mg/L]", "mass balance"),
        [_batch_row(b, site) for b in batches],
        (8, 12, 24, 14, 14, 14, 18),
        frozenset((3, 4, 5)),
    )
    yield Words("With 95 % intervals. A recipe is held against the first valid reading: later ones have lost strength.",
                small=True)  # fmt: skip


def _batch_row(facts: BatchFacts, site: Site) -> tuple[str, ...]:
    said = facts.said
    of = " + ".join(f"{p.volume_l:.1f} L of {p.batch or 'a solution'}" for p in said.parts) or said.source or ""
    first = facts.readings[0][1] if facts.readings else None
    last = facts.readings[-1] if len(facts.readings) > 1 else None
    return (
        said.id,
        _moment(said.made_at),
        f"{of}{' in ' if of else ''}{said.water_l:.1f} L of water",
        _strength(facts.recipe),
        _strength(first),
        "" if last is None else f"{_strength(last[1])}, {_moment(last[0])}",
        _balance(facts, first, site),
    )


def _balance(facts: BatchFacts, first: Measured | None, site: Site) -> str:
    """Say in words whether recipe, range and first reading go together."""
    name = "concentrate" if facts.said.kind == "concentrate" else "stock"
    if facts.recipe is None:
        return "? recipe unknown"
    words = []
    if name in site.samples:
        expected = site.samples[name].main
        if recipe_range_finding(facts.recipe, low=expected.low, high=expected.high) is not None:
            words.append(f"✘ RECIPE CANNOT GIVE {expected.low:g} to {expected.high:g} mg/L")
    if first is not None:
        differs = recipe_finding(facts.recipe, first) is not None
        words.append("▲ reading DIFFERS from recipe" if differs else "✔ reading agrees with recipe")
    return "; ".join(words) or "never read"


def _strength(strength: Measured | None) -> str:
    if strength is None:
        return ""
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return f"{format_number(strength.value, places)} ({format_interval(strength.interval, places)})"


# --- findings --------------------------------------------------------------------------------------------------------


def _episodes(episodes: Sequence[Episode]) -> Iterator[Part]:
    yield Heading("Findings, and what was done")
    if not episodes:
        yield Words("None but remarks.")
        return
    yield Table(
        ("when", "where", "what was found", "advice given", "what was done"),
        [(_span(e), ", ".join(e.points), _found(e), e.advice, _done(e)) for e in episodes],
        (11, 11, 32, 22, 26),
    )
    yield Words("Findings of one kind that are less than three days apart are one row.", small=True)


def _found(episode: Episode) -> str:
    more = len(episode.readings) - 1
    also = f" And in {counted(more, 'reading')} more." if more else ""
    entries = ", ".join(str(r.entry.seq) for r in episode.readings[:6]) + (", ..." if more >= 6 else "")
    return f"{_MARKS[episode.severity]} {_meaning(episode.code)} {episode.message}{also} [entry {entries}]"


def _done(episode: Episode) -> str:
    words = [f"Note of {_moment(n.entry.at)}: {n.said.text}" for n in episode.notes]
    words += [f"{_moment(b.made_at)}: {b.kind} {b.id} made." for b in episode.made]
    if episode.righted is not None:
        words.append(f"Read within range again on {_moment(episode.righted.when)}: {pad_value(episode.righted.main)}.")
    elif REGISTRY[episode.code].about == "sample" if episode.code in REGISTRY else False:
        words.append("No reading within range followed in this period.")
    return " ".join(words) or "Nothing entered."


# --- lots ------------------------------------------------------------------------------------------------------------


def _lots(lots: Sequence[LotFacts], made_at: datetime) -> Iterator[Part]:
    yield Heading("Lots and check standards")
    if not lots:
        yield Words("No lot was read with.")
        return
    yield Table(
        ("lot", "strip kind", "expires", "readings", "after its date", "check standards", "control chart"),
        [_lot_row(f) for f in lots],
        (11, 15, 14, 9, 10, 19, 30),
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


def _notes(period: Period) -> Iterator[Part]:
    settings = [
        f"{_moment(s.since)} {s.injector}: 1 part {'in' if s.convention == 'in' else 'to'} {s.ratio:g}"
        for s in period.injector
    ]
    yield Heading("Injector and notes")
    yield Words(f"Settings: {'; '.join(settings)}." if settings else "No setting of an injector was entered.")
    if period.notes:
        yield Table(
            ("when", "by", "about", "note"),
            [
                (_moment(n.entry.at), n.entry.who, "" if n.said.about is None else f"entry {n.said.about}", n.said.text)
                for n in period.notes
            ],
            (14, 12, 12, 62),
        )


def _superseded(pairs: Sequence[tuple[Entry, Entry]]) -> Iterator[Part]:
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
                f"{_moment(new.at)}, {new.who}",
                new.why or "said anew",
            )
            for old, new in pairs
        ],
        (9, 22, 14, 22, 33),
        frozenset((0,)),
    )


def _verification(period: Period) -> Iterator[Part]:
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
