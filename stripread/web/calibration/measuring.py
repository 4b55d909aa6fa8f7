"""What a worker process does with a photo of a calibration or of a check standard."""

from datetime import datetime
from pathlib import Path

from stripread.check.standard import check_row, check_standard
from stripread.lot.record import CheckRow
from stripread.measure import finish_flash_pair, flash_colours, measure_flash_pair, measure_strip
from stripread.photo.load import PhotoFile
from stripread.read import read_strip
from stripread.site import kind_of_lot, load_site, resolve_card, resolve_kind, resolve_lot

__all__ = ["measure_photo", "read_check"]


def measure_photo(
    folder: str, photo: PhotoFile, card: str, kind: str, flash: PhotoFile | None = None
) -> tuple[str, ...]:
    """Measure a photo, or a pair with the flash, and return what is doubtful about it, in words.

    Raises
    ------
    StripReadError
        If it cannot be measured.
    """
    import cv2

    cv2.setNumThreads(1)
    site = load_site(Path(folder))
    layout, strip_kind = resolve_card(card, site), resolve_kind(kind, site)
    if flash is None:
        measured = measure_strip(photo, layout, strip_kind)
    else:
        pair = measure_flash_pair(photo, flash, layout, strip_kind)
        measured = finish_flash_pair(pair, flash_colours([pair]))
    return tuple(f"{f.message} {f.advice}" for f in measured.findings if f.severity != "info")


def read_check(
    folder: str, photo: PhotoFile, lot: str, pad: str, known: float, u_known: float, now: datetime
) -> CheckRow:
    """Read a check standard, and return it as a row of the lot's record of checks.

    Raises
    ------
    StripReadError
        If it cannot be read.
    """
    import cv2

    cv2.setNumThreads(1)
    site = load_site(Path(folder))
    the_lot = resolve_lot(lot, site)
    card = resolve_card(site.card_for(the_lot.card), site)
    reading = read_strip(photo, card=card, kind=kind_of_lot(the_lot, site), lot=the_lot)
    check = check_standard(reading, pad=pad, known=known, u_known=u_known, today=now.date())
    return check_row(check, photo=photo.name, when=now.replace(microsecond=0))
