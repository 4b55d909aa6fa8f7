"""The commands of ``records``: verify, head, tidy, backup, restore, export, import, reread, correct."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stripread.cli.inputs import SiteFolder
from stripread.cli.output import keep_existing, note, say
from stripread.cli.typed import number_of, typed_moment
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

if TYPE_CHECKING:
    from stripread.records import Head
    from stripread.site import Site

__all__ = ["records_app"]

records_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Keep the record of readings and batches, and prove it whole."
)

_Who = Annotated[
    str | None, typer.Option("--who", metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
]
_Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
_FRESH_S = 3600.0  # ours: a photo is kept a moment before its entry; an hour is far more than any reading takes


@records_app.command()
def verify(
    anchor: Annotated[
        list[str] | None,
        typer.Option(metavar="COUNT:HASH", help="A head that was noted down elsewhere; may be repeated."),
    ] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Only look whether photos are there, do not read them.")
    ] = False,
    json: _Json = False,
    site: SiteFolder = None,
) -> None:
    """Check the whole record: no entry, photo or lot file changed, removed, put in, or cut off at the end.

    Example:

      stripread records verify

    Exit codes: 0 intact; 1 an error; 2 wrong usage; 3 something is not as it was written.
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import verify_records
    from stripread.report import to_line, verification_json, verification_text

    marks = [_anchor(text) for text in anchor or ()]
    with open_site_records(site_of_records(site)) as records:
        found = verify_records(records, anchors=marks, hash_files=not quick)
    say(to_line(verification_json(found)) if json else verification_text(found))
    raise typer.Exit(0 if found.intact else 3)


def _anchor(text: str) -> "Head":
    from stripread.records import Head

    count, _, sha256 = text.partition(":")
    if not count.isdigit() or len(sha256) != 64:
        raise WrongUsageError(
            expected=Message("a head such as 12:9f86..."),
            found=Verbatim(repr(text)),
            remedy=Message("Copy it whole from an earlier verification."),
        )
    return Head(count=int(count), hash=sha256.lower())


@records_app.command()
def head(
    renew: Annotated[bool, typer.Option("--renew", help="Write the file of the head anew. Needs --why.")] = False,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="With --renew: how it came to be lost.")] = "",
    anchor: Annotated[
        list[str] | None,
        typer.Option(metavar="COUNT:HASH", help="With --renew: a head that was noted down elsewhere; may be repeated."),
    ] = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Show the head, to be noted down elsewhere; or write its file anew where that was lost.

    It is written anew only for a record that is whole but for it. Who did so and why is entered.

    Example:

      stripread records head
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import renew_lost_head

    marks = [_anchor(text) for text in anchor or ()]
    where = site_of_records(site)
    with open_site_records(where) as records:
        if renew:
            entry = renew_lost_head(records, why=why, stamp=stamp_of(who), anchors=marks)
            note(f"wrote the head anew, entry {entry.seq}")
        say(str(records.head()))


@records_app.command()
def tidy(
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    site: SiteFolder = None,
) -> None:
    """Remove photos that no entry names, left by a process that was killed before its entry.

    Example:

      stripread records tidy
    """
    from datetime import UTC, datetime

    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import find_orphans

    now = datetime.now(UTC).timestamp()
    with open_site_records(site_of_records(site)) as records, records.database.reading() as connection:
        paths = [records.folder / name for name in find_orphans(connection, records.folder)]
    old = [path for path in paths if now - path.stat().st_mtime > _FRESH_S]
    if len(old) < len(paths):
        note(f"{len(paths) - len(old)} are younger than an hour and stay: their entry may be on its way")
    for path in old:
        note(str(path))
    if not old:
        note("nothing to remove")
        return
    if not yes and not typer.confirm(f"Remove these {len(old)} files?", err=True):
        raise typer.Exit(0)
    for path in old:
        path.unlink(missing_ok=True)
    note(f"removed {len(old)}")


@records_app.command()
def backup(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="The backup to write, a ZIP file.")],
    force: Annotated[bool, typer.Option("--force", help="Replace FILE if it is there.")] = False,
    site: SiteFolder = None,
) -> None:
    """Write all of the record to one file, while others go on recording, and check that file.

    Example:

      stripread records backup nursery-2026-05-31.zip
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import back_up

    keep_existing(out, force=force)
    where = site_of_records(site)
    with open_site_records(where) as records:
        head = back_up(records, out, beside=_beside(where))
    note(f"wrote {out} and checked it: {head.count} entries")
    say(str(head))


def _beside(site: "Site") -> list[Path]:
    """Files of the site's folder that the site file names, checks and series of its lots, calibrations, studies."""
    named = [*site.lots.values(), *site.cards.values(), *site.kinds.values()]
    of_lots = [lot.with_name(name) for lot in site.lots.values() for name in ("verification.csv", "series.csv")]
    folders = [path for name in ("drafts", "studies") for path in sorted((site.folder / name).rglob("*"))]
    drafts = [path for path in folders if not _unfinished(path)]
    home = site.folder.resolve()
    found = [path for path in (site.folder / "site.toml", *named, *of_lots, *drafts) if path.is_file()]
    return list(dict.fromkeys(path for path in found if path.resolve().is_relative_to(home)))


def _unfinished(path: Path) -> bool:
    """Tell whether a file is being written: it has another name when it is whole."""
    return path.name.startswith(".") or path.suffix == ".part"


@records_app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make, or an empty one.")],
    database: Annotated[
        str | None,
        typer.Option(metavar="URL", help="An empty PostgreSQL database for the entries. [a file in the folder]"),
    ] = None,
) -> None:
    """Check a backup and unpack it into a new folder.

    Example:

      stripread records restore nursery-2026-05-31.zip restored
    """
    from stripread.records import restore as unpack

    head = unpack(file, folder, url=database)
    note(f"restored {head.count} entries into {folder}")
    say(str(head))
    text = (folder / "site.toml").read_text(encoding="utf-8") if (folder / "site.toml").is_file() else ""
    if ("[records]" in text) != (database is not None):
        note(f"put the database right under [records] in {folder / 'site.toml'}, or take that table out")


@records_app.command("export")
def export_(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to write into; made if need be.")],
    csv: Annotated[bool, typer.Option("--csv", help="As CSV, for spreadsheets. [this]")] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="As JSON Lines, for programs.")] = False,
    photos: Annotated[bool, typer.Option("--photos", help="Copy the photos, lot and card files too.")] = False,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Write readings and batches with a schema of their columns (Frictionless Data).

    Example:

      stripread records export export-2026-05 --csv
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import export_records

    if csv and jsonl:
        raise WrongUsageError(
            expected=Message("--csv or --jsonl"),
            found=Message("both"),
            remedy=Message("Export twice, into two folders."),
        )
    with open_site_records(site_of_records(site)) as records:
        counts = export_records(records, folder, form="jsonl" if jsonl else "csv", stamp=stamp_of(who), photos=photos)
    note(f"wrote {', '.join(f'{count} rows of {table}' for table, count in counts.items())} into {folder}")


@records_app.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder that an export was written into.")],
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Add the entries of an export; each says from which file it came.

    Example:

      stripread records import export-2026-05
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import import_records

    stamp = stamp_of(who)
    with open_site_records(site_of_records(site), create=stamp) as records:
        done = import_records(records, folder, stamp=stamp)
    note(f"added {done.added} entries; {done.known} were there already")
    if done.without_files:
        note(f"{done.without_files} came without their photos or lot file: export with --photos to bring them along")


@records_app.command()
def reread(
    lot: Annotated[str, typer.Option(metavar="LOT", help="The lot: a name known to the site, or its new lot file.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only tell what would move.")] = False,
    json: _Json = False,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Read a lot's stored photos again with its lot file of now; new entries supersede the old ones, which stay.

    Example:

      stripread records reread --lot UL-2603 --dry-run
    """
    from stripread.cli.site_options import look_up_lot_file
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.lot import load_lot
    from stripread.records import ReadingFilter
    from stripread.report import reread_json, reread_text, to_line
    from stripread.workflow import reread_lot

    where = site_of_records(site)
    lot_file = look_up_lot_file(lot, where)
    the_lot = load_lot(lot_file)
    stamp, reads = stamp_of(who), []
    with open_site_records(where) as records:
        for one in reread_lot(records, where, the_lot, lot_file, stamp=stamp, dry_run=dry_run):
            reads.append(one)
            if json:
                say(to_line(reread_json(one)))
        if records.readings(ReadingFilter(entered=True), limit=1):
            note("readings by other means than a strip have no photo and no lot: left as they are")
    if not json:
        say(reread_text(reads, dry_run=dry_run))


@records_app.command()
def correct(
    seq: Annotated[int, typer.Argument(metavar="ENTRY", help="The entry's number, as `log` shows it.")],
    why: Annotated[str, typer.Option(metavar="TEXT", help="The reason, which stays with the correction.")],
    field: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="FIELD=VALUE", help="A field and its new value, such as point=bench-3; may be repeated."
        ),
    ] = None,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take the entry back, with nothing in its place.")
    ] = False,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Add an entry that supersedes another one; the first one stays in the record.

    Of a reading: point, taken_at, validity (only to a worse one), remark. Of a batch, point, setting, note: its fields.
    A batch's volumes are typed as amounts: water="3.5 gal", and of C-14 that went in, part.C-14="20 L"; the strength
    that follows from them is worked out again.

    Example:

      stripread records correct 12 --why "wrong bench" --set point=bench-3
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import correct_batch
    from stripread.report import entry_line

    where, stamp = site_of_records(site), stamp_of(who)
    with open_site_records(where) as records:
        old = records.entry(seq)
        changes: dict[str, Any] = {}
        for text in field or ():
            changes |= _change(text, {**old.payload, **changes}, of_batch=old.kind == "batch")
        if old.kind == "batch" and not withdraw and changes and not old.withdrawn:
            new = correct_batch(records, where, old, changes=changes, why=why, stamp=stamp)
        else:
            new = records.correct(seq, why=why, changes=changes, withdraw=withdraw, stamp=stamp)
    say(entry_line(new))


_TIMES = ("taken_at", "made_at", "since")  # of a reading, a batch, an injector's setting


def _change(text: str, payload: Any, *, of_batch: bool) -> dict[str, Any]:
    """Take FIELD=VALUE apart; a value is of the kind that the old one is, and empty for nothing."""
    import json

    key, equals, value = text.partition("=")
    if not equals or not key:
        raise WrongUsageError(
            expected=Message("FIELD=VALUE"), found=Verbatim(repr(text)), remedy=Message("Such as --set point=bench-3.")
        )
    if of_batch and (key == "water" or key.startswith("part.")):
        return _volume(key, value, payload)
    if value == "":
        return {key: None}
    if key in _TIMES:
        return {key: typed_moment(value).at.isoformat()}
    before = payload.get(key)
    if isinstance(before, str):
        return {key: value}
    if isinstance(before, int | float) and not isinstance(before, bool):
        return {key: number_of(key)(value)}
    try:
        return {key: json.loads(value)}
    except ValueError:
        return {key: value}


def _volume(key: str, text: str, payload: Any) -> dict[str, Any]:
    """Return what a typed volume of a batch changes: its water, or what went in of another batch."""
    from stripread.cli.inputs import ParsedInputs

    litres = ParsedInputs().measured(text, "volume", name=Verbatim(key), positive=key != "water")
    if key == "water":
        return {"water_l": litres.value, "u_water_l": litres.u}
    named = key.removeprefix("part.")
    parts = [dict(part) for part in payload.get("parts", ())]
    own = [part for part in parts if part["batch"] == named]
    if not own:
        known = ", ".join(str(part["batch"]) for part in parts) or Message("none")
        raise WrongUsageError(
            expected=Message("a batch that went in: %(known)s", known=known),
            found=Verbatim(repr(named)),
            remedy=Message("Name it after 'part.'."),
        )
    own[0].update(volume_l=litres.value, u_volume_l=litres.u)
    return {"parts": parts}
