"""Readers that fare badly: on a fault of a library, a full disk, a held record, without memory, without a server."""

import os
import time
from multiprocessing import parent_process
from pathlib import Path

from stripread.errors import RecordsError
from stripread.web.queue.inbox import Inbox
from stripread.web.queue.jobs import answer_job

__all__ = [
    "answer_or_die",
    "answer_slowly_or_die",
    "answer_when_free",
    "eat_memory",
    "name_itself_and_wait",
    "open_or_die",
    "priority",
]


def answer_or_die(folder: str, job_id: str) -> None:
    photo = Inbox(Path(folder)).photo(job_id).read_bytes()
    if photo.startswith(b"die"):
        os._exit(1)
    if photo.startswith(b"hang"):
        time.sleep(600)
    answer_job(folder, job_id)


def answer_slowly_or_die(folder: str, job_id: str) -> None:
    """Die always while another is being read."""
    time.sleep(0.5 if Inbox(Path(folder)).photo(job_id).read_bytes().startswith(b"die") else 1.5)
    answer_or_die(folder, job_id)


def answer_when_free(folder: str, job_id: str) -> None:
    if (Path(folder) / "held").exists():
        raise RecordsError(expected="a free record", found="one that is held", remedy="Wait.")
    if (Path(folder) / "full").exists():
        raise OSError(28, "No space left on device")
    answer_job(folder, job_id)


def open_or_die(*_: object) -> None:
    assert parent_process() is not None, "foreign bytes are parsed in the server itself"
    os._exit(1)


def name_itself_and_wait(file: str) -> None:
    Path(file).write_text(str(os.getpid()), encoding="ascii")
    time.sleep(600)


def eat_memory(gigabytes: int) -> int:
    return len(bytearray(gigabytes << 30))


def priority() -> str:
    return Path("/proc/self/oom_score_adj").read_text(encoding="ascii").strip()
