"""The commands ``card make``, ``card enrol``, ``card check`` and ``card accept``."""

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.lot.accept import accept_card
from stripread.cli.output import keep_existing, note, say
from stripread.cli.typed import day_of
from stripread.errors import StripReadError
from stripread.i18n import Message

__all__ = ["card_app"]

card_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Make a card, enrol a print of it, check it in a photo."
)


class _Page(StrEnum):
    a4 = "a4"
    letter = "letter"


@card_app.command()
def make(
    out: Annotated[
        Path, typer.Argument(metavar="OUT", help="A file that ends in .pdf or .svg (a page), .png (the card), .toml.")
    ],
    page: Annotated[_Page, typer.Option(metavar="PAGE", help="Size of the page: a4 or letter.")] = _Page.a4,
    name: Annotated[str, typer.Option(metavar="NAME", help="Name of the card.")] = "stripread-1",
) -> None:
    """Draw the project's own card, to be printed at 100 %, or write its layout.

    Example:

      stripread card make card.pdf --page letter
    """
    from stripread.card import design_card, draw_card

    if not out.parent.is_dir():
        keep_existing(out, force=True)
    draw_card(design_card(name), out, page=page.value)
    note(f"wrote {out}; print it at 100 %, check the 100 mm bar, then measure and enrol it")


@card_app.command()
def enrol(
    measured: Annotated[
        Path, typer.Argument(metavar="MEASURED", exists=True, dir_okay=False, help="CSV patch, L, a, b, or CGATS text.")
    ],
    name: Annotated[str, typer.Option(metavar="NAME", help="Name of this print.")],
    out: Annotated[Path, typer.Option(metavar="CARD.toml", help="The card file to write.")],
    card: Annotated[
        str | None, typer.Option(metavar="CARD", help="The layout that was printed. [the project's own]")
    ] = None,
    measured_on: Annotated[
        date | None,
        typer.Option(metavar="DATE", parser=day_of("--measured-on"), help="Day of the measurement. [today]"),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace CARD.toml if it is there.")] = False,
) -> None:
    """Put the measured colours of a print in place of the design's.

    Example:

      stripread card enrol measured.csv --name spring-print --out spring-print.toml
    """
    from stripread.card import design_card, enrol_card, save_card
    from stripread.cli.site_options import look_up_card, look_up_site

    keep_existing(out, force=force)
    layout = design_card() if card is None else look_up_card(card, look_up_site(None))
    day = measured_on or datetime.now().astimezone().date()
    enrolled = enrol_card(layout, measured, name=name, measured_on=day.isoformat())
    save_card(enrolled, out)
    nm = enrolled.wavelengths_nm
    spectra = f"with spectra from {nm[0]:g} to {nm[-1]:g} nm" if nm else "without spectra"
    note(f"wrote {out}: print {name!r}, {len(enrolled.patches)} patches, {spectra}")


@card_app.command()
def check(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="A photo of the card; a strip may lie on it or not.")],
    card: Annotated[str, typer.Option(metavar="CARD", help="A name known to the site, or a card file.")],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object on one line.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Tell whether a photo of a card is fit to measure by, and how far its patches are off.

    Example:

      stripread card check photo.jpg --card spring-print.toml

    Exit codes: 0 fit; 1 an error or a photo that would not be read; 2 wrong usage; 3 doubtful.
    """
    from stripread.cli.site_options import look_up_card, look_up_site
    from stripread.findings import make_finding
    from stripread.measure import inspect_card
    from stripread.photo import open_photo
    from stripread.report import card_check_json, card_check_text, error_json, error_text, to_line

    layout = look_up_card(card, look_up_site(site))
    try:
        seen = inspect_card(open_photo(photo), layout)
    except StripReadError as error:
        say(to_line(error_json(error, photo=str(photo))) if json else error_text(error, photo=str(photo)))
        raise typer.Exit(1) from None
    findings = seen.findings
    if layout.enrolment is None:
        message = Message("Card %(name)s carries its design colours only.", name=repr(layout.name))
        findings = (*findings, make_finding("card_not_enrolled", message))
    if json:
        say(to_line(card_check_json(seen, photo=str(photo), findings=findings)))
    else:
        say(card_check_text(seen, findings, photo=str(photo)))
    if seen.refusal is not None:
        raise typer.Exit(1)
    raise typer.Exit(3 if any(f.severity != "info" for f in findings) else 0)


card_app.command("accept")(accept_card)
