"""Writing files so that they are whole or not there at all: the one way in which the program writes what a user keeps.

A file is written under another name beside its place, made last on the disk, and put into its place in one step. A full
disk, a kill or a power cut leaves what was there before.
"""

import errno
import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

__all__ = ["NO_ROOM", "UNFINISHED", "clean_unfinished", "lock", "open_whole", "sync_folder", "write_file"]

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)  # what the system says where nothing more can be written
UNFINISHED = ".unfinished-"  # how the names of files begin that are still being written
_OURS = f"{UNFINISHED}stripread-"  # and of those that only this module makes, so that it may take them away
_MASK = os.umask(0)  # what new files are not allowed; it can only be asked for by setting it
os.umask(_MASK)


def write_file(path: Path, data: bytes | str, *, mode: int | None = None) -> None:
    """Write a file, in place of the one that is there if there is one; text in UTF-8 with the line ends that it has.

    Parameters
    ----------
    mode : int or None
        Who may read and write it. None: as before; for a new file, as the system has it for new files.

    Raises
    ------
    OSError
        If it cannot be written, with the name of the file; what was there before is there still.
    """
    with open_whole(path, mode=mode) as file:
        file.write(data.encode("utf-8") if isinstance(data, str) else data)


@contextmanager
def open_whole(path: Path, *, mode: int | None = None) -> Iterator[IO[bytes]]:
    """Open a file to be written piece by piece; it is in its place once the block ends without an error.

    What earlier writes that were interrupted left in the folder is taken away.
    """
    path = Path(os.path.realpath(path))  # a link stays one
    there = path.stat() if path.exists() else None
    if there is not None and not stat.S_ISREG(there.st_mode):
        with path.open("wb") as device:  # a terminal, a pipe: there is nothing to keep whole
            yield device
        return
    if mode is None:
        mode = 0o666 & ~_MASK if there is None else stat.S_IMODE(there.st_mode)
    with _naming(path):
        clean_unfinished(path.parent)
        file = _begin(path.parent)
    unfinished = Path(file.name)
    try:
        with _naming(path), file:
            yield file
            file.flush()
            unfinished.chmod(mode)  # a temporary file lets nobody else read
            os.fsync(file.fileno())
            if os.name != "nt":  # still locked: nobody takes it for left over
                unfinished.replace(path)
        if os.name == "nt":  # an open file cannot be moved there
            unfinished.replace(path)
    except BaseException:
        with suppress(OSError):
            unfinished.unlink()
        raise
    with _naming(path):
        sync_folder(path.parent)


def _begin(folder: Path) -> IO[bytes]:
    """Open a file of our own that is locked as long as it is being written."""
    while True:
        file = tempfile.NamedTemporaryFile(prefix=_OURS, dir=folder, delete=False)  # noqa: SIM115  # the caller closes
        lock(file.fileno())
        if os.path.exists(file.name):  # noqa: PTH110  # else somebody took it away before it was locked
            return file
        file.close()


def lock(handle: int, *, wait: bool = True) -> bool:
    """Lock an open file or folder until it is closed; False where another has it, or the system knows no such locks."""
    if sys.platform == "win32":  # an open file cannot be removed there, which serves as well
        return False
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def clean_unfinished(folder: Path) -> None:
    """Take away what a killed process of ours left half written in a folder, and nothing that is being written."""
    with suppress(OSError), os.scandir(folder) as entries:
        for path in [Path(entry.path) for entry in entries if entry.name.startswith(_OURS) and entry.is_file()]:
            with suppress(OSError):
                if os.name == "nt":
                    path.unlink()
                    continue
                with path.open("r+b") as file:
                    if lock(file.fileno(), wait=False):
                        path.unlink()  # while it is locked: `_begin` looks whether it is there once it has the lock


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Put the name of the file into errors that have none, or that of its unfinished twin."""
    try:
        yield
    except OSError as error:
        name = error.filename
        if error.errno is None or not (name is None or str(name).startswith(str(path.parent / _OURS))):
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder last; where folders cannot be opened, the system does it on its own."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
