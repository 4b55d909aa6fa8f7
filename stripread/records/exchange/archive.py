"""Backup and restore: the whole record in one ZIP file, checked after it is written and before it is unpacked.

The entries go in as lines of JSON, read in one snapshot of either database while others write on. SQLite's own backup
copies pages; lines of JSON serve both databases, restore from one into the other, and outlive the tables' shape.
"""

import hashlib
import json
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import select

from stripread.errors import RecordsError
from stripread.files import UNFINISHED, open_whole
from stripread.i18n import Message, Shown, Verbatim
from stripread.records.chain.canonical import COLUMNS
from stripread.records.chain.chain import rows_in_order, write_rows
from stripread.records.chain.files import KEPT
from stripread.records.chain.head import NO_HEAD, Head, keep_head
from stripread.records.chain.verify import Fault, check_rows
from stripread.records.database import refresh_statistics
from stripread.records.failures import failures_in_words
from stripread.records.store import Records, open_records
from stripread.records.tables import files

__all__ = ["back_up", "check_archive", "restore"]

_ENTRIES, _HEAD = "entries.jsonl", "head.json"
_CHUNK = 500
_SHRINKS = {".toml", ".json", ".csv"}
# What a ZIP file with broken bytes may raise.
_BROKEN = (zipfile.BadZipFile, zlib.error, KeyError, ValueError, TypeError, EOFError, NotImplementedError, RuntimeError)


def back_up(records: Records, out: Path, *, beside: Sequence[Path] = ()) -> Head:
    """Write a backup, check it, and return the head that it holds.

    Parameters
    ----------
    beside : sequence of Path
        Further files of the site's folder to go in: the site file, lots and cards by name, files of checks.

    Raises
    ------
    RecordsError
        If the record is damaged, a kept file is not what it was, or there is no room. ``out`` is then not written.
    """
    with failures_in_words(str(out)), open_whole(out) as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            head = _write(records, archive, beside)
        file.flush()
        if check_archive(Path(file.name)) != head:
            raise _damaged(out, Message("another head than was written"))
    return head


def _write(records: Records, archive: zipfile.ZipFile, beside: Sequence[Path]) -> Head:
    head = NO_HEAD
    names = {_ENTRIES, _HEAD}
    with records.database.reading() as connection:
        with archive.open(_ENTRIES, "w", force_zip64=True) as lines:
            for rows in rows_in_order(connection):
                head = check_rows(head, rows, _refuse)
                for row in rows:
                    lines.write(json.dumps(row, ensure_ascii=False).encode("utf-8") + b"\n")
        archive.writestr(_HEAD, json.dumps({"count": head.count, "hash": head.hash}))
        after = ""
        while paths := connection.execute(
            select(files.c.path).where(files.c.path > after).distinct().order_by(files.c.path).limit(_CHUNK)
        ).scalars().all():  # fmt: skip
            for path in paths:
                archive.write(records.folder / path, path, zipfile.ZIP_STORED)  # photos do not shrink
                names.add(path)
            after = paths[-1]
    for path in beside:
        name = path.resolve().relative_to(records.folder.resolve()).as_posix()
        if name not in names:
            archive.write(path, name, zipfile.ZIP_DEFLATED if path.suffix in _SHRINKS else zipfile.ZIP_STORED)
            names.add(name)
    return head


def _refuse(fault: Fault, where: Shown, found: Shown) -> None:
    raise RecordsError(
        expected=Message("a record in order"),
        found=Message("%(where)s %(fault)s: %(found)s", where=where, fault=Message(fault), found=found),
        remedy=Message("Run `stripread records verify`, and keep the backups that there are."),
    )


def check_archive(path: Path) -> Head:
    """Check a backup whole, without unpacking it: chain, head, and every file by its hash. Return its head.

    Raises
    ------
    RecordsError
        If it is no backup or anything in it is damaged.
    """
    with _opened(path) as archive:
        head, needed = _check_entries(archive, path)
        members = {info.filename: info for info in archive.infolist()}
        for name in members:
            if name.startswith("/") or ".." in name.split("/") or "\\" in name or ":" in name:
                raise _damaged(path, Message("a name that leads out of the folder: %(name)s", name=repr(name)))
        for name in needed:
            if name not in members:
                raise _damaged(path, Message("no %(name)s", name=name))
        for name in members:
            sha256 = hashlib.sha256()
            with archive.open(name) as file:  # reading to the end checks the CRC too
                while piece := file.read(1 << 20):
                    sha256.update(piece)
            kept = KEPT.fullmatch(name)
            if kept is not None and kept[1] != sha256.hexdigest():
                raise _damaged(path, Message("%(name)s with other bytes than were recorded", name=name))
    return head


def _check_entries(archive: zipfile.ZipFile, path: Path) -> tuple[Head, set[str]]:
    head, needed = NO_HEAD, set()

    def wrong(fault: Fault, where: Shown, found: Shown) -> None:
        raise _damaged(path, Message("%(where)s %(fault)s: %(found)s", where=where, fault=Message(fault), found=found))

    for rows in _rows(archive):
        head = check_rows(head, rows, wrong)
        needed |= {ref["path"] for row in rows for ref in json.loads(row["files"])}
    told = json.loads(archive.read(_HEAD))
    if told != {"count": head.count, "hash": head.hash}:
        raise _damaged(path, Message("%(found)s entries where %(due)s are due", found=head.count, due=told["count"]))
    return head, needed


def _rows(archive: zipfile.ZipFile) -> Iterator[list[dict[str, Any]]]:
    rows = []
    with archive.open(_ENTRIES) as lines:
        for line in lines:
            row = json.loads(line)
            if set(row) != set(COLUMNS):
                raise ValueError(f"an entry with the keys {', '.join(row)}")
            rows.append(row)
            if len(rows) == _CHUNK:
                yield rows
                rows = []
    if rows:
        yield rows


def restore(path: Path, folder: Path, *, url: str | None = None) -> Head:
    """Check a backup and unpack it into a folder that is empty or not there; return its head.

    Parameters
    ----------
    url : str or None
        An empty PostgreSQL database to put the entries into; else they go into SQLite in the folder.

    Raises
    ------
    RecordsError
        If the backup is damaged, the folder holds something, or the database does.
    """
    head = check_archive(path)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordsError(
            expected=Message("an empty folder, or a new one"),
            found=Message("%(folder)s holds something", folder=folder),
            remedy=Message("Name another folder."),
        )
    with failures_in_words(str(folder)):
        folder.parent.mkdir(parents=True, exist_ok=True)
        unfinished = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=folder.parent))
        try:
            with _opened(path) as archive:
                for name in archive.namelist():
                    if name not in (_ENTRIES, _HEAD):
                        archive.extract(name, unfinished)
                with open_records(unfinished, url, create=True) as records:
                    _fill(records, archive, head)
            unfinished.chmod(0o755)
            if folder.exists():
                folder.rmdir()
            unfinished.rename(folder)
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
    return head


def _fill(records: Records, archive: zipfile.ZipFile, head: Head) -> None:
    with records.database.writing() as connection:
        if next(rows_in_order(connection), None):
            raise RecordsError(
                expected=Message("an empty database"),
                found=Message("one that holds a record"),
                remedy=Message("Name another database."),
            )
        for rows in _rows(archive):
            write_rows(connection, rows)
        refresh_statistics(connection)
    keep_head(records.folder, head)


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a backup; whatever its bytes trip up is told as damage."""
    if not path.is_file():
        raise RecordsError(
            expected=Message("a backup"),
            found=Message("no file %(path)s", path=path),
            remedy=Message("Check its name."),
        )
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except _BROKEN as error:
        raise _damaged(path, Verbatim(str(error))) from error


def _damaged(path: Path, found: Shown) -> RecordsError:
    return RecordsError(
        expected=Message("a whole backup in %(path)s", path=path),
        found=found,
        remedy=Message("Nothing was unpacked. Take another backup."),
    )
