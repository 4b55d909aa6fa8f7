"""The sections of a period's report: batches, findings, lots, and what the record says of itself."""

from collections.abc import Iterator, Sequence

from stripread.findings import REGISTRY
from stripread.i18n import Joined, Message, Number, Say
from stripread.lot import CheckRow, Lot, broken_rules, chart_scores
from stripread.records import BatchStanding, Entry, Episode, InjectorSetting, LotFacts, Note, Period, when_noted
from stripread.report.document.document import Alarm, Heading, Items, Part, Table, Words
from stripread.report.period.figures import check_figure
from stripread.report.period.words import MARKS, how_many, meaning, moment, span
from stripread.report.study.words import lot_proven_words
from stripread.report.terminal.batch import off_range
from stripread.report.terminal.records import pad_value
from stripread.site import Site
from stripread.units import Measured, System, format_interval, format_number, places_for, tell_volume

__all__ = ["section_parts"]


def section_parts(period: Period, site: Site, units: System, say: Say) -> Iterator[Part]:
    """Return all sections in their order."""
    yield from _batches(period.batches, site, units, say)
    yield from _findings(period.episodes, say)
    yield from _lots(period.lots, say)
    yield from _notes(period, say)
    yield from _superseded(period.superseded, say)
    yield from _verification(period, say)


# --- batches ---------------------------------------------------------------------------------------------------------


def _batches(batches: Sequence[BatchStanding], site: Site, units: System, say: Say) -> Iterator[Part]:
    """Return the batches with their mass balance."""
    yield Heading(say(Message("Batches and their mass balance")))
    if not batches:
        yield Words(say(Message("None were entered.")))
        return
    yield Table(
        (
            say(Message("batch")),
            say(Message("made")),
            say(Message("made of")),
            say(Joined((Message("recipe gives"), "[mg/L]"))),
            say(Joined((Message("first reading"), "[mg/L]"))),
            say(Joined((Message("last reading"), "[mg/L]"))),
            say(Message("mass balance")),
        ),
        [_batch_row(b, site, units, say) for b in batches],
        (11, 11, 22, 14, 14, 14, 18),
        frozenset((3, 4, 5)),
    )
    yield Words(
        say(
            Message(
                "With 95 % intervals. A recipe is held against the first valid reading: later ones have lost strength."
            )
        ),
        small=True,
    )


def _batch_row(batch: BatchStanding, site: Site, units: System, say: Say) -> tuple[str, ...]:
    said = batch.said
    of = " + ".join(
        say(
            Message(
                "%(amount)s of %(what)s",
                amount=tell_volume(p.volume_l, units),
                what=p.batch or say(Message("a solution")),
            )
        )
        for p in said.parts
    )
    water = say(Message("%(water_l)s of water", water_l=tell_volume(said.water_l, units)))
    parts = of or (say(Message(said.source)) if said.source else "")
    last = batch.readings[-1] if len(batch.readings) > 1 else None
    return (
        said.id,
        moment(said.made_at, say),
        say(Message("%(parts)s in %(water)s", parts=parts, water=water)) if parts else water,
        _strength(batch.recipe, say),
        _strength(batch.first, say),
        "" if last is None else f"{_strength(last[1], say)}, {moment(last[0], say)}",
        _balance(batch, site, say),
    )


def _balance(batch: BatchStanding, site: Site, say: Say) -> str:
    """Say in words whether recipe, range and first reading go together."""
    if batch.recipe is None:
        return say(Message("? recipe unknown"))
    words = []
    if batch.example:
        words.append(say(Message("▲ recipe by EXAMPLE FIGURES of an invented sachet")))
    sample = site.sample_of_batch(batch.said.kind)
    if sample is not None and off_range(batch.recipe, sample) is not None:
        low, high = Number(sample.main.low, "g"), Number(sample.main.high, "g")
        words.append(say(Message("✘ RECIPE CANNOT GIVE %(low)s to %(high)s mg/L", low=low, high=high)))
    if batch.first is not None:
        words.append(
            say(Message("▲ reading DIFFERS from recipe"))
            if batch.finding
            else say(Message("✔ reading agrees with recipe"))
        )
    return "; ".join(words) or say(Message("never read"))


def _strength(strength: Measured | None, say: Say) -> str:
    if strength is None:
        return ""
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return f"{format_number(strength.value, places)} ({say(format_interval(strength.interval, places))})"


# --- findings --------------------------------------------------------------------------------------------------------


def _findings(episodes: Sequence[Episode], say: Say) -> Iterator[Part]:
    """Return what was found, and what was done about it."""
    yield Heading(say(Message("Findings, and what was done")))
    if not episodes:
        yield Words(say(Message("None but remarks.")))
        return
    yield Table(
        (
            say(Message("when")),
            say(Message("where")),
            say(Message("what was found")),
            say(Message("advice given")),
            say(Message("what was done")),
        ),
        [(span(e, say), ", ".join(e.points), _found(e, say), say(e.advice), _done(e, say)) for e in episodes],
        (11, 11, 32, 22, 26),
    )
    yield Words(say(Message("Findings of one kind that are less than three days apart are one row.")), small=True)


def _found(episode: Episode, say: Say) -> str:
    more = len(episode.readings) - 1
    also = " " + say(Message("And in %(readings)s more.", readings=how_many(more, say))) if more else ""
    entries = ", ".join(str(r.entry.seq) for r in episode.readings[:6]) + (", ..." if more >= 6 else "")
    found = f"{MARKS[episode.severity]} {meaning(episode.code, say)} {say(episode.message)}{also}"
    where = say(Message("entry"))
    return f"{found} [{where} {entries}]"


def _done(episode: Episode, say: Say) -> str:
    words = [
        say(Message("Note of %(when)s: %(text)s", when=moment(n.entry.at, say), text=n.said.text))
        for n in episode.notes
    ]
    words += [
        say(
            Message("%(when)s: %(kind)s %(batch)s made.", when=moment(b.made_at, say), kind=Message(b.kind), batch=b.id)
        )
        for b in episode.made
    ]
    about_water = episode.code in REGISTRY and REGISTRY[episode.code].about == "sample"
    if episode.righted is not None:
        when, value = moment(episode.righted.when, say), pad_value(episode.righted.main)
        again = (
            Message("Read within range again on %(when)s: %(value)s.", when=when, value=value)
            if about_water
            else Message("Read well again on %(when)s: %(value)s.", when=when, value=value)
        )
        words.append(say(again))
    elif about_water:
        words.append(say(Message("No reading within range followed in this period.")))
    return " ".join(words) or say(Message("Nothing entered."))


# --- lots ------------------------------------------------------------------------------------------------------------


def _lots(lots: Sequence[LotFacts], say: Say) -> Iterator[Part]:
    """Return the lots with their check standards."""
    yield Heading(say(Message("Lots and check standards")))
    if not lots:
        yield Words(say(Message("No lot was read with.")))
        return
    yield Table(
        (
            say(Message("lot")),
            say(Message("strip kind")),
            say(Message("expires")),
            say(Message("readings")),
            say(Message("after its date")),
            say(Message("check standards")),
            say(Message("control chart")),
        ),
        [_lot_row(f, say) for f in lots],
        (11, 15, 14, 11, 10, 19, 28),
        frozenset((3, 4)),
    )
    yield Items(
        tuple(
            say(Message("Lot %(lot)s: %(words)s", lot=facts.number, words=lot_proven_words(facts.study)))
            for facts in lots
        )
    )
    for facts in lots:
        if facts.lot is not None and len(_counting(facts.checks, facts.lot)) > 1:
            yield check_figure(facts.checks, facts.lot, say)
    for facts in lots:
        if facts.checks and facts.lot is not None:
            yield Heading(say(Message("Checks of lot %(lot)s", lot=facts.number)), level=3)
            unit = facts.lot.pads[0].unit
            yield Table(
                (
                    say(Message("when")),
                    say(Joined((Message("known"), f"[{unit}]"))),
                    say(Joined((Message("read"), f"[{unit}]"))),
                    "E_n",
                    say(Message("remark")),
                ),
                [_check_row(c, say) for c in facts.checks],
                (20, 20, 30, 10, 28),
                frozenset((1, 2, 3)),
            )


def _lot_row(facts: LotFacts, say: Say) -> tuple[str, ...]:
    lot = facts.lot
    if lot is None:
        return facts.number, "?", say(Message("its file cannot be read")), str(facts.readings), "?", "", ""
    expired = " " + say(Message("▲ EXPIRED")) if facts.late else ""
    scores = _counting(facts.checks, lot)
    broken = "; ".join(say(rule) for rule in broken_rules(scores))
    chart = (
        f"▲ {broken}" if broken else say(Message("✔ within its limits")) if scores else say(Message("▲ no valid check"))
    )
    return (
        facts.number,
        lot.kind,
        f"{lot.expires.isoformat()}{expired}",
        str(facts.readings),
        str(facts.late),
        say(Message("%(checks)s, of them %(scored)s valid", checks=len(facts.checks), scored=len(scores))),
        chart,
    )


def _counting(checks: Sequence[CheckRow], lot: Lot) -> list[float]:
    return list(chart_scores(checks, pad=lot.pads[0].pad, lot_sha256=lot.sha256))


def _check_row(row: CheckRow, say: Say) -> tuple[str, ...]:
    read = say(Message("no number"))
    if row.value is not None and row.u is not None:
        places = places_for(2 * row.u)
        read = f"{say(format_number(row.value, places))} ({say(format_interval((row.low, row.high), places))})"
    e_n = "" if row.e_n is None else say(format_number(row.e_n, 2))
    agrees = "" if row.e_n is None else say(Message("✔ agrees")) if abs(row.e_n) <= 1 else say(Message("▲ DIFFERS"))
    doubts = say(Message("doubtful: %(findings)s", findings=", ".join(row.findings))) if row.findings else ""
    known = f"{row.known:g} (u {row.u_known:g})"
    return f"{row.read_at:%Y-%m-%d %H:%M}", known, read, e_n, "; ".join(filter(None, (agrees, doubts)))


# --- the record ------------------------------------------------------------------------------------------------------


def _ratio(setting: InjectorSetting) -> Message:
    ratio = Number(setting.ratio, "g")
    if setting.convention == "in":
        return Message("1 part in %(ratio)s", ratio=ratio)
    return Message("1 part to %(ratio)s", ratio=ratio)


def _notes(period: Period, say: Say) -> Iterator[Part]:
    """Return the injector's settings and the notes."""
    settings = [f"{moment(s.since, say)} {s.injector}: {say(_ratio(s))}" for s in period.injector]
    yield Heading(say(Message("Injector and notes")))
    all_settings = say(Message("Settings: %(settings)s.", settings="; ".join(settings)))
    yield Words(all_settings if settings else say(Message("No setting of an injector was entered.")))
    if period.notes:
        yield Table(
            (say(Message("when")), say(Message("by")), say(Message("about")), say(Message("note"))),
            [
                (moment(when_noted(n), say), n.entry.who, _entry(n.said.about, say), _note(n.said, say))
                for n in period.notes
            ],
            (14, 12, 12, 62),
        )


def _note(note: Note, say: Say) -> str:
    """Return a note with its type and place, where it is an event."""
    if note.type is None:
        return note.text
    where = [say(Message("line %(name)s", name=note.line))] if note.line else []
    where += [say(Message("tank %(name)s", name=note.tank))] if note.tank else []
    where += [note.point] if note.point else []
    place = f" ({', '.join(where)})" if where else ""
    return f"{say(Message(note.type))}{place}: {note.text}"


def _entry(seq: int | None, say: Say) -> str:
    return "" if seq is None else say(Message("entry %(seq)s", seq=seq))


def _superseded(pairs: Sequence[tuple[Entry, Entry]], say: Say) -> Iterator[Part]:
    """Return the entries that hold no longer."""
    yield Heading(say(Message("Superseded entries")))
    if not pairs:
        yield Words(say(Message("None: nothing entered in this period stands in the place of another entry.")))
        return
    yield Table(
        (
            say(Message("entry")),
            say(Message("what")),
            say(Message("now")),
            say(Message("when and by whom")),
            say(Message("why")),
        ),
        [
            (
                str(old.seq),
                f"{say(Message(old.kind.replace('_', ' ')))} {old.subject or ''}".strip(),
                say(Message("withdrawn")) if new.withdrawn else _entry(new.seq, say),
                f"{moment(new.at, say)}, {new.who}",
                new.why or say(Message("said anew")),
            )
            for old, new in pairs
        ],
        (9, 22, 14, 22, 33),
        frozenset((0,)),
    )


def _verification(period: Period, say: Say) -> Iterator[Part]:
    """Return whether the record is as it was written."""
    found = period.verification
    yield Heading(say(Message("Is the record as it was written?")))
    if found.intact:
        words = say(
            Message(
                "✔ INTACT: %(entries)s entries and %(files)s files of the whole record, each held "
                "against its hash and the one before it.",
                entries=found.entries,
                files=found.files,
            )
        )
        yield Words(words)
    else:
        yield Alarm(say(Message("✘ NOT AS IT WAS WRITTEN; faults: %(count)s.", count=found.problem_count)))
        yield Items(tuple(f"{say(p.where)}: {say(Message(p.fault))}; {say(p.found)}" for p in found.problems))
    yield Words(
        say(
            Message(
                "Head of the chain: %(head)s. Kept elsewhere, as on this page, it proves later that "
                "nothing before it was rewritten: stripread records verify --anchor.",
                head=found.head,
            )
        ),
        small=True,
    )
