"""The command ``note``: a remark in the record, an event with a time of its own, or why a reading was missed."""

from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.inputs import ParsedInputs
from stripread.cli.output import note as talk
from stripread.cli.output import say
from stripread.cli.typed import At, when
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

__all__ = ["note"]


def note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What is to be remembered.")],
    about: Annotated[
        int | None, typer.Option(metavar="ENTRY", min=1, help="The entry that it is about: `log` shows its number.")
    ] = None,
    tag: Annotated[list[str] | None, typer.Option(metavar="WORD", help="A word that it goes under. Repeat it.")] = None,
    at: At = None,
    kind: Annotated[
        str | None,
        typer.Option(
            "--type", metavar="TYPE", help="Of an event: shock, flush, 'filter change', ... or one of site.toml."
        ),
    ] = None,
    line: Annotated[str | None, typer.Option(metavar="NAME", help="The line that an event was on.")] = None,
    tank: Annotated[str | None, typer.Option(metavar="NAME", help="The tank that it was about.")] = None,
    missed: Annotated[
        str | None, typer.Option(metavar="POINT", help="TEXT is why this point was not read then.")
    ] = None,
    tick: Annotated[
        int | None, typer.Option(metavar="ENTRY", min=1, help="TEXT is a check of this event, and is done.")
    ] = None,
    who: Annotated[
        str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
    ] = None,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """Enter a note, or an event with a time of its own; `log --kind note` lists them.

    A shock treatment has checks: its line reads with a finding until they are ticked. Follow the product's label, local
    codes and licensed practice.

    Example:

      stripread note "50 mg/L for an hour" --type shock --line east --at "4 May 6:00"
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import Note, tick_check

    tags = tuple(word.strip() for word in tag or ())
    if not text.strip() or not all(tags):
        raise WrongUsageError(
            expected=Message("a note of some words"),
            found=Message("an empty text or tag"),
            remedy=Message("Write it, or leave the tag out."),
        )
    if sum(one is not None for one in (kind, missed, tick)) > 1:
        raise WrongUsageError(
            expected=Message("one of --type, --missed and --tick"),
            found=Message("several"),
            remedy=Message("Enter them one by one."),
        )
    where, stamp, typed = site_of_records(site), stamp_of(who), ParsedInputs()
    if kind is not None and kind not in where.events:
        raise WrongUsageError(
            expected=Message("a type of event: %(known)s", known=", ".join(where.events)),
            found=Verbatim(repr(kind)),
            remedy=Message("Name one of these, or add [event.NAME] to site.toml."),
        )
    happened = None if at is None else when(at, stamp.at, typed)
    if missed is not None and happened is None:
        happened = stamp.at
    said = Note(
        text=text.strip(),
        about=about,
        tags=tags,
        at=happened,
        type="missed" if missed is not None else kind,
        line=line,
        tank=tank,
        point=missed,
    )
    with open_site_records(where, create=stamp) as records:
        if tick is not None:
            entry, left = tick_check(records, where.events, tick, check=said.text, at=happened, stamp=stamp)
            say(f"still to be ticked: {', '.join(left)}" if left else "✔ all checks are ticked")
        else:
            entry = records.add_note(said, stamp)
    for words in typed.notes:
        say(str(words))
    talk(f"recorded as entry {entry.seq}")
