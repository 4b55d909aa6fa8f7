"""The command ``note``: a remark in the record."""

from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.output import note as talk
from stripread.errors import WrongUsageError
from stripread.i18n import Message

__all__ = ["note"]


def note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What is to be remembered.")],
    about: Annotated[
        int | None, typer.Option(metavar="ENTRY", min=1, help="The entry that it is about: `log` shows its number.")
    ] = None,
    tag: Annotated[list[str] | None, typer.Option(metavar="WORD", help="A word that it goes under. Repeat it.")] = None,
    who: Annotated[
        str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
    ] = None,
    site: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
    ] = None,
) -> None:
    """Enter a note into the record; `log --kind note` lists them.

    Example:

      stripread note "filter at the well changed" --tag filter
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import Note

    tags = tuple(word.strip() for word in tag or ())
    if not text.strip() or not all(tags):
        raise WrongUsageError(
            expected=Message("a note of some words"),
            found=Message("an empty text or tag"),
            remedy=Message("Write it, or leave the tag out."),
        )
    where, stamp = site_of_records(site), stamp_of(who)
    with open_site_records(where, create=stamp) as records:
        entry = records.add_note(Note(text=text.strip(), about=about, tags=tags), stamp)
    talk(f"recorded as entry {entry.seq}")
