"""The sample photos as if they were taken just now: a photo of last spring is no reading of today."""

import re
import tempfile
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path

from tests.web.conftest import ROOT

__all__ = ["dated_samples"]

_FOLDER = ROOT / "sample_images"
_TIME, _FORM = re.compile(rb"2026:04:14 \d\d:\d\d:\d\d"), "%Y:%m:%d %H:%M:%S"
_ZONE = timezone(timedelta(hours=2))  # of the samples' OffsetTimeOriginal


@cache
def dated_samples() -> Path:
    """Return a folder of the sample photos; the last of them was taken a minute ago, the others as long before as ever.

    The bytes of the time alone are changed (EXIF's DateTimeOriginal has a fixed length), no pixel.
    """
    made = Path(tempfile.mkdtemp(prefix="samples-of-today-"))
    photos = {path.name: path.read_bytes() for path in sorted(_FOLDER.glob("*.jpg"))}
    times = {name: _time(data) for name, data in photos.items()}
    shift = datetime.now(_ZONE) - timedelta(minutes=1) - max(times.values())
    for name, data in photos.items():
        now = (times[name] + shift).strftime(_FORM).encode()
        (made / name).write_bytes(_TIME.sub(now, data, count=1))
    return made


def _time(photo: bytes) -> datetime:
    found = _TIME.search(photo)
    assert found
    return datetime.strptime(found[0].decode(), _FORM).replace(tzinfo=_ZONE)
