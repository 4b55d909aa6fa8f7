"""Checks of lots: the record names their rows in the lots' own files, and notices when one is no longer there."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection

from stripread.errors import RecordFileError
from stripread.lot.record import CheckRow, load_record, row_text
from stripread.records.entries import CheckStandard, from_payload
from stripread.records.queries import page_of_entries

__all__ = ["check_standard_of", "lost_checks"]

_PAGE = 500


def check_standard_of(row: CheckRow, *, lot: str, file: str) -> CheckStandard:
    """Return how the record names a row of a lot's file of checks; ``file`` counts from the site's folder."""
    return CheckStandard(
        lot=lot,
        file=file,
        photo_sha256=row.photo_sha256,
        lot_sha256=row.lot_sha256,
        pad=row.pad,
        row_sha256=_hash(row),
    )


def lost_checks(connection: Connection, folder: Path) -> Iterator[tuple[int, str]]:
    """Entries whose row is gone or says something else now, and which; withdrawn checks are not looked for."""
    name, rows, before = None, set[str](), None
    while page := page_of_entries(
        connection, kind="check_standard", subject=None, superseded=False, before=before, limit=_PAGE
    ):
        before = page[-1].seq
        for entry in page:
            if entry.withdrawn:
                continue
            check = from_payload(CheckStandard, entry.payload)
            if check.file != name:
                name = check.file
                try:
                    rows = {_hash(row) for row in load_record(folder / name)}
                except (RecordFileError, OSError):
                    rows = set()
            if check.row_sha256 not in rows:
                yield entry.seq, check.file


def _hash(row: CheckRow) -> str:
    return hashlib.sha256(row_text(row).encode("utf-8")).hexdigest()
