"""Checks of lots: the record names their rows in the lots' own files, and notices when one is no longer there."""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection, select

from stripread.check import normal_score
from stripread.errors import RecordFileError, RecordsError
from stripread.lot import CheckRow, Lot, load_record, row_text
from stripread.records.chain.canonical import COLUMNS
from stripread.records.chain.chain import rows_in_order
from stripread.records.chain.entries import CheckStandard, from_payload
from stripread.records.queries.readings import superseded_by
from stripread.records.store import Records
from stripread.records.tables import entries

__all__ = ["check_rows", "check_standard_of", "lost_checks", "lot_scores"]

_LATEST = 200  # checks that are looked at


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
    columns = [entries.c[name] for name in COLUMNS]
    name, rows = None, set[str]()
    for page in rows_in_order(connection, select(*columns).where(entries.c.kind == "check_standard")):
        later = superseded_by(connection, [row["seq"] for row in page])
        for row in page:
            check = None if row["seq"] in later else _check_of(row["payload"])
            if check is None:
                continue
            if check.file != name:
                name, rows = check.file, _rows_in(folder / check.file)
            if check.row_sha256 not in rows:
                yield row["seq"], check.file


def _check_of(payload: str) -> CheckStandard | None:
    """Return the check that an entry names; None where it is withdrawn, or was changed and is told as that."""
    try:
        said = json.loads(payload)
        return None if said.get("withdrawn") else from_payload(CheckStandard, said)
    except (RecordsError, AttributeError, TypeError, ValueError):
        return None


def _rows_in(path: Path) -> set[str]:
    try:
        return {_hash(row) for row in load_record(path)}
    except (RecordFileError, OSError):
        return set()


def _hash(row: CheckRow) -> str:
    return hashlib.sha256(row_text(row).encode("utf-8")).hexdigest()


def lot_scores(records: Records, lot: Lot) -> tuple[float, ...] | None:
    """Return the normal scores of the lot's checks in this calibration; None where the record keeps none at all."""
    if not records.check_standards(limit=1):
        return None
    rows = check_rows(records, lot.number)
    own = (row for row in rows if row.pad == lot.pads[0].pad and row.lot_sha256 == lot.sha256 and row.counts)
    return tuple(score for row in own if (score := normal_score(row)) is not None)


def check_rows(records: Records, lot: str) -> list[CheckRow]:
    """Return the checks of a lot that the record knows of, the earliest first, from the lot's own file of checks."""
    own = [check.said for check in records.check_standards(lot=lot, limit=_LATEST)]
    wanted = {(check.photo_sha256, check.lot_sha256, check.pad) for check in own}
    rows: list[CheckRow] = []
    for file in sorted({check.file for check in own}):
        rows += [r for r in load_record(records.folder / file) if (r.photo_sha256, r.lot_sha256, r.pad) in wanted]
    return sorted(rows, key=lambda row: row.when)
