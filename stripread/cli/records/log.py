"""The command ``log``: what is in the record, page by page."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast, get_args

import typer

from stripread.cli.output import note, say
from stripread.cli.typed import From, Until
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

if TYPE_CHECKING:
    from stripread.records import Kind

__all__ = ["log"]


def log(
    point: Annotated[str | None, typer.Option(metavar="NAME", help="Only from this point.")] = None,
    sample: Annotated[str | None, typer.Option(metavar="TYPE", help="Only of this sample type.")] = None,
    lot: Annotated[str | None, typer.Option(metavar="NUMBER", help="Only read with strips of this lot.")] = None,
    since: From = None,
    until: Until = None,
    method: Annotated[
        str | None, typer.Option(metavar="MEANS", help="Only by strip, meter, titration, laboratory or other means.")
    ] = None,
    validity: Annotated[str | None, typer.Option(metavar="WORD", help="Only valid, doubtful or invalid ones.")] = None,
    who: Annotated[str | None, typer.Option(metavar="NAME", help="Only what this person entered.")] = None,
    corrections: Annotated[
        bool, typer.Option("--corrections", help="What supersedes another entry, and what was superseded.")
    ] = False,
    kind: Annotated[
        str | None,
        typer.Option(
            metavar="KIND", help="Other entries: batch, point, note, lot, ..., or all; the last entered first."
        ),
    ] = None,
    limit: Annotated[int, typer.Option(metavar="N", min=1, max=1000, help="How many a page.")] = 20,
    before: Annotated[
        int | None, typer.Option(metavar="ENTRY", help="The next page: those after this entry, the last one shown.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per entry, a line each.")] = False,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """List the readings of the record that hold now, the latest first.

    Example:

      stripread log --point bench-3 --from 2026-05-01 --to 2026-05-31
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import ReadingFilter
    from stripread.report import entries_text, entry_json, log_text, reading_entry_json, to_line

    where = site_of_records(site)
    with open_site_records(where) as records:
        if kind is not None and kind != "reading":
            if any((point, sample, lot, since, until, method, validity, who)):
                raise WrongUsageError(
                    expected=Message("--kind alone, with --corrections, --limit, --before"),
                    found=Message("a filter of readings"),
                    remedy=Message("Leave one of them out."),
                )
            found = records.entries(kind=_kind(kind), superseded=corrections, before=before, limit=limit)
            if json:
                for entry in found:
                    say(to_line({**entry.payload, "entry": entry_json(entry)}))
            elif found:
                say(entries_text(found))
            last, count = (found[-1].seq if found else 0), len(found)
        else:
            wanted = ReadingFilter(
                point=point,
                sample=sample,
                lot=lot,
                since=since,
                until=until,
                validity=validity,
                method=_method(method),
                who=who,
                corrections=corrections,
            )
            readings = records.readings(wanted, before=before, limit=limit)
            if json:
                for one in readings:
                    say(to_line(reading_entry_json(one)))
            elif readings:
                say(log_text(readings))
            last, count = (readings[-1].entry.seq if readings else 0), len(readings)
    if count == 0:
        note("nothing in the record that was asked for" if before is None else "no more")
    elif count == limit:
        note(f"the next page: the same with --before {last}")


def _kind(word: str) -> "Kind | None":
    from stripread.records import Kind

    if word == "all":
        return None
    if word not in get_args(Kind):
        raise WrongUsageError(
            expected=Message("a kind of entry: %(known)s, all", known=", ".join(get_args(Kind))),
            found=Verbatim(repr(word)),
            remedy=Message("Name one of these."),
        )
    return cast(Kind, word)


def _method(word: str | None) -> str | None:
    from stripread.check import METHODS

    if word is not None and word not in ("strip", *METHODS):
        raise WrongUsageError(
            expected=Message("one of %(known)s", known=", ".join(("strip", *METHODS))),
            found=Verbatim(repr(word)),
            remedy=Message("Name one of these."),
        )
    return word
