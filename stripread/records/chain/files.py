"""The files that entries rest on, each kept once under the SHA-256 of its bytes."""

import hashlib
import os
import re
from collections.abc import Iterator
from pathlib import Path

from stripread.errors import RecordsError
from stripread.files import UNFINISHED, clean_unfinished, sync_folder, write_file
from stripread.i18n import Message
from stripread.records.chain.entries import FileRef, Role
from stripread.records.failures import failures_in_words

__all__ = ["KEPT", "clean_folders", "hash_file", "keep_file", "kept_files", "read_kept", "unfinished_files"]

_FOLDER: dict[Role, str] = {"photo": "photos", "flash_photo": "photos", "lot": "lots", "card": "cards"}
# What a kept file's path looks like, from the site's folder; people's own files beside them have other names.
KEPT = re.compile(r"(?:photos/[0-9a-f]{2}|lots|cards)/([0-9a-f]{64})(?:\.[a-z0-9]{1,5})?")
_CHUNK = 1 << 20


def keep_file(folder: Path, role: Role, data: bytes, name: str, *, suffix: str) -> FileRef:
    """Write a file to its place unless it is there, so that it is whole or not there at all; return how to name it.

    ``suffix`` must follow from the bytes alone, or one file would be kept twice.

    Raises
    ------
    RecordsError
        If it cannot be written.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    below = f"{_FOLDER[role]}/{sha256[:2]}" if _FOLDER[role] == "photos" else _FOLDER[role]
    ref = FileRef(role=role, sha256=sha256, name=name, path=f"{below}/{sha256}{suffix}")
    path = folder / ref.path
    with failures_in_words(str(path)):
        if not path.is_file() or hash_file(path) != sha256:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_file(path, data)
            if path.parent.parent != folder:
                sync_folder(path.parent.parent)
            sync_folder(folder)
    return ref


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file, read piece by piece; `OSError`."""
    sha256 = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_CHUNK):
            sha256.update(piece)
    return sha256.hexdigest()


def read_kept(folder: Path, ref: FileRef) -> bytes:
    """Return the bytes of a kept file.

    Raises
    ------
    RecordsError
        If it is gone or no longer what it was.
    """
    path = folder / ref.path
    with failures_in_words(str(path)):
        data = path.read_bytes() if path.is_file() else None
    if data is None or hashlib.sha256(data).hexdigest() != ref.sha256:
        raise RecordsError(
            expected=Message(
                "the %(role)s %(name)s as it was recorded", role=Message(ref.role.replace("_", " ")), name=ref.name
            ),
            found=(
                Message("%(path)s is gone", path=path)
                if data is None
                else Message("%(path)s is another file now", path=path)
            ),
            remedy=Message("Take it from a backup; `stripread records verify` lists all such files."),
        )
    return data


def kept_files(folder: Path) -> Iterator[str]:
    """Paths of all kept files, from the site's folder, in no order; whatever else lies there is passed over."""
    for below in ("photos", "lots", "cards"):
        for root, _, names in os.walk(folder / below):
            relative = Path(root).relative_to(folder).as_posix()
            yield from (path for name in names if KEPT.fullmatch(path := f"{relative}/{name}"))


def clean_folders(folder: Path) -> None:
    """Take away what killed processes left half written below a site's folder, and nothing that is being written."""
    clean_unfinished(folder)
    for below in ("photos", "lots", "cards", "inbox", "drafts", "studies"):
        for root, _, _ in os.walk(folder / below):
            clean_unfinished(Path(root))


def unfinished_files(folder: Path) -> Iterator[Path]:
    """Files that a killed process left half written."""
    yield from folder.glob(f"{UNFINISHED}*")
    for below in ("photos", "lots", "cards"):
        yield from (folder / below).rglob(f"{UNFINISHED}*")
