"""The sections of a period's report: batches, findings, lots, and what the record says of itself."""

from collections.abc import Iterator, Sequence

from stripread.findings import REGISTRY
from stripread.lot.lot import Lot
from stripread.lot.record import CheckRow, chart_scores
from stripread.lot.verify import broken_rules
from stripread.records.chain.entries import Entry
from stripread.records.queries.period import Episode, LotFacts, Period
from stripread.records.queries.standing import BatchStanding
from stripread.report.document.document import Alarm, Heading, Items, Part, Table, Words
from stripread.report.period.figures import check_figure
from stripread.report.period.words import MARKS, how_many, meaning, moment, span
from stripread.report.said import Say
from stripread.report.terminal.batch import off_range, sample_of
from stripread.report.terminal.records import pad_value
from stripread.site import Site
from stripread.units import Measured, Units, format_interval, format_number, places_for
from stripread.units.amounts import tell_volume

__all__ = ["batch_parts", "finding_parts", "lot_parts", "note_parts", "superseded_parts", "verification_parts"]


# --- batches ---------------------------------------------------------------------------------------------------------


def batch_parts(batches: Sequence[BatchStanding], site: Site, units: Units, say: Say) -> Iterator[Part]:
    """Return the batches with their mass balance."""
    yield Heading(say("Batches and their mass balance"))
    if not batches:
        yield Words(say("None were entered."))
        return
    yield Table(
        (
            say("batch"),
            say("made"),
            say("made of"),
            f"{say('recipe gives')} [mg/L]",
            f"{say('first reading')} [mg/L]",
            f"{say('last reading')} [mg/L]",
            say("mass balance"),
        ),
        [_batch_row(b, site, units, say) for b in batches],
        (11, 11, 22, 14, 14, 14, 18),
        frozenset((3, 4, 5)),
    )
    yield Words(
        say("With 95 % intervals. A recipe is held against the first valid reading: later ones have lost strength."),
        small=True,
    )


def _batch_row(batch: BatchStanding, site: Site, units: Units, say: Say) -> tuple[str, ...]:
    said = batch.said
    of = " + ".join(
        say("%(amount)s of %(what)s") % {"amount": tell_volume(p.volume_l, units), "what": p.batch or say("a solution")}
        for p in said.parts
    )
    water = say("%(water_l)s of water") % {"water_l": tell_volume(said.water_l, units)}
    parts = of or say(said.source or "")
    last = batch.readings[-1] if len(batch.readings) > 1 else None
    return (
        said.id,
        moment(said.made_at, say),
        say("%(parts)s in %(water)s") % {"parts": parts, "water": water} if parts else water,
        _strength(batch.recipe, say),
        _strength(batch.first, say),
        "" if last is None else f"{_strength(last[1], say)}, {moment(last[0], say)}",
        _balance(batch, site, say),
    )


def _balance(batch: BatchStanding, site: Site, say: Say) -> str:
    """Say in words whether recipe, range and first reading go together."""
    if batch.recipe is None:
        return say("? recipe unknown")
    words = []
    name = sample_of(batch.said)
    if off_range(batch.recipe, site, name) is not None:
        expected = site.samples[name].main
        cannot = say("✘ RECIPE CANNOT GIVE %(low)s to %(high)s mg/L")
        words.append(cannot % {"low": f"{expected.low:g}", "high": f"{expected.high:g}"})
    if batch.first is not None:
        words.append(say("▲ reading DIFFERS from recipe") if batch.finding else say("✔ reading agrees with recipe"))
    return "; ".join(words) or say("never read")


def _strength(strength: Measured | None, say: Say) -> str:
    if strength is None:
        return ""
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return f"{format_number(strength.value, places)} ({say(format_interval(strength.interval, places))})"


# --- findings --------------------------------------------------------------------------------------------------------


def finding_parts(episodes: Sequence[Episode], say: Say) -> Iterator[Part]:
    """Return what was found, and what was done about it."""
    yield Heading(say("Findings, and what was done"))
    if not episodes:
        yield Words(say("None but remarks."))
        return
    yield Table(
        (say("when"), say("where"), say("what was found"), say("advice given"), say("what was done")),
        [(span(e, say), ", ".join(e.points), _found(e, say), say(e.advice), _done(e, say)) for e in episodes],
        (11, 11, 32, 22, 26),
    )
    yield Words(say("Findings of one kind that are less than three days apart are one row."), small=True)


def _found(episode: Episode, say: Say) -> str:
    more = len(episode.readings) - 1
    also = f" {say('And in %(readings)s more.') % {'readings': how_many(more, say)}}" if more else ""
    entries = ", ".join(str(r.entry.seq) for r in episode.readings[:6]) + (", ..." if more >= 6 else "")
    found = f"{MARKS[episode.severity]} {meaning(episode.code, say)} {say(episode.message)}{also}"
    return f"{found} [{say('entry')} {entries}]"


def _done(episode: Episode, say: Say) -> str:
    words = [f"{say('Note of %(when)s') % {'when': moment(n.entry.at, say)}}: {n.said.text}" for n in episode.notes]
    made = say("%(when)s: %(kind)s %(batch)s made.")
    words += [made % {"when": moment(b.made_at, say), "kind": say(b.kind), "batch": b.id} for b in episode.made]
    about_water = episode.code in REGISTRY and REGISTRY[episode.code].about == "sample"
    if episode.righted is not None:
        again = (
            say("Read within range again on %(when)s: %(value)s.")
            if about_water
            else say("Read well again on %(when)s: %(value)s.")
        )
        when, value = moment(episode.righted.when, say), say(pad_value(episode.righted.main))
        words.append(again % {"when": when, "value": value})
    elif about_water:
        words.append(say("No reading within range followed in this period."))
    return " ".join(words) or say("Nothing entered.")


# --- lots ------------------------------------------------------------------------------------------------------------


def lot_parts(lots: Sequence[LotFacts], say: Say) -> Iterator[Part]:
    """Return the lots with their check standards."""
    yield Heading(say("Lots and check standards"))
    if not lots:
        yield Words(say("No lot was read with."))
        return
    yield Table(
        (
            say("lot"),
            say("strip kind"),
            say("expires"),
            say("readings"),
            say("after its date"),
            say("check standards"),
            say("control chart"),
        ),
        [_lot_row(f, say) for f in lots],
        (11, 15, 14, 11, 10, 19, 28),
        frozenset((3, 4)),
    )
    for facts in lots:
        if facts.lot is not None and len(_counting(facts.checks, facts.lot)) > 1:
            yield check_figure(facts.checks, facts.lot, say)
    for facts in lots:
        if facts.checks and facts.lot is not None:
            yield Heading(say("Checks of lot %(lot)s") % {"lot": facts.number}, level=3)
            unit = facts.lot.pads[0].unit
            yield Table(
                (say("when"), f"{say('known')} [{unit}]", f"{say('read')} [{unit}]", "E_n", say("remark")),
                [_check_row(c, say) for c in facts.checks],
                (20, 20, 30, 10, 28),
                frozenset((1, 2, 3)),
            )


def _lot_row(facts: LotFacts, say: Say) -> tuple[str, ...]:
    lot = facts.lot
    if lot is None:
        return facts.number, "?", say("its file cannot be read"), str(facts.readings), "?", "", ""
    expired = f" {say('▲ EXPIRED')}" if facts.late else ""
    scores = _counting(facts.checks, lot)
    broken = "; ".join(say(rule) for rule in broken_rules(scores))
    chart = f"▲ {broken}" if broken else say("✔ within its limits") if scores else say("▲ no valid check")
    return (
        facts.number,
        lot.kind,
        f"{lot.expires.isoformat()}{expired}",
        str(facts.readings),
        str(facts.late),
        say("%(checks)s, of them %(valid)s valid") % {"checks": len(facts.checks), "valid": len(scores)},
        chart,
    )


def _counting(checks: Sequence[CheckRow], lot: Lot) -> list[float]:
    return list(chart_scores(checks, pad=lot.pads[0].pad, lot_sha256=lot.sha256))


def _check_row(row: CheckRow, say: Say) -> tuple[str, ...]:
    read = say("no number")
    if row.value is not None and row.u is not None:
        places = places_for(2 * row.u)
        read = f"{format_number(row.value, places)} ({say(format_interval((row.low, row.high), places))})"
    e_n = "" if row.e_n is None else format_number(row.e_n, 2)
    agrees = "" if row.e_n is None else say("✔ agrees") if abs(row.e_n) <= 1 else say("▲ DIFFERS")
    doubts = f"{say('doubtful')}: {', '.join(row.findings)}" if row.findings else ""
    known = f"{row.known:g} (u {row.u_known:g})"
    return f"{row.read_at:%Y-%m-%d %H:%M}", known, read, e_n, "; ".join(filter(None, (agrees, doubts)))


# --- the record ------------------------------------------------------------------------------------------------------


def note_parts(period: Period, say: Say) -> Iterator[Part]:
    """Return the injector's settings and the notes."""
    ratio = {"in": say("1 part in %(ratio)s"), "to": say("1 part to %(ratio)s")}
    settings = [
        f"{moment(s.since, say)} {s.injector}: {ratio[s.convention] % {'ratio': f'{s.ratio:g}'}}"
        for s in period.injector
    ]
    yield Heading(say("Injector and notes"))
    all_settings = say("Settings: %(settings)s.") % {"settings": "; ".join(settings)}
    yield Words(all_settings if settings else say("No setting of an injector was entered."))
    if period.notes:
        yield Table(
            (say("when"), say("by"), say("about"), say("note")),
            [(moment(n.entry.at, say), n.entry.who, _entry(n.said.about, say), n.said.text) for n in period.notes],
            (14, 12, 12, 62),
        )


def _entry(seq: int | None, say: Say) -> str:
    return "" if seq is None else f"{say('entry')} {seq}"


def superseded_parts(pairs: Sequence[tuple[Entry, Entry]], say: Say) -> Iterator[Part]:
    """Return the entries that hold no longer."""
    yield Heading(say("Superseded entries"))
    if not pairs:
        yield Words(say("None: nothing entered in this period stands in the place of another entry."))
        return
    yield Table(
        (say("entry"), say("what"), say("now"), say("when and by whom"), say("why")),
        [
            (
                str(old.seq),
                f"{say(old.kind.replace('_', ' '))} {old.subject or ''}".strip(),
                say("withdrawn") if new.withdrawn else _entry(new.seq, say),
                f"{moment(new.at, say)}, {new.who}",
                new.why or say("said anew"),
            )
            for old, new in pairs
        ],
        (9, 22, 14, 22, 33),
        frozenset((0,)),
    )


def verification_parts(period: Period, say: Say) -> Iterator[Part]:
    """Return whether the record is as it was written."""
    found = period.verification
    yield Heading(say("Is the record as it was written?"))
    if found.intact:
        words = say(
            "✔ INTACT: %(entries)s entries and %(files)s files of the whole record, each held against its hash and the "
            "one before it."
        )
        yield Words(words % {"entries": found.entries, "files": found.files})
    else:
        yield Alarm(say("✘ NOT AS IT WAS WRITTEN; faults: %(count)s.") % {"count": found.problem_count})
        yield Items(tuple(f"{say(p.where)}: {say(p.fault)}; {say(p.found)}" for p in found.problems))
    yield Words(
        say(
            "Head of the chain: %(head)s. Kept elsewhere, as on this page, it proves later that nothing before it was "
            "rewritten: stripread records verify --anchor."
        )
        % {"head": found.head},
        small=True,
    )
