"""The commands ``action open``, ``list`` and ``done``: what is to be done about a finding, and what closed it."""

from datetime import date, datetime
from typing import Annotated

import typer

from stripread.cli.inputs import Json, SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import day_of
from stripread.errors import WrongUsageError
from stripread.i18n import Message

__all__ = ["action_app"]

action_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Corrective actions: who does what about a finding, and when."
)

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
]


@action_app.command(name="open")
def open_one(
    entry: Annotated[int, typer.Argument(metavar="ENTRY", min=1, help="The reading that has the finding.")],
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What is to be done.")],
    code: Annotated[str, typer.Option(metavar="CODE", help="The finding, as out_of_range.")],
    by: Annotated[
        date, typer.Option(metavar="DAY", parser=day_of("--by"), help="Until when, as 2026-05-31 or 31 May 2026.")
    ],
    owner: Annotated[str | None, typer.Option(metavar="NAME", help="Who is to do it. [who enters]")] = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Open an action about a finding of a reading.

    Example:

      stripread action open 41 "clean the injector" --code out_of_range --by 2026-05-31 --owner Ines
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import Action

    _some_words(text)
    where, stamp = site_of_records(site), stamp_of(who)
    said = Action(about=entry, code=code, text=text.strip(), owner=owner or stamp.who, by=by.isoformat())
    with open_site_records(where) as records:
        made = records.add_action(said, stamp)
    note(f"recorded as entry {made.seq}")


@action_app.command(name="list")
def list_actions(json: Json = False, site: SiteFolder = None) -> None:
    """List the actions: the open ones first, those due first before the others.

    Example:

      stripread action list

    Exit codes: 0 none is overdue; 1 an error; 2 wrong usage; 3 one is.
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import action_standings, to_payload
    from stripread.report import table, to_line

    today = datetime.now().astimezone().date()
    with open_site_records(site_of_records(site)) as records:
        found = action_standings(records)
    rows = []
    for one in found:
        state = "✔ done" if one.done is not None else "▲ OVERDUE" if one.is_overdue(today) else "○ open"
        if json:
            done = None if one.done is None else {**to_payload(one.done.said), "entry": one.done.entry.seq}
            say(to_line({**to_payload(one.said), "entry": one.entry.seq, "state": state.split()[1], "done": done}))
            continue
        closed = "" if one.done is None else one.done.said.text
        closed += "" if one.done is None or one.done.said.reading is None else f" (entry {one.done.said.reading})"
        rows.append(
            (
                str(one.entry.seq), state, one.said.by, one.said.owner, one.said.text,
                f"{one.said.code}, entry {one.said.about}", closed,
            )
        )  # fmt: skip
    if not json:
        heads = ("action", "state", "by", "who", "what", "about", "what was done")
        say(table(heads, rows) if rows else "No actions: stripread action open")
    raise typer.Exit(3 if any(one.is_overdue(today) for one in found) else 0)


@action_app.command()
def done(
    action: Annotated[int, typer.Argument(metavar="ACTION", min=1, help="Its number, as `action list` shows it.")],
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What was done.")],
    reading: Annotated[
        int | None, typer.Option(metavar="ENTRY", min=1, help="The later reading that shows that it is in order.")
    ] = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Close an action with what was done, and the reading that shows it.

    Example:

      stripread action done 43 "injector cleaned" --reading 47
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import close_action

    _some_words(text)
    where, stamp = site_of_records(site), stamp_of(who)
    with open_site_records(where) as records:
        made = close_action(records, action, text=text.strip(), reading=reading, stamp=stamp)
    note(f"recorded as entry {made.seq}")


def _some_words(text: str) -> None:
    if not text.strip():
        raise WrongUsageError(
            expected=Message("some words"), found=Message("an empty text"), remedy=Message("Write what it is.")
        )
