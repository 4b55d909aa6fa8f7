"""The commands ``tank list`` and ``tank emptied``, and what becomes of a batch: ``batch discard``, ``batch move``."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from stripread.cli.inputs import Json, ParsedInputs, SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import At, when
from stripread.i18n import Message
from stripread.units import Moment

__all__ = ["discard", "move", "tank_app"]

tank_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="The tanks and what stands in them.")

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who did it. [who is logged in]")
]
_Remark = Annotated[str, typer.Option(metavar="TEXT", help="Why, or what else to know.")]


@tank_app.command(name="list")
def list_tanks(json: Json = False, site: SiteFolder = None) -> None:
    """List the tanks: what stands in each, how strong it is by now, how much is left, and what draws from it.

    Example:

      stripread tank list
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import tank_standings
    from stripread.report import strength_words, table, to_line
    from stripread.units import tell_volume

    where, rows, lines = site_of_records(site), [], []
    with open_site_records(where) as records:
        found = tank_standings(records, where, at=datetime.now().astimezone())
    for tank in found:
        left = "" if tank.left is None else str(tell_volume(tank.left.volume_l.value, where.units))
        if tank.left is not None and tank.left.at_most:
            left = f"at most {left}"
        name = "" if tank.batch is None else tank.batch.id
        rows.append((tank.name, name or "empty", strength_words(tank.strength), left, ", ".join(tank.injectors)))
        lines.append(
            {
                "tank": tank.name,
                "batch": name or None,
                "strength_mg_per_l": None if tank.strength is None else tank.strength.value,
                "interval": None if tank.strength is None else list(tank.strength.interval),
                "left_l": None if tank.left is None else tank.left.volume_l.value,
                "at_most": None if tank.left is None else tank.left.at_most,
                "injectors": list(tank.injectors),
            }
        )
    if json:
        for line in lines:
            say(to_line(line))
        return
    heads = ("tank", "batch", "now [mg/L]", "left", "drawn by")
    say(table(heads, rows) if rows else "No tanks yet: name one in site.toml, or with a batch.")


@tank_app.command()
def emptied(
    name: Annotated[str, typer.Argument(metavar="TANK", help="Which one.")],
    at: At = None,
    remark: _Remark = "",
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter that a tank was emptied.

    Example:

      stripread tank emptied "stock tank" --remark "cleaned"
    """
    _enter("emptied", _Done(at=at, remark=remark, who=who, site=site), tank=name)


def discard(
    batch: Annotated[str, typer.Argument(metavar="ID", help="Which batch.")],
    volume: Annotated[str | None, typer.Option(metavar="VOLUME", help="How much of it. [all]")] = None,
    at: At = None,
    remark: _Remark = "",
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter that a batch, or some of it, was thrown away, as its label and local rules ask.

    Example:

      stripread batch discard C-14 --volume "5 L"
    """
    litres = ParsedInputs().maybe_exact(volume, "volume", name=Message("the volume"))
    _enter("discarded", _Done(at=at, remark=remark, who=who, site=site), batch=batch, volume_l=litres)


def move(
    batch: Annotated[str, typer.Argument(metavar="ID", help="Which batch.")],
    tank: Annotated[str, typer.Option(metavar="TANK", help="Into which tank it was put.")],
    at: At = None,
    remark: _Remark = "",
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter that a batch was put into another tank.

    Example:

      stripread batch move S-14 --tank "west tank"
    """
    _enter("moved", _Done(at=at, remark=remark, who=who, site=site), batch=batch, tank=tank)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """When something was done, why and by whom, and at which site."""

    at: Moment | None
    remark: str
    who: str | None
    site: Path | None


def _enter(
    what: Literal["emptied", "discarded", "moved"],
    done: _Done,
    *,
    tank: str | None = None,
    batch: str | None = None,
    volume_l: float | None = None,
) -> None:
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import TankEvent

    where, stamp = site_of_records(done.site), stamp_of(done.who)
    typed = ParsedInputs()
    at = when(done.at, stamp.at, typed)
    event = TankEvent(what=what, at=at, tank=tank, batch=batch, volume_l=volume_l, note=done.remark)
    with open_site_records(where, create=stamp) as records:
        entry = records.add_tank_event(event, stamp)
    for words in typed.notes:
        say(str(words))
    note(f"recorded as entry {entry.seq}")
