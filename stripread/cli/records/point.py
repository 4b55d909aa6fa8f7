"""The commands ``point add``, ``point list`` and ``point retire``: where samples are taken."""

from typing import Annotated

import typer

from stripread.cli.inputs import SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import seconds_of
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

__all__ = ["point_app"]

point_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="The places where samples are taken.")

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
]


@point_app.command()
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the point is called.")],
    sample: Annotated[str, typer.Option(metavar="TYPE", help="What is taken there: source, stock, line, ...")],
    flush: Annotated[
        float,
        typer.Option(
            metavar="S", parser=seconds_of("--flush"), help="Seconds to flush before a sample, or as '2 min'."
        ),
    ] = 60.0,
    line: Annotated[str | None, typer.Option(metavar="NAME", help="The line that it is an outlet of.")] = None,
    order: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="Its place along the line, counted from the injector.")
    ] = None,
    before_injector: Annotated[bool, typer.Option("--before-injector", help="Nothing should be found there.")] = False,
    remark: Annotated[str, typer.Option(metavar="TEXT", help="How to find it.")] = "",
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter a point, or update it: the entry before is kept and superseded.

    Example:

      stripread point add bench-3 --sample line --line east --order 3 --flush 90
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import Point

    if (line is None) != (order is None):
        raise WrongUsageError(
            expected=Message("--line and --order together"),
            found=Message("one of them"),
            remedy=Message("Name both, or neither."),
        )
    where, stamp = site_of_records(site), stamp_of(who)
    where.sample(sample)  # refuses a type that the site does not know
    point = Point(
        name=name,
        sample=sample,
        line=line,
        order=order,
        flush_min=flush / 60,
        before_injector=before_injector,
        note=remark,
    )
    with open_site_records(where, create=stamp) as records:
        entry = records.add_point(point, stamp)
    note(f"recorded as entry {entry.seq}")


@point_app.command(name="list")
def list_points(
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per point, a line each.")] = False,
    site: SiteFolder = None,
) -> None:
    """List the points, line by line in the order of the water.

    Example:

      stripread point list
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import to_payload
    from stripread.report import table, to_line

    with open_site_records(site_of_records(site)) as records:
        points = records.points_in_order()
    if json:
        for point in points:
            say(to_line(to_payload(point)))
        return
    rows = [
        (
            p.name,
            p.sample,
            "before the injector" if p.before_injector else f"{p.line} {p.order}" if p.line else "",
            f"{60 * (p.flush_min or 0):.0f} s",
            p.note,
        )
        for p in points
    ]
    say(table(("point", "sample", "line", "flush", "remark"), rows) if rows else "No points yet: stripread point add")


@point_app.command()
def retire(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The point.")],
    why: Annotated[str, typer.Option(metavar="TEXT", help="Why no samples are taken there any more.")],
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Take a point out of use; its readings stay.

    Example:

      stripread point retire bench-3 --why "bench taken down"
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of

    stamp = stamp_of(who)
    with open_site_records(site_of_records(site)) as records:
        found = records.entries(kind="point", subject=name, limit=1)
        if not found or found[0].withdrawn:
            known = ", ".join(p.said.name for p in records.points()) or Message("none")
            raise WrongUsageError(
                expected=Message("a point in use: %(known)s", known=known),
                found=Verbatim(repr(name)),
                remedy=Message("Name one of these."),
            )
        entry = records.correct(found[0].seq, why=why, stamp=stamp, withdraw=True)
    note(f"recorded as entry {entry.seq}")
