"""The files that entries of the record rest on: how they are kept, and the entry that names a lot file."""

import hashlib
from pathlib import Path

from stripread.card import CardLayout, card_text
from stripread.photo import PhotoFile
from stripread.records import Draft, FileRef, Records, Role

__all__ = ["PHOTO_SUFFIX", "keep_card", "keep_lot", "keep_photo"]

PHOTO_SUFFIX = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "tiff": ".tif", "heic": ".heic"}


def keep_photo(records: Records, photo: PhotoFile, *, role: Role = "photo") -> FileRef:
    """Keep a photo as it came."""
    return records.keep(role, photo.data, photo.name, suffix=PHOTO_SUFFIX[photo.format])


def keep_lot(records: Records, file: Path, number: str, kind: str, *, keep: bool = True) -> tuple[FileRef, Draft]:
    """Keep a lot file, unless it is only asked what it would be called; return its name and the entry for it."""
    data = file.read_bytes()
    if keep:
        ref = records.keep("lot", data, file.name, suffix=".json")
    else:
        sha256 = hashlib.sha256(data).hexdigest()
        ref = FileRef(role="lot", sha256=sha256, name=file.name, path=f"lots/{sha256}.json")
    payload = {"number": number, "kind": kind, "sha256": ref.sha256}
    return ref, Draft(kind="lot", payload=payload, subject=number, files=(ref,))


def keep_card(records: Records, card: CardLayout) -> tuple[FileRef, Draft]:
    """Keep a card as a file, in the one spelling that the program writes; return its name and the entry for it."""
    ref = records.keep("card", card_text(card).encode("utf-8"), f"{card.name}.toml", suffix=".toml")
    return ref, Draft(kind="card_print", payload={"name": card.name}, subject=card.name, files=(ref,))
