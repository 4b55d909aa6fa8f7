"""The few things of a photo's EXIF that a reading needs; broken EXIF counts as none."""

import math
import re
from dataclasses import dataclass
from datetime import datetime

from PIL import Image

__all__ = ["PhotoNotes", "read_exif"]

# Exif 2.2 (JEITA CP-3451): IFD0 0x010F Make, 0x0110 Model, 0x0112 Orientation, 0x8769 pointer to the Exif IFD,
# there 0x9003 DateTimeOriginal, 0x829A ExposureTime, 0x829D FNumber, 0x8827 ISO, 0x9209 Flash (bit 0: it fired);
# Exif 2.31 added 0x9011 OffsetTimeOriginal.
_TIME = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)")
_OFFSET = re.compile(r"[+-]\d\d:\d\d|Z")
_LONGEST_NAME = 80  # ours: keeps a broken or hostile make out of reports


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoNotes:
    """What the camera noted. ``taken_at`` has a zone only where EXIF has one.

    ``exposure`` is time [s] x ISO / f-number squared, None where one of them is missing: how bright a given scene
    comes out. ``flash`` says whether the flash fired, None where nothing is said.
    """

    orientation: int = 1
    taken_at: datetime | None = None
    camera: str | None = None
    exposure: float | None = None
    flash: bool | None = None


def read_exif(exif: Image.Exif) -> PhotoNotes:
    """Return what EXIF says, field by field: a broken one is taken as absent."""
    try:
        orientation = exif.get(0x0112)
        names = (exif.get(0x010F), exif.get(0x0110))
        details = exif.get_ifd(0x8769)
        when, offset = details.get(0x9003), details.get(0x9011)
        settings = [details.get(tag) for tag in (0x829A, 0x8827, 0x829D)]
        flash = details.get(0x9209)
    except Exception:  # a parser on foreign bytes: whatever it trips over, there is no EXIF
        return PhotoNotes()
    return PhotoNotes(
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=_read_time(_text(when), _text(offset)),
        camera=_camera(_text(names[0]), _text(names[1])),
        exposure=_exposure(settings),
        flash=bool(flash & 1) if isinstance(flash, int) else None,
    )


def _text(value: object) -> str:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value.split("\0")[0] if c.isprintable()).strip()


def _read_time(when: str, offset: str) -> datetime | None:
    match = _TIME.match(when)
    if match is None:
        return None
    year, month, day, clock = match.groups()
    zone = offset if _OFFSET.fullmatch(offset) else ""
    try:
        return datetime.fromisoformat(f"{year}-{month}-{day}T{clock}{zone}")
    except ValueError:  # 0000:00:00 of a camera whose clock was never set
        return None


def _camera(make: str, model: str) -> str | None:
    name = model if model.lower().startswith(make.lower()) else f"{make} {model}"
    return name.strip()[:_LONGEST_NAME] or None


def _exposure(settings: list[object]) -> float | None:
    """Time x ISO / f-number squared; None where a number is missing or none."""
    numbers = []
    for value in settings:
        first = value[0] if isinstance(value, tuple) and value else value
        try:
            number = float(first)  # type: ignore[arg-type]  # Pillow's rationals are numbers; anything else is refused
        except (TypeError, ValueError, ZeroDivisionError):
            return None
        if not (math.isfinite(number) and number > 0):
            return None
        numbers.append(number)
    time_s, iso, f_number = numbers
    return time_s * iso / f_number**2
