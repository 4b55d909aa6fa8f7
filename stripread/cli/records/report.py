"""The command ``report``: some weeks of a site for an auditor and for the grower."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import keep_existing, note, say
from stripread.cli.typed import since_of, until_of
from stripread.errors import WrongUsageError
from stripread.files import write_file
from stripread.i18n import Message, Reader, Verbatim

if TYPE_CHECKING:
    pass

__all__ = ["check_language", "report", "report_targets"]


def report(
    out: Annotated[
        Path | None,
        typer.Argument(metavar="OUT", help="Ends in .html or .pdf; without an ending, both. [report-FROM-TO]"),
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option("--from", metavar="TIME", parser=since_of, help="The first day, or a month. [of the record]"),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option("--to", metavar="TIME", parser=until_of, help="The last day, or a month to its end. [today]"),
    ] = None,
    language: Annotated[
        str, typer.Option(metavar="CODE", help="Language of the report, en or es; es needs the extra web.")
    ] = "en",
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there.")] = False,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """Write a report of some weeks: what was read, made, found and done, and whether the record is intact.

    What stands in it first, in short, is printed too.

    Example:

      stripread report may --from 2026-05-01 --to 2026-05-31

    Exit codes: 0 written; 1 an error; 2 wrong usage; 3 written, and the record is not as it was written.
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import period_of
    from stripread.report import document_html, document_pdf, period_report, section_text

    now = datetime.now().astimezone()
    check_language(language)
    where = site_of_records(site)
    with open_site_records(where) as records:
        start, end = since, until or now
        if start is None:
            first = records.earliest()
            if first is None:
                raise WrongUsageError(
                    expected=Message("a record with readings"),
                    found=Message("none"),
                    remedy=Message("Read a strip first."),
                )
            start = first.when.replace(hour=0, minute=0, second=0, microsecond=0)
        if not start < end:
            raise WrongUsageError(
                expected=Message("--from before --to"),
                found=Message("%(start)s and %(end)s", start=start.date(), end=end.date()),
                remedy=Message("Name another time."),
            )
        targets = report_targets(out or Path(f"report-{start.date()}-{end.date()}"), force=force)
        period = period_of(records, where, start=start, end=end, now=datetime.now().astimezone())
    document = period_report(period, where, made_at=now, reader=Reader(language=language, units=where.units))
    for target in targets:
        write_file(target, document_html(document) if target.suffix == ".html" else document_pdf(document))
        note(f"wrote {target}")
    say(section_text(document))
    raise typer.Exit(0 if period.verification.intact else 3)


def check_language(language: str) -> None:
    """Refuse a language that there is no catalogue of."""
    from stripread.i18n import LANGUAGES

    if language not in LANGUAGES:
        raise WrongUsageError(
            expected=Message("one of %(known)s", known=", ".join(LANGUAGES)),
            found=Verbatim(repr(language)),
            remedy=Message("Choose one of these."),
        )


def report_targets(out: Path, *, force: bool) -> tuple[Path, ...]:
    """Return the files that a report is written to, by the ending that was asked for; refuse those that are there."""
    targets = (out,) if out.suffix in (".html", ".pdf") else (Path(f"{out}.html"), Path(f"{out}.pdf"))
    for target in targets:
        if not target.parent.is_dir():
            raise WrongUsageError(
                expected=Message("a folder for the report"),
                found=Message("no folder %(folder)s", folder=target.parent),
                remedy=Message("Make it."),
            )
        keep_existing(target, force=force)
    return targets
