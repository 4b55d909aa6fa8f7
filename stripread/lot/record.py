"""The record of a lot's check standards: a CSV file that only grows, a row for each check.

The columns are those of ``docs/reference/file-formats.md``. Rows are appended in one write and never rewritten.
"""

import csv
import io
import math
import os
import re
from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from datetime import datetime
from pathlib import Path

from stripread.errors import RecordFileError
from stripread.i18n import Message, Shown
from stripread.lot.verify import standard_score

__all__ = ["RECORD", "CheckRow", "append_row", "chart_scores", "find_row", "load_record", "row_text"]

RECORD = "verification.csv"  # beside the lot file, unless another is named


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One check; the fields are the columns.

    Attributes
    ----------
    known, u_known, value, u, low, high : float
        In the pad's unit. ``value`` and ``u`` are None where the reading gave no number, ``low`` and ``high`` where
        its 95 % interval has no such end, or there is none.
    e_n : float or None
        The normalised error; None without a number.
    findings : tuple of str
        Codes of the findings that doubt the reading; those that only explain it are not kept.
    """

    when: datetime
    photo: str
    photo_sha256: str
    lot_sha256: str
    pad: str
    known: float
    u_known: float
    value: float | None
    u: float | None
    low: float | None
    high: float | None
    e_n: float | None
    findings: tuple[str, ...]

    @property
    def read_at(self) -> datetime:
        """When it was read, on the clock there; on the one here where the row tells UTC, as of no place."""
        return self.when if self.when.utcoffset() else self.when.astimezone()

    @property
    def z(self) -> float | None:
        """Score for the control chart; None without a number."""
        if self.value is None or self.u is None:
            return None
        return standard_score(self.value, self.u, known=self.known, u_known=self.u_known)

    @property
    def counts(self) -> bool:
        """Whether the control chart counts it: a number that nothing doubts."""
        return self.z is not None and not self.findings


_COLUMNS = tuple(field.name for field in fields(CheckRow))
_SHA256 = re.compile(r"[0-9a-f]{64}")


def load_record(path: Path) -> tuple[CheckRow, ...]:
    """Read a record; no rows where there is no file yet.

    Raises
    ------
    RecordFileError
        If the file is not such a record, or a row is damaged; names the line. The file is left as it is.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return ()
    except UnicodeDecodeError as error:
        raise _wrong(path, Message("bytes that are no text (%(reason)s)", reason=error.reason)) from None
    if not text:
        return ()
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = []
    try:
        if tuple(next(lines)) != _COLUMNS:
            raise _wrong(
                path,
                Message(
                    "a first line %(found)s, which is not %(wanted)s",
                    found=repr(text.splitlines()[0][:80]),
                    wanted=",".join(_COLUMNS),
                ),
            )
        for cells in lines:
            if cells:
                rows.append(_row(cells))
    except (csv.Error, ValueError) as error:
        raise _wrong(path, Message("line %(line)s: %(error)s", line=lines.line_num, error=error)) from None
    return tuple(rows)


def find_row(rows: Sequence[CheckRow], row: CheckRow) -> CheckRow | None:
    """Return the row that has recorded the same pad of the same photo with the same lot file; None if none has."""
    key = (row.photo_sha256, row.lot_sha256, row.pad)
    return next((r for r in rows if (r.photo_sha256, r.lot_sha256, r.pad) == key), None)


def append_row(path: Path, row: CheckRow) -> None:
    """Add a row to the end of a record that `load_record` has read, or start one.

    What was in the file stays as it is: the row goes to its end in one write, and is taken back if the disk is full.
    """
    out = io.StringIO()
    with path.open("a+b", buffering=0) as file:
        size = file.seek(0, os.SEEK_END)
        if size == 0:
            csv.writer(out, lineterminator="\n").writerow(_COLUMNS)
        else:
            file.seek(size - 1)
            if file.read(1) not in b"\r\n":  # a spreadsheet may have left the last line open
                out.write("\n")
        out.write(row_text(row))
        data = out.getvalue().encode("utf-8")
        try:
            if file.write(data) != len(data):
                raise OSError(f"{path}: the row could not be written whole")
            os.fsync(file.fileno())
        except OSError:
            file.truncate(size)
            raise


def row_text(row: CheckRow) -> str:
    """Return a row as it stands in the file, its line end included."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([_cell(cell) for cell in astuple(row)])
    return out.getvalue()


def chart_scores(rows: Sequence[CheckRow], *, pad: str, lot_sha256: str) -> list[float]:
    """Scores of the checks of one pad with one calibration that count, in their order."""
    own = (row for row in rows if row.pad == pad and row.lot_sha256 == lot_sha256)
    return [row.z for row in own if row.counts and row.z is not None]


def _cell(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(timespec="seconds")
    if isinstance(cell, float):
        return f"{cell:.6g}"
    return " ".join(cell) if isinstance(cell, tuple) else str(cell)


def _row(cells: Sequence[str]) -> CheckRow:
    if len(cells) != len(_COLUMNS):
        raise ValueError(f"{len(cells)} cells, not {len(_COLUMNS)}")
    text = dict(zip(_COLUMNS, cells, strict=True))

    def number(name: str) -> float:
        value = float(text[name])
        if not math.isfinite(value):
            raise ValueError(f"{name} is {text[name]!r}")
        return value

    def maybe(name: str) -> float | None:
        return number(name) if text[name] else None

    for name in ("photo_sha256", "lot_sha256"):
        if not _SHA256.fullmatch(text[name]):
            raise ValueError(f"{name} is {text[name]!r}, not 64 digits of a SHA-256")
    row = CheckRow(
        when=datetime.fromisoformat(text["when"]),
        photo=text["photo"],
        photo_sha256=text["photo_sha256"],
        lot_sha256=text["lot_sha256"],
        pad=text["pad"],
        known=number("known"),
        u_known=number("u_known"),
        value=maybe("value"),
        u=maybe("u"),
        low=maybe("low"),
        high=maybe("high"),
        e_n=maybe("e_n"),
        findings=tuple(text["findings"].split()),
    )
    if row.u_known < 0 or (row.u is not None and row.u <= 0):
        raise ValueError("a standard uncertainty that is none")
    if len({value is None for value in (row.value, row.u, row.e_n)}) > 1:
        raise ValueError("value, u and e_n must be there together, or none of them")
    return row


def _wrong(path: Path, found: Shown) -> RecordFileError:
    return RecordFileError(
        expected=Message("a record of checks as `stripread lot verify` writes it, at %(path)s", path=path),
        found=found,
        remedy=Message(
            "Nothing was changed. Repair that line or take the file from a backup, or name another with --record."
        ),
    )
