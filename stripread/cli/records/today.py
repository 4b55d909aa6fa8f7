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
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """Show what is due and what is wrong: points, stock, lots, readings to be followed up; the most urgent first.

    Example:

      stripread today

    Exit codes: 0 nothing is due; 1 an error; 2 wrong usage; 3 something is.
    """
    from dataclasses import fields

    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import due_today
    from stripread.report import to_line

    where = site_of_records(site)
    with open_site_records(where) as records:
        found = due_today(records, where, now=datetime.now().astimezone())
    for due in found:
        if json:
            say(to_line({field.name: getattr(due, field.name) for field in fields(due)}))
        else:
            line = f"{_SIGNS[due.urgency]:<8} {due.about}: {due.matter}"
            say(line if due.urgency == "done" else f"{line}\n         {due.advice}")
    left = [due for due in found if due.urgency != "done"]
    if not left and not json:
        say("✔ Nothing is due.")
    raise typer.Exit(3 if left else 0)
