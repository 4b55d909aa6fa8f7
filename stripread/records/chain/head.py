"""The head: how many entries there are and the hash of the last, in a small file beside the database.

A chain alone does not show that its end was cut off. The head does, as long as whoever cuts does not change it as well.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from stripread.errors import RecordsError
from stripread.files import lock, read_json, write_file
from stripread.i18n import Message, Verbatim
from stripread.records.chain.canonical import FIRST_PREVIOUS

__all__ = ["HEAD", "HEAD_REMEDY", "NO_HEAD", "Head", "keep_head", "load_head", "renew_head"]

HEAD = "records.head.json"
HEAD_REMEDY = Message(
    "Take the file from a backup. Where there is none, hold the record against a head that was noted elsewhere "
    "(`stripread records verify --anchor`); if it is whole, `stripread records head --renew --why ...` writes the file "
    "anew and enters who did so."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The end of the chain."""

    count: int
    hash: str

    def __str__(self) -> str:
        """Return it as it may be noted down, and given back to ``records verify --anchor``."""
        return f"{self.count}:{self.hash}"


NO_HEAD = Head(count=0, hash=FIRST_PREVIOUS)


def load_head(folder: Path) -> Head | None:
    """Read the head of a folder; None where there is none.

    Raises
    ------
    RecordsError
        If the file is no head.
    """
    path = folder / HEAD
    try:
        data = read_json(path.read_bytes())
        return Head(count=int(data["count"]), hash=str(data["hash"]))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordsError(
            expected=Message("the head of the record in %(path)s", path=path),
            found=Verbatim(str(error)),
            remedy=HEAD_REMEDY,
        ) from error


def renew_head(folder: Path, head: Head) -> None:
    """Write the head whatever stands there; `OSError`."""
    write_file(folder / HEAD, json.dumps(asdict(head)).encode() + b"\n")


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Let no other writer look and write between: a slower one would set the head back."""
    if os.name == "nt":  # a folder cannot be opened there: two processes on one record may leave the head behind
        yield
        return
    held = os.open(folder, os.O_RDONLY)
    try:
        lock(held)
        yield
    finally:
        os.close(held)  # which lets go of it


def keep_head(folder: Path, head: Head) -> None:
    """Write the head, unless a later one is there.

    The entry is committed already: a head that cannot be written now is no reason to call it lost. The next will be.
    """
    with suppress(OSError, RecordsError), _alone(folder):
        before = load_head(folder)
        if before is None or before.count < head.count:
            renew_head(folder, head)
