"""Files in a site's folder, put in place so that they are whole or not there at all."""

import os
import tempfile
from contextlib import suppress
from pathlib import Path

__all__ = ["UNFINISHED", "replace_file", "sync_folder"]

UNFINISHED = ".unfinished-"  # how the names of files begin that are still being written


def replace_file(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Put a file in place of another in one step that a kill or a power cut cannot halve; `OSError`."""
    handle, unfinished = tempfile.mkstemp(prefix=UNFINISHED, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(unfinished).chmod(mode)  # mkstemp lets nobody else read
        Path(unfinished).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(unfinished).unlink()
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder last; where folders cannot be opened, the system does it on its own."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
