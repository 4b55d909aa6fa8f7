"""The commands of ``stripread study``: plan, run, report."""

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import as_we_go, note, say
from stripread.cli.typed import number_of
from stripread.errors import QuantityError, StudyError, WrongUsageError
from stripread.files import read_csv, write_file
from stripread.i18n import Message, Reader, Verbatim
from stripread.units import parse_moment, parse_number

if TYPE_CHECKING:
    from stripread.study import Event, RunState, StudyFolder, StudyPlan

__all__ = ["run_text", "study_app"]

study_app = typer.Typer(
    help="Prove the tool on your own phones: strips of known strengths under codes, with criteria stated before.",
    no_args_is_help=True,
)
_SITE = typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
_WHO = typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters this. [who is logged in]")
_STUDY = typer.Argument(metavar="STUDY", help="The study's name.")
_TRUTH = typer.Option(metavar="FILE", help="The sealed truth. [studies/sealed/STUDY.json in the site]")


@study_app.command()
def plan(
    study: Annotated[str, typer.Argument(metavar="STUDY", help="A new, short name.")],
    lot: Annotated[str, typer.Option(metavar="LOT", help="The lot to be proven, as the site knows it.")],
    stock: Annotated[
        str, typer.Option(metavar="WORDS", help="The second stock: not the one that the lot was calibrated from.")
    ],
    strength: Annotated[
        float,
        typer.Option(
            parser=number_of("--strength", low=0), metavar="C", help="What the second stock is expected to be."
        ),
    ],
    method: Annotated[str, typer.Option(metavar="WORDS", help="The reference method that it is assayed by.")],
    person: Annotated[list[str], typer.Option(metavar="NAME", help="Who reads by eye and takes photos; two or more.")],
    phone: Annotated[list[str], typer.Option(metavar="NAME", help="A phone to be proven; two are better.")],
    light: Annotated[list[str], typer.Option(metavar="NAME", help="A light to be proven in; three are better.")],
    sessions: Annotated[int, typer.Option(metavar="N", min=1, max=9, help="Sessions.")] = 2,
    short: Annotated[bool, typer.Option("--short", help="15 strips; the sheet says what they cannot show.")] = False,
    bias: Annotated[
        float,
        typer.Option(
            parser=number_of("--bias", low=0.01, high=1),
            metavar="SHARE",
            help="The largest mean deviation that is fit for use.",
        ),
    ] = 0.13,
    precision: Annotated[
        float,
        typer.Option(
            parser=number_of("--precision", low=0.01, high=1),
            metavar="SHARE",
            help="The largest scatter that is fit for use.",
        ),
    ] = 0.25,
    sample: Annotated[
        str | None, typer.Option(metavar="TYPE", help="The sample type whose limits readings are judged by.")
    ] = None,
    total: Annotated[
        float, typer.Option(parser=number_of("--total", low=1), metavar="ML", help="Volume of each solution.")
    ] = 500.0,
    least: Annotated[
        float,
        typer.Option(parser=number_of("--least", low=0.001), metavar="ML", help="Least volume that is measured well."),
    ] = 1.0,
    pour: Annotated[
        float,
        typer.Option(
            parser=number_of("--pour", low=0, high=30), metavar="PERCENT", help="How well volumes are measured."
        ),
    ] = 1.0,
    truth: Annotated[Path | None, _TRUTH] = None,
    seed: Annotated[
        int | None, typer.Option(metavar="N", help="For tests: who knows it knows the codes. [drawn by the system]")
    ] = None,
    who: Annotated[str | None, _WHO] = None,
    site: Annotated[Path | None, _SITE] = None,
) -> None:
    """Plan a study: seal which code has which strength, state the criteria, write the sheets.

    Example:

      stripread study plan may --lot UL-2603 --stock "second sachet, 4 May" --strength 100 --method titration
        --person Ada --person Ben --phone A --phone B --light window --light bench --light plants
    """
    from stripread import __version__
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.report import document_html, mixing_sheet, running_sheet
    from stripread.site import kind_of_lot, resolve_lot
    from stripread.study import FULL, SHORT, Aims, Conditions, Pouring, Stock, begin_study, make_plan, window_of
    from stripread.workflow import record_plan

    where, stamp = site_of_records(site), stamp_of(who)
    limits, the_lot = None if sample is None else where.sample(sample).main, resolve_lot(lot, where)
    made, sealed = make_plan(
        study=study,
        lot=the_lot,
        window_s=window_of(kind_of_lot(the_lot, where)),
        stock=Stock(what=stock, method=method, expected=strength),
        conditions=Conditions(people=tuple(person), phones=tuple(phone), lights=tuple(light), sessions=sessions),
        aims=Aims(
            bias=bias,
            precision=precision,
            low=None if limits is None else limits.low,
            high=None if limits is None else limits.high,
        ),
        form=SHORT if short else FULL,
        pouring=Pouring(total_ml=total, least_ml=least, pour_u=pour / 100),
        at=stamp.at.isoformat(timespec="seconds"),
        who=stamp.who,
        software=f"stripread {__version__}",
        seed=seed,
    )
    folder = begin_study(where.folder, made, sealed, truth_file=truth)
    with open_site_records(where, create=stamp) as records:
        entry = record_plan(records, made, folder, stamp)
    reader, sealed_in = Reader(units=where.units), truth or folder.sealed_file
    for path, sheet, mode in (
        (folder.path / "strips.html", running_sheet(made, reader), 0o644),
        (sealed_in.with_suffix(".html"), mixing_sheet(made, sealed, reader), 0o600),
    ):
        write_file(path, document_html(sheet), mode=mode)
        note(f"wrote {_within(path, where.folder)}")
    note(f"sealed the truth in {_within(sealed_in, where.folder)}, SHA-256 {made.truth_sha256}; entry {entry.seq}")
    say(_plan_text(made, reader))


def _within(path: Path, site: Path) -> Path:
    return path.relative_to(site) if path.is_relative_to(site) else path


def _plan_text(made: "StudyPlan", reader: Reader) -> str:
    from stripread.report import cannot_show, chances_words, criterion_words

    lines = [f"study {made.id} of lot {made.lot}: {len(made.strips)} strips, {made.form} form"]
    for one in made.criteria:
        lines.append(f"  {'decides' if one.decides else 'shown  '}  {reader.show(criterion_words(one, made))}")
        if chances := chances_words(one, reader.show):
            lines.append(f"           {chances}")
    lines += [f"  cannot show: {words}" for words in cannot_show(made)]
    return "\n".join(lines)


@study_app.command()
def run(
    study: Annotated[str, _STUDY],
    sheet: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="The filled-in sheet: code, dipped, and a column for each person."),
    ] = None,
    assays: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Assays of the stock: which, at, value, u, who.")
    ] = None,
    photos: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder with the photos, named CODE-NUMBER, with a further letter where one was taken again.",
        ),
    ] = None,
    skip: Annotated[
        str | None, typer.Option(metavar="CODE", help="Give up a strip, or as CODE-NUMBER a photo of it; with --why.")
    ] = None,
    why: Annotated[str | None, typer.Option(metavar="WORDS", help="Why a strip is given up.")] = None,
    who: Annotated[str | None, _WHO] = None,
    site: Annotated[Path | None, _SITE] = None,
) -> None:
    """Take in what was done, and say what is next; stop and go on as you like: what is in already is left alone.

    No value is shown before the truth is opened.

    Example:

      stripread study run may --sheet sheet.csv --photos photos --assays assays.csv
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.study import Event, append_event, find_study
    from stripread.workflow import record_taken_in

    where, stamp = site_of_records(site), stamp_of(who)
    folder = find_study(where.folder, study)
    state = folder.state()
    before = len(state.events)
    if assays is not None:
        for event in _assay_events(assays, stamp.who):
            if event not in state.events:
                state = append_event(folder.run_file, state, event)
    if sheet is not None:
        state = _take_sheet(folder, state, sheet, stamp.who)
    if skip is not None:
        if not why:
            raise WrongUsageError(
                expected=Message("--why"), found=Message("nothing"), remedy=Message("Say why this strip is given up.")
            )
        code, _, number = skip.partition("-")
        event = Event(
            kind="skipped",
            at=stamp.at.isoformat(),
            who=stamp.who,
            code=code,
            number=round(_number(number, skip)) if number else None,
            why=why,
        )
        state = append_event(folder.run_file, state, event)
    if photos is not None:
        state = _take_photos(folder, state, photos, where.folder, stamp.who)
    lines = len(state.events) - before
    if lines:
        with open_site_records(where, create=stamp) as records:
            record_taken_in(records, state, lines, stamp)
    note(f"took in {lines} lines")
    say(run_text(state))


def run_text(state: "RunState") -> str:
    """Return how far a study has come and what is next; no value of it."""
    from stripread.study import ASSAYS

    lines = [f"{state.done} of {len(state.plan.strips)} strips done"]
    missing = [which for which in ASSAYS if which not in state.assays]
    if missing:
        lines.append(f"assays of the stock missing: {', '.join(missing)}")
    strip = state.next_strip
    if strip is None:
        lines.append("all strips are done" if missing else "all is done: stripread study report")
        return "\n".join(lines)
    lines.append(f"next: {strip.code}, session {strip.session}, {strip.person}")
    if not state.of(strip.code, "dipped"):
        lines.append("  dip it")
    if eyes := state.eyes_missing(strip):
        lines.append(f"  read it by eye, before any photo: {', '.join(eyes)}")
    left = state.photos_missing(strip)
    lines += [f"  photo {p.number}: {p.phone}, {p.light} ({p.role})" for p in strip.photos if p.number in left]
    return "\n".join(lines)


def _rows(path: Path, needed: tuple[str, ...]) -> list[dict[str, str]]:
    try:
        rows = [row for _, row in read_csv(path.read_bytes()).rows]
    except (OSError, ValueError) as error:
        raise StudyError(
            expected=Message("a table in CSV"),
            found=Message("%(path)s: %(error)s", path=path, error=error),
            remedy=Message("Check the name of the file."),
        ) from None
    missing = [name for name in needed if not rows or name not in rows[0]]
    if missing:
        raise StudyError(
            expected=Message("columns %(names)s", names=", ".join(needed)),
            found=Message("%(path)s without %(missing)s", path=path, missing=", ".join(missing)),
            remedy=Message("Add the columns."),
        )
    return rows


def _number(text: str, where: str) -> float:
    try:
        return parse_number(text, name=Verbatim(where))
    except QuantityError as error:
        raise StudyError(
            expected=Message("a number for %(where)s", where=where), found=error.found, remedy=error.remedy
        ) from None


def _time(text: str, where: str, *, to_the_minute: bool = False) -> str:
    if not text:
        return ""
    now = datetime.now().astimezone()
    try:
        return parse_moment(text, now=now, name=Verbatim(where), to_the_minute=to_the_minute).at.isoformat()
    except WrongUsageError as error:
        raise StudyError(expected=error.expected, found=error.found, remedy=error.remedy) from None


def _assay_events(path: Path, who: str) -> "list[Event]":
    from stripread.study import Event

    return [
        Event(
            kind="assay",
            at=_time(row["at"], row["which"]),
            who=row.get("who") or who,
            which=row["which"],
            value=_number(row["value"], row["which"]),
            u=_number(row["u"], row["which"]),
        )
        for row in _rows(path, ("which", "at", "value", "u"))
    ]


def _take_sheet(folder: "StudyFolder", state: "RunState", path: Path, who: str) -> "RunState":
    from stripread.study import Event, append_event

    people = state.plan.conditions.people
    for row in _rows(path, ("code", "dipped", *people)):
        code, at = row["code"], _time(row["dipped"], row["code"], to_the_minute=True)
        if not at:
            continue
        if not state.of(code, "dipped", "skipped"):
            event = Event(kind="dipped", at=at, who=state.plan.strip(code).person, code=code)
            state = append_event(folder.run_file, state, event)
        for person in people:
            if row[person] and person not in {e.who for e in state.of(code, "eye")}:
                value = _number(row[person], f"{code}, {person}")
                event = Event(kind="eye", at=at, who=person, code=code, value=value)
                state = append_event(folder.run_file, state, event)
    return state


def _take_photos(folder: "StudyFolder", state: "RunState", photos: Path, site: Path, who: str) -> "RunState":
    """Take in the photos that are not in yet, in the order of the strips."""
    import hashlib

    from stripread.photo import open_photo
    from stripread.site import load_site
    from stripread.workflow import resolve_inputs, take_study_photo

    inputs = resolve_inputs(state.plan.lot, load_site(site))
    known = {event.sha256 for event in state.events}
    paths = sorted(path for path in photos.iterdir() if path.is_file())
    todo = [
        (strip, photo, path)
        for strip in state.plan.strips
        for photo in strip.photos
        for path in paths
        if re.fullmatch(rf"{strip.code}-{photo.number}[a-z]?", path.stem, re.IGNORECASE)
        and hashlib.sha256(path.read_bytes()).hexdigest() not in known
    ]
    for strip, photo, path in as_we_go(todo, len(todo)):
        if photo.number not in state.photos_missing(strip):
            continue
        now = datetime.now().astimezone()
        state, event = take_study_photo(
            folder, state, open_photo(path), inputs, code=strip.code, number=photo.number, who=strip.person, now=now
        )
        if event.kind == "refused":
            note(f"not read: {path.name}: {event.why}")
    return state


@study_app.command()
def report(
    study: Annotated[str, _STUDY],
    out: Annotated[
        Path | None,
        typer.Argument(metavar="OUT", help="Ends in .html or .pdf; without an ending, both. [study-STUDY]"),
    ] = None,
    truth: Annotated[Path | None, _TRUTH] = None,
    language: Annotated[str, typer.Option(metavar="CODE", help="Language of the report, en or es.")] = "en",
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there.")] = False,
    who: Annotated[str | None, _WHO] = None,
    site: Annotated[Path | None, _SITE] = None,
) -> None:
    """Open the truth, hold the study against its criteria, write the report and enter the verdict into the record.

    Example:

      stripread study report may

    Exit codes: 0 passed; 1 an error; 2 wrong usage; 3 failed, or too few strips to tell.
    """
    from stripread.cli.records.report import check_language, report_targets
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.report import document_html, document_pdf, section_text, study_report
    from stripread.study import find_study
    from stripread.workflow import close_study, record_verdict

    check_language(language)
    where, stamp = site_of_records(site), stamp_of(who)
    folder = find_study(where.folder, study)
    targets = report_targets(out or Path(f"study-{study}"), force=force)
    state, opened, verdict = close_study(folder, stamp, truth_file=truth)
    with open_site_records(where, create=stamp) as records:
        entry = record_verdict(records, state, verdict, folder, stamp)
    reader = Reader(language=language, units=where.units)
    document = study_report(state, opened, verdict, site=where.name, made_at=stamp.at, entry=entry.seq, reader=reader)
    for target in targets:
        write_file(target, document_html(document) if target.suffix == ".html" else document_pdf(document))
        note(f"wrote {target}")
    note(f"recorded as entry {entry.seq}")
    say(section_text(document))
    raise typer.Exit(0 if verdict.outcome == "pass" else 3)
