"""The commands ``store receive``, ``use`` and ``list``: sachets and vials of strips, and how much is left."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated

import typer

from stripread.cli.inputs import Json, ParsedInputs, SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import At, day_of, when

__all__ = ["store_app"]

store_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Sachets and vials of strips: received, used, left.",
)

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
]


class _What(StrEnum):
    sachets = "sachets"
    strips = "strips"


@store_app.command()
def receive(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Of the box; of a vial the lot's number: its readings count as used.")
    ],
    what: Annotated[_What, typer.Option(metavar="sachets|strips", help="What is in it.")],
    count: Annotated[int, typer.Option(metavar="N", min=1, help="How many.")],
    expires: Annotated[
        date | None, typer.Option(metavar="DAY", parser=day_of("--expires"), help="The last day on which it is good.")
    ] = None,
    received: Annotated[
        date | None, typer.Option(metavar="DAY", parser=day_of("--received"), help="When it came. [today]")
    ] = None,
    lot: Annotated[str | None, typer.Option(metavar="TEXT", help="The maker's number of the box.")] = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter a box of sachets or a vial of strips that came.

    Example:

      stripread store receive UL-2603 --what strips --count 50 --expires 2027-06-30
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import StoreItem

    where, stamp = site_of_records(site), stamp_of(who)
    said = StoreItem(
        name=name,
        what="sachets" if what is _What.sachets else "strips",
        count=count,
        received=(received or stamp.at.date()).isoformat(),
        expires=None if expires is None else expires.isoformat(),
        lot=lot,
    )
    with open_site_records(where, create=stamp) as records:
        entry = records.add_store_item(said, stamp)
    note(f"recorded as entry {entry.seq}")


@store_app.command()
def use(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The box or vial.")],
    count: Annotated[int, typer.Option(metavar="N", min=0, help="How many were taken; 0: it was only opened.")] = 1,
    batch: Annotated[str | None, typer.Option(metavar="ID", help="The batch that they went into.")] = None,
    remark: Annotated[str, typer.Option(metavar="TEXT", help="What else to know, as 'got wet'.")] = "",
    at: At = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter what was taken from a box or vial; strips that were read are counted without it.

    Example:

      stripread store use box-7 --count 2 --batch C-14
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import StoreUse, take_from_store

    where, stamp, typed = site_of_records(site), stamp_of(who), ParsedInputs()
    said = StoreUse(item=name, count=count, at=when(at, stamp.at, typed), batch=batch, note=remark)
    with open_site_records(where) as records:
        entry = take_from_store(records, said, stamp)
    for words in typed.notes:
        say(str(words))
    note(f"recorded as entry {entry.seq}")


@store_app.command(name="list")
def list_stores(json: Json = False, site: SiteFolder = None) -> None:
    """List the boxes and vials, those that end first before the others.

    Example:

      stripread store list
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import store_standings, to_payload
    from stripread.report import table, to_line

    with open_site_records(site_of_records(site)) as records:
        found = store_standings(records, at=datetime.now().astimezone())
    rows = []
    for one in found:
        opened = "" if one.opened is None else one.opened.date().isoformat()
        if json:
            say(to_line({**to_payload(one.said), "left": one.left, "lately": one.lately, "opened": opened or None}))
            continue
        counts = (str(one.left), str(one.said.count))
        rows.append((one.said.name, one.said.what, *counts, opened, one.said.expires or "", str(one.lately)))
    if not json:
        heads = ("name", "what", "left", "of", "opened", "good until", "used in two weeks")
        say(table(heads, rows) if rows else "Nothing in store: stripread store receive")
