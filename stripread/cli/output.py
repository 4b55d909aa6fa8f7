"""How commands speak: data on stdout, talk on stderr, errors in three labelled lines."""

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TypeVar

import typer

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message

__all__ = ["as_we_go", "keep_existing", "note", "say", "say_error"]

_T = TypeVar("_T")


def say(text: str) -> None:
    """Print data."""
    typer.echo(text)


def note(text: str) -> None:
    """Print talk."""
    typer.echo(text, err=True)


def say_error(error: StripReadError) -> None:
    """Print an error: what was expected, what was found, what to do."""
    note(f"expected:   {error.expected}\nfound:      {error.found}\nwhat to do: {error.remedy}")


def keep_existing(path: Path, *, force: bool) -> None:
    """Refuse to write over a file, unless forced to; and to write into a folder that is not there."""
    if path.exists() and not force:
        raise WrongUsageError(
            expected=Message("a new file to write"),
            found=Message("%(path)s, which is there already", path=path),
            remedy=Message("Name another one, or add --force to replace it."),
        )
    if not path.parent.is_dir():
        raise WrongUsageError(
            expected=Message("a folder to write %(name)s into", name=path.name),
            found=Message("no folder %(folder)s", folder=path.parent),
            remedy=Message("Make it first."),
        )


def as_we_go(items: Iterable[_T], count: int, *, label: str = "reading photos") -> Iterator[_T]:
    """Pass the items on, with a progress bar on stderr where that is a terminal and stdout is not."""
    if count < 3 or not sys.stderr.isatty() or sys.stdout.isatty():
        yield from items
        return
    with typer.progressbar(items, length=count, label=label, file=sys.stderr) as bar:
        yield from bar
