"""A check standard: read, held against its known value, and recorded by its row in the lot's own file of checks."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from stripread.check import StandardCheck, check_standard
from stripread.lot import CheckRow, Lot
from stripread.photo import PhotoFile
from stripread.read import read_strip
from stripread.workflow.sample import ResolvedInputs

if TYPE_CHECKING:
    from stripread.records import Entry, Records, Stamp

__all__ = ["KnownDilution", "read_check", "record_check", "shows_calibrator"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDilution:
    """What the strip was dipped into, for one of its pads, and the standard uncertainty (k = 1), in the lot's unit."""

    pad: str
    value: float
    u: float


def shows_calibrator(photo: PhotoFile, lot: Lot) -> bool:
    """Tell whether a lot was calibrated with a photo: as a check it would agree with itself."""
    return photo.sha256 in {c.photo_sha256 for pad in lot.pads for c in pad.calibrators}


def read_check(photo: PhotoFile, inputs: ResolvedInputs, known: KnownDilution, *, now: datetime) -> StandardCheck:
    """Read a strip of a known dilution and hold it against what it should read.

    Raises
    ------
    StripReadError
        If the photo gives no measurement.
    """
    reading = read_strip(photo, card=inputs.card, kind=inputs.kind, lot=inputs.lot)
    return check_standard(reading, pad=known.pad, known=known.value, u_known=known.u, today=now.date())


def record_check(
    records: "Records", row: CheckRow, photo: PhotoFile, inputs: ResolvedInputs, *, rows_file: Path, stamp: "Stamp"
) -> "Entry":
    """Record a check of a lot by its row in the lot's own file of checks, ``rows_file``, within the site's folder."""
    from stripread.records import check_standard_of
    from stripread.workflow.kept_files import keep_lot, keep_photo

    kept = keep_photo(records, photo)
    lot_ref, known = keep_lot(records, inputs.lot_file, inputs.lot.number, inputs.lot.kind)
    file = rows_file.resolve().relative_to(records.folder.resolve()).as_posix()
    check = check_standard_of(row, lot=inputs.lot.number, file=file)
    return records.add_check_standard(check, stamp, files=(kept, lot_ref), first_if_new=(known,))
