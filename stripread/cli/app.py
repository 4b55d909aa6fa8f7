"""The command line: each command parses, calls one function and sets the exit code.

Heavy packages are imported by the commands that need them, so that ``--help`` is quick. Only here is the clock read.
"""

import errno
import io
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from stripread import __version__
from stripread.cli.card import card_app
from stripread.cli.lot.checks import watch_commands
from stripread.cli.lot.lots import kind_app, lot_app
from stripread.cli.output import note, say, say_error
from stripread.cli.records.action import action_app
from stripread.cli.records.batch import batch_app
from stripread.cli.records.injector import injector_app
from stripread.cli.records.log import log
from stripread.cli.records.measure import measure
from stripread.cli.records.note import note as enter_note
from stripread.cli.records.point import point_app
from stripread.cli.records.report import report
from stripread.cli.records.stores import store_app
from stripread.cli.records.tank import tank_app
from stripread.cli.records.today import today
from stripread.cli.records.trend import trend
from stripread.cli.records.upkeep import records_app
from stripread.cli.serve import person_app, serve
from stripread.cli.simulate import simulate_app
from stripread.cli.study import study_app
from stripread.cli.typed import dipped, seconds_of
from stripread.cli.water.stock import water_app
from stripread.errors import StripReadError, WrongUsageError
from stripread.files import NO_ROOM
from stripread.findings import REGISTRY
from stripread.i18n import Message, Verbatim

__all__ = ["app", "main"]


class _Group(TyperGroup):
    """All commands; the one place where errors that a user can act on become words and an exit code."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except StripReadError as error:
            say_error(error)
            raise typer.Exit(2 if isinstance(error, WrongUsageError) else 1) from error
        except OSError as error:  # a full disk, a folder that may not be written to
            if error.errno == errno.EPIPE:  # whoever read our output has gone; typer ends quietly
                raise
            say_error(_system_error(error))
            raise typer.Exit(1) from error
        except KeyboardInterrupt as error:
            raise typer.Exit(130) from error


def _system_error(error: OSError) -> StripReadError:
    """Return what the system says of a file or folder as an error that tells what to do."""
    found = Verbatim(f"{error.strerror or error} ({error.filename})" if error.filename else str(error))
    if error.errno in NO_ROOM:
        return StripReadError(
            expected=Message("room on the disk"),
            found=found,
            remedy=Message("Free some, and try again. What was there before is there still."),
        )
    return StripReadError(
        expected=Message("files and folders that can be read and written"),
        found=found,
        remedy=Message("Look whether it is there, and who may read and write it."),
    )


app = typer.Typer(
    name="stripread",
    cls=_Group,
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        say(f"stripread {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Read test strips from phone photos with a printed reference card.

    A first reading:

      stripread read photo.jpg --lot lot.json --sample line --card card.toml
    """


@app.command()
def read(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos, each of one strip on the card.")],
    lot: Annotated[str, typer.Option(metavar="LOT", help="The strip's lot: a name known to the site, or a lot file.")],
    sample: Annotated[str, typer.Option(metavar="TYPE", help="What it was dipped into: source, stock, line, ...")],
    card: Annotated[
        str | None,
        typer.Option(metavar="CARD", help="The card print: a name known to the site, or a card file. [the site's]"),
    ] = None,
    kind: Annotated[
        str | None, typer.Option(metavar="KIND", help="The strip kind: a name or a file. [the lot's]")
    ] = None,
    point: Annotated[str | None, typer.Option(metavar="NAME", help="Where the sample was taken.")] = None,
    dipped_at: Annotated[
        datetime | None,
        typer.Option(
            metavar="TIME",
            parser=dipped,
            help="When the strip was dipped, as 2026-05-04T09:30:00 or 9:30: checks the read window by the photo's own "
            "time.",
        ),
    ] = None,
    diluted: Annotated[
        str | None,
        typer.Option(
            metavar="HOW",
            help='The sample was diluted before the dip: "1 part in 10" of the whole, "1 part to 9" of water, "50 mL '
            'to 500 mL" or "50 mL + 450 mL", each with its u where known, as "50 mL u 0.5 mL". The numbers are then '
            "those of the undiluted sample.",
        ),
    ] = None,
    replicates: Annotated[
        bool, typer.Option("--replicates", help="All photos show strips of one sample: check that they agree.")
    ] = False,
    together: Annotated[
        bool,
        typer.Option("--together", help="All photos show one sample: also combine them into one reading."),
    ] = False,
    one_strip: Annotated[
        bool, typer.Option("--one-strip", help="With --together: the photos show one and the same strip.")
    ] = False,
    budget: Annotated[bool, typer.Option("--budget", help="Add what contributes to the uncertainty.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per photo, a line each.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Draw the verdict on the photo; for several, a folder or out-{}.png."),
    ] = None,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
    flash: Annotated[
        Path | None,
        typer.Option(
            metavar="PHOTO",
            help="The same strip, with the phone's flash: the light of the place is taken off. One PHOTO.",
        ),
    ] = None,
    jobs: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="Photos read at a time. [processors, at most 4]")
    ] = None,
    record: Annotated[
        bool, typer.Option("--record", help="Keep the reading, with photo and lot file, in the site's record.")
    ] = False,
    who: Annotated[
        str | None,
        typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="With --record: who reads. [who is logged in]"),
    ] = None,
    batch: Annotated[
        str | None,
        typer.Option(metavar="ID", help="With --record: the batch the sample is of. [the latest concentrate or stock]"),
    ] = None,
    flushed: Annotated[
        float | None,
        typer.Option(
            metavar="S",
            parser=seconds_of("--flushed"),
            help="With --record: for how many seconds the outlet was flushed.",
        ),
    ] = None,
) -> None:
    """Read photos of dipped strips: concentration, interval, verdict, what to do.

    Example:

      stripread read photo.jpg --lot ultralow-a --sample line --overlay out.png

    Exit codes: 0 all valid and within; 1 an error or an unreadable photo; 2 wrong usage; 3 something is doubtful,
    invalid or outside its range.
    """
    from stripread.cli.read import read_photos
    from stripread.cli.read_options import ReadOptions

    code = read_photos(
        ReadOptions(
            photos=photos,
            lot=lot,
            sample=sample,
            card=card,
            kind=kind,
            point=point,
            dipped_at=dipped_at,
            replicates=replicates,
            together=together,
            one_strip=one_strip,
            budget=budget,
            json=json,
            overlay=overlay,
            site=site,
            jobs=jobs,
            flash=flash,
            record=record,
            who=who,
            batch=batch,
            flushed_s=flushed,
            diluted=diluted,
        ),
        now=datetime.now().astimezone(),
    )
    raise typer.Exit(code)


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The site's folder; made if need be.")],
    database: Annotated[
        str | None,
        typer.Option(metavar="URL", help="PostgreSQL for the record, postgresql://name@host/database. [a file in DIR]"),
    ] = None,
    who: Annotated[
        str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who begins. [who is logged in]")
    ] = None,
) -> None:
    """Begin a site: a first site.toml, that of an invented nursery, to be edited, and an empty record.

    Example:

      stripread init my-nursery
    """
    from stripread.cli.site_record import open_site_records, stamp_of
    from stripread.site import load_site, write_demo_site

    stamp = stamp_of(who)
    file = write_demo_site(folder, database=database)
    try:
        with open_site_records(load_site(folder), create=stamp) as records:
            note(f"wrote {file}; put your own ranges in place of its demo values")
            note(f"began the record in {records.database.name}")
    except BaseException:
        file.unlink()  # else the next try would find a site that was never begun
        raise


@app.command()
def findings() -> None:
    """List every finding that a reading can carry: code, severity, meaning, advice.

    Example:

      stripread findings
    """
    for kind in REGISTRY.values():
        say(f"{kind.code} ({kind.severity}): {kind.meaning}\n    {kind.advice}")


app.add_typer(card_app, name="card")
watch_commands(lot_app)
app.add_typer(lot_app, name="lot")
app.add_typer(kind_app, name="kind")
app.command()(log)
app.command(context_settings={"ignore_unknown_options": True})(measure)  # an ORP may be -50 mV
app.add_typer(records_app, name="records")
app.add_typer(water_app, name="water")
app.command()(today)
app.command()(trend)
app.command()(report)
app.command()(serve)
app.add_typer(study_app, name="study")
app.add_typer(person_app, name="person")
app.add_typer(point_app, name="point")
app.add_typer(injector_app, name="injector")
app.add_typer(batch_app, name="batch")
app.add_typer(tank_app, name="tank")
app.add_typer(action_app, name="action")
app.add_typer(store_app, name="store")
app.command(name="note")(enter_note)
app.add_typer(simulate_app, name="simulate")


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without the signs shows "?" and goes on
    app()
