"""What a worker process does with a photo of a calibration: tell whether it can be measured."""

from pathlib import Path

from stripread.measure import measure_strip
from stripread.photo.load import PhotoFile
from stripread.site import load_site, resolve_card, resolve_kind

__all__ = ["measure_photo"]


def measure_photo(folder: str, photo: PhotoFile, card: str, kind: str) -> tuple[str, ...]:
    """Measure a photo and return what is doubtful about it, in words.

    Raises
    ------
    StripReadError
        If it cannot be measured.
    """
    import cv2

    cv2.setNumThreads(1)
    site = load_site(Path(folder))
    measured = measure_strip(photo, resolve_card(card, site), resolve_kind(kind, site))
    return tuple(f"{f.message} {f.advice}" for f in measured.findings if f.severity != "info")
