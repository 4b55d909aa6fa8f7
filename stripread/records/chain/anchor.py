"""Heads noted down off the machine: a file elsewhere that only grows, a line for each time that something was entered.

Whoever can write to the site's folder can make the whole record anew, head included; this file then tells so, as long
as it lies where the same person cannot write: a share of the office that only lets files grow, a mounted server.
"""

import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from stripread.errors import RecordsError
from stripread.i18n import Message, Verbatim
from stripread.records.chain.canonical import utc_text
from stripread.records.chain.head import Head

__all__ = ["note_head", "noted_heads"]


def note_head(file: Path, head: Head, *, at: datetime) -> None:
    """Add a head to the file. The entry is committed already: a share that is away is told by verification."""
    with suppress(OSError), file.open("ab", buffering=0) as out:
        out.write(f"{utc_text(at)} {head}\n".encode())
        os.fsync(out.fileno())


def noted_heads(file: Path) -> Iterator[Head]:
    """Pass on the heads of the file.

    Raises
    ------
    RecordsError
        If it cannot be read, or a line is no head; the last one may have been cut short by a power cut.
    """
    try:
        lines = file.read_text(encoding="utf-8", errors="replace").split("\n")
    except OSError as error:
        raise RecordsError(
            expected=Message("the heads noted down in %(path)s", path=file),
            found=Verbatim(str(error.strerror)),
            remedy=Message("Look whether the share is there. The file is begun with the next entry."),
        ) from error
    for number, line in enumerate(lines[:-1], start=1):
        count, _, sha256 = line.rpartition(" ")[2].partition(":")
        if not count.isdecimal() or len(sha256) != 64:
            raise RecordsError(
                expected=Message("a head in each line of %(path)s", path=file),
                found=Message("another thing in line %(line)s", line=number),
                remedy=Message("Look who changed the file; take that line out once you know."),
            )
        yield Head(count=int(count), hash=sha256)
