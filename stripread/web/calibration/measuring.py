"""What a worker process does with a photo of a calibration or of a check standard."""

from datetime import datetime
from pathlib import Path
from typing import Any

from stripread.check import check_row
from stripread.i18n import Joined
from stripread.lot import CheckRow
from stripread.measure import finish_flash_pair, flash_colours, measure_flash_pair, measure_strip
from stripread.photo import PhotoFile
from stripread.site import load_site, resolve_card, resolve_kind
from stripread.study import Event, RunState
from stripread.units import kept_message
from stripread.workflow import KnownDilution, check_photo, photo_event, read_check, resolve_inputs

__all__ = ["measure_photo", "read_check_row", "read_study_photo"]


def measure_photo(
    folder: str, photo: PhotoFile, card: str, kind: str, flash: PhotoFile | None = None
) -> tuple[Any, ...]:
    """Measure a photo, or a pair with the flash, and return what is doubtful about it, as messages to be kept.

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
    return tuple(kept_message(Joined((f.message, f.advice))) for f in measured.findings if f.severity != "info")


def read_check_row(folder: str, photo: PhotoFile, lot: str, known: KnownDilution, now: datetime) -> CheckRow:
    """Read a check standard, and return it as a row of the lot's record of checks.

    Raises
    ------
    StripReadError
        If it cannot be read.
    """
    import cv2

    cv2.setNumThreads(1)
    check = read_check(photo, resolve_inputs(lot, load_site(Path(folder))), known, now=now)
    return check_row(check, photo=photo.name, when=now.replace(microsecond=0))


def read_study_photo(
    folder: str, photo: PhotoFile, state: RunState, code: str, number: int, who: str, now: datetime
) -> Event:
    """Read a photo of a study, and return it as an event of its log.

    Raises
    ------
    StudyError
        If its turn has not come, or the lot was calibrated anew.
    """
    import cv2

    cv2.setNumThreads(1)
    inputs = resolve_inputs(state.plan.lot, load_site(Path(folder)))
    check_photo(state, photo, inputs, code=code, number=number, who=who, now=now)
    return photo_event(photo, inputs, code=code, number=number, who=who, now=now)
