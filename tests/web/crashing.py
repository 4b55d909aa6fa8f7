"""A reader that dies on some photos, as one would that runs into a fault of a library."""

import os
from pathlib import Path

from stripread.web.inbox import Inbox
from stripread.web.work import answer_job

__all__ = ["answer_or_die"]


def answer_or_die(folder: str, job_id: str) -> None:
    if Inbox(Path(folder)).photo(job_id).read_bytes().startswith(b"die"):
        os._exit(1)
    answer_job(folder, job_id)
