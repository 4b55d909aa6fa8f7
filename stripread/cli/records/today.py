"""The command ``today``: what is due and what is wrong."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.output import say

__all__ = ["today"]

_SIGNS = {"now": "▲ NOW", "today": "○ TODAY", "soon": "· SOON", "done": "✔ DONE"}


def today(
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per matter, a line each.")] = False,
    site: Annotated[
        list[Path] | None,
        typer.Option(metavar="DIR", help="Folder with site.toml; of several, repeat it. [the nearest one upwards]"),
    ] = None,
) -> None:
    """Show what is due and what is wrong: points, stock, lots, readings to be followed up; the most urgent first.

    Example:

      stripread today

      stripread today --site north --site south

    Exit codes: 0 nothing is due; 1 an error; 2 wrong usage; 3 something is.
    """
    from dataclasses import fields

    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import due_today
    from stripread.report import to_line

    folders: list[Path | None] = list(site or []) or [None]
    now, left = datetime.now().astimezone(), 0
    for folder in folders:
        where = site_of_records(folder)
        with open_site_records(where) as records:
            found = due_today(records, where, now=now)
        own = sum(due.urgency != "done" for due in found)
        left += own
        if len(folders) > 1 and not json:
            say(f"{where.name}: {own} due" if own else f"{where.name}: ✔ nothing is due")
        for due in found:
            if json:
                line = {field.name: getattr(due, field.name) for field in fields(due)}
                say(to_line(line if len(folders) == 1 else {"site": where.name, **line}))
                continue
            words = f"{_SIGNS[due.urgency]:<8} {due.about}: {due.matter}"
            say(words if due.urgency == "done" else f"{words}\n         {due.advice}")
    if not left and not json and len(folders) == 1:
        say("✔ Nothing is due.")
    raise typer.Exit(3 if left else 0)
