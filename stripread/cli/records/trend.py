"""The command ``trend``: what a point has read over time."""

from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.output import note, say
from stripread.cli.typed import From, Until
from stripread.errors import WrongUsageError
from stripread.i18n import Message

__all__ = ["trend"]


def trend(
    point: Annotated[str, typer.Argument(metavar="POINT", help="The point.")],
    since: From = None,
    until: Until = None,
    analyte: Annotated[
        str | None, typer.Option(metavar="NAME", help="Of this one. [that the point's sample is judged by]")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="OUT", help="Also draw it to a file that ends in .png, .svg or .pdf.")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object per reading and per event, a line each.")
    ] = False,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """Show what a point has read over time, with new stocks, other lots and settings of the injector.

    Example:

      stripread trend bench-3 --from 2026-05-01 --plot bench-3.png
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import trend_of
    from stripread.report import log_text, new_figure, plot_trend, reading_entry_json, save_figure, to_line

    where = site_of_records(site)
    with open_site_records(where) as records:
        found = trend_of(records, where, point, since=since, until=until, analyte=analyte)
        known = [p.said.name for p in records.points()]
    if not found.readings:
        raise WrongUsageError(
            expected=Message(
                "a point with readings in that time; points are %(known)s", known=", ".join(sorted(known)) or "none"
            ),
            found=Message("none of %(point)s", point=repr(point)),
            remedy=Message("Name another point or time."),
        )
    if plot is not None:
        figure = new_figure(9, 4.5)
        expected = where.expectation(found.readings[-1].sample, found.readings[0].main.analyte)
        plot_trend(found, figure.subplots(), expected=expected)
        save_figure(figure, plot)
        note(f"wrote {plot}")
    if json:
        for reading in found.readings:
            say(to_line(reading_entry_json(reading)))
        for event in found.events:
            say(to_line({"event": event.kind, "at": event.at.isoformat(), "words": event.words}))
        return
    say(log_text(found.readings))
    for event in found.events:
        say(f"{event.at.strftime('%Y-%m-%d %H:%M %z')}  {event.kind}: {event.words}")
