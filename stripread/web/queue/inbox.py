"""Accepted photos on their way to a reading: kept on the disk before they are acknowledged, read by worker processes.

A job is a photo and a small JSON file beside it in the folder ``inbox``; its answer is a third file. A job without an
answer is read again after a restart. Recording is done once: the job's id stands in the record with the reading.
"""

import hashlib
import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from stripread.files import read_json, write_file
from stripread.records import unfinished_files

__all__ = ["Inbox", "Job"]

_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A strip to be read: what was told with its photo.

    Attributes
    ----------
    id : str
        32 hexadecimal digits.
    at : str
        When it was accepted, ISO 8601 with its zone.
    waited_s : float or None
        From the dip to the photo, by the phone's own timer.
    flash : bool
        Whether there is a second photo, of the same strip with the phone's flash.
    diluted : str or None
        How the sample was diluted, as `water.parse_dilution` reads it.
    beside : str or None
        The job of another strip from the same sample, with which this one must agree.
    """

    id: str
    who: str
    at: str
    point: str | None
    sample: str
    lot: str
    name: str
    batch: str | None = None
    flushed_s: float | None = None
    waited_s: float | None = None
    flash: bool = False
    diluted: str | None = None
    beside: str | None = None


class Inbox:
    """The folder of jobs of a site."""

    def __init__(self, site: Path) -> None:
        self.folder = site / "inbox"
        self.folder.mkdir(mode=0o700, exist_ok=True)

    def accept(self, job: Job, data: bytes, flash: bytes | None = None) -> None:
        """Keep a job; once this returns it outlasts a power cut. The photos land before the job that names them."""
        write_file(self.photo(job.id), data)
        if flash is not None:
            write_file(self.flash(job.id), flash)
        write_file(self.folder / f"{job.id}.job.json", _json(asdict(job)))

    def answer(self, job_id: str, answer: Mapping[str, Any]) -> None:
        """Keep what came of a job."""
        write_file(self.folder / f"{job_id}.answer.json", _json(answer))

    def job(self, job_id: str) -> Job | None:
        """Return a job by its id; None for anything else."""
        if not _ID.fullmatch(job_id):
            return None
        try:
            said = read_json((self.folder / f"{job_id}.job.json").read_bytes())
            return Job(**{field.name: said[field.name] for field in fields(Job) if field.name in said})
        except (OSError, ValueError, TypeError):  # TypeError: another program's, or what a damaged disk left of it
            return None

    def answered(self, job_id: str) -> dict[str, Any] | None:
        """Return what came of a job; None where it is not read yet."""
        if not _ID.fullmatch(job_id):
            return None
        try:
            answer: dict[str, Any] = read_json((self.folder / f"{job_id}.answer.json").read_bytes())
        except (OSError, ValueError):
            return None
        return answer

    def waiting(self) -> list[str]:
        """Return the ids of jobs without an answer, in the order in which they came."""
        found = []
        for path in self.folder.glob("*.job.json"):
            job_id = path.name.split(".")[0]
            if not (self.folder / f"{job_id}.answer.json").exists() and (job := self.job(job_id)) is not None:
                found.append((job.at, job_id))
        return [job_id for _, job_id in sorted(found)]

    def room(self) -> int:
        """Return the bytes that are free where photos are kept."""
        return shutil.disk_usage(self.folder).free

    def tidy(self, *, now: float, days: int = 30) -> int:
        """Remove answered jobs that are older than so many days; return how many. The record keeps what was read.

        What a kill left half written goes, too: it was never acknowledged, and the phone sends it again.
        """
        removed = 0
        for path in [*unfinished_files(self.folder), *self.folder.glob("*.photo"), *self.folder.glob("*.flash")]:
            job = self.folder / f"{path.name.split('.')[0]}.job.json"
            if _age(path, now) > 86_400 and not job.exists():
                path.unlink(missing_ok=True)
        for path in self.folder.glob("*.answer.json"):
            if _age(path, now) > 86_400 * days:
                job_id = path.name.split(".")[0]
                names = ("photo", "flash", "jpg", "job.json", "answer.json")  # the answer last: without it a job waits
                for name in names:
                    (self.folder / f"{job_id}.{name}").unlink(missing_ok=True)
                removed += 1
        return removed

    def photo(self, job_id: str) -> Path:
        """Return where a job's photo is."""
        return self.folder / f"{job_id}.photo"

    def flash(self, job_id: str) -> Path:
        """Return where the photo with the flash is, if there is one."""
        return self.folder / f"{job_id}.flash"

    def picture(self, job_id: str) -> Path:
        """Return where the picture of what was read is, once it is drawn."""
        return self.folder / f"{job_id}.jpg"

    @staticmethod
    def id_of(who: str, key: str, photos: str) -> str:
        """Return the id of an upload: the same photos sent again are the same job, others from the same form are not.

        A browser goes back to the form that was sent, key and all, and another photo is chosen there.
        """
        return hashlib.sha256(f"{who}\0{key}\0{photos}".encode()).hexdigest()[:32]


def _age(path: Path, now: float) -> float:
    """Return how old a file is in seconds; 0 for one that is gone by now, as what was half written a moment ago."""
    try:
        return now - path.stat().st_mtime
    except FileNotFoundError:
        return 0.0


def _json(said: Mapping[str, Any]) -> bytes:
    return json.dumps(said, ensure_ascii=False, allow_nan=False).encode("utf-8")
