"""The commands ``lot accept`` and ``card accept``: a person answers for a file; a changed one shows from then on."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import note, say
from stripread.i18n import Message

if TYPE_CHECKING:
    from stripread.workflow import Acceptance

__all__ = ["accept_card", "accept_lot"]

_Who = Annotated[
    str | None, typer.Option("--who", metavar="NAME", envvar="STRIPREAD_WHO", help="Who accepts. [who is logged in]")
]
_Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="By what it was judged, as the name of a report.")]
_Site = Annotated[
    Path | None, typer.Option("--site", metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
]


def accept_lot(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A name known to the site, or a lot file.")],
    why: _Note = "",
    who: _Who = None,
    site: _Site = None,
) -> None:
    """Accept a lot's file in your name: readings with any other file of that lot are invalid from then on.

    Look at `lot report` first. Where site.toml asks for a second person, the file holds once two have accepted it.

    Example:

      stripread lot accept UL-2603 --note "report of 4 May"
    """
    from stripread.cli.site_options import look_up_lot, look_up_lot_file
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.report import lot_text
    from stripread.workflow import accept_lot_file

    where, stamp = site_of_records(site), stamp_of(who)
    found, file = look_up_lot(lot, where), look_up_lot_file(lot, where)
    with open_site_records(where, create=stamp) as records:
        accepted = accept_lot_file(records, found, file, stamp, note=why)
    say(lot_text(found))
    _tell(accepted, Message("lot %(name)s", name=found.number), file)


def accept_card(
    card: Annotated[str, typer.Argument(metavar="CARD", help="A name known to the site, or a card file.")],
    why: _Note = "",
    who: _Who = None,
    site: _Site = None,
) -> None:
    """Accept a card print's file in your name: readings with any other file of that print are invalid from then on.

    Example:

      stripread card accept spring-print --note "measured on 2 May"
    """
    from stripread.cli.site_options import look_up_card, look_up_card_file
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.workflow import accept_card_file

    where, stamp = site_of_records(site), stamp_of(who)
    found, file = look_up_card(card, where), look_up_card_file(card, where)
    with open_site_records(where, create=stamp) as records:
        accepted = accept_card_file(records, found, file, stamp, note=why)
    _tell(accepted, Message("card %(name)s", name=found.name), file)


def _tell(accepted: "Acceptance", what: Message, file: Path) -> None:
    by = " and ".join(accepted.file.by)
    if not accepted.new:
        note(f"{what} was accepted by {by} already, entry {accepted.file.entry}")
    elif accepted.before is not None and accepted.holds and accepted.before.sha256 != accepted.file.sha256:
        before = accepted.before
        note(f"in place of the file that {' and '.join(before.by)} accepted on {before.at.date()}: {before.kept}")
    if not accepted.holds:
        note("it waits for a second person, as site.toml asks: until then it does not hold")
    say(f"{what}: {file}, SHA-256 {accepted.file.sha256}, accepted by {by}, entry {accepted.file.entry}")
