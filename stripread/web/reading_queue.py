"""Worker processes that read accepted photos: a few at a time, the rest wait on the disk."""

import asyncio
import contextlib
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from stripread.errors import PhotoUnreadableError
from stripread.web.inbox import Inbox
from stripread.web.work import answer_job

__all__ = ["ReadingQueue"]

_Answer = TypeVar("_Answer")
_TRIES = 2  # of a job on which a worker died; it may have been another job's fault
_LOST = {
    "read": False,
    "sign": "cross",
    "symbol": "✘",
    "words": "NOT READ: the reader failed on this photo",
    "code": "reader_failed",
    "expected": "a photo that can be read",
    "found": "one on which the reader stopped twice",
    "steps": ["Take the photo again. If it happens again, tell your supervisor and keep the photo."],
}  # fmt: skip


class ReadingQueue:
    """Feeds jobs to worker processes, in the order in which they came.

    Parameters
    ----------
    folder : Path
        The site's.
    workers : int
        Photos read at a time; each needs some 300 MB for 12 megapixels.
    """

    def __init__(self, folder: Path, *, workers: int) -> None:
        self.inbox, self._folder, self._workers = Inbox(folder), folder, workers
        self._wake = asyncio.Event()
        self._running: set[str] = set()
        self._tries: dict[str, int] = {}
        self._pool = self._new_pool()
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin; jobs left over from before are read first, and old answers are removed."""
        self.inbox.tidy(now=time.time())
        self._task = asyncio.create_task(self._feed())
        self._wake.set()

    async def stop(self) -> None:
        """Stop; a job that is being read is read again after the next start."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._pool.shutdown(wait=True, cancel_futures=True)

    def wake(self) -> None:
        """Tell that a job was accepted."""
        self._wake.set()

    async def run(self, function: Callable[..., _Answer], *args: Any) -> _Answer:
        """Run something short with a photo in a worker process, beside the jobs, and return what comes of it.

        Raises
        ------
        PhotoUnreadableError
            If the worker dies of it.
        """
        pool = self._pool
        try:
            return await asyncio.get_running_loop().run_in_executor(pool, function, *args)
        except BrokenProcessPool:
            self._renew(pool)
            raise PhotoUnreadableError(
                expected="a photo that can be read", found="one on which the reader stopped", remedy="Take it again."
            ) from None

    async def _feed(self) -> None:
        slots = asyncio.Semaphore(self._workers)
        tasks: set[asyncio.Task[None]] = set()
        while True:
            await self._wake.wait()
            self._wake.clear()
            for job_id in await asyncio.to_thread(self.inbox.waiting):
                if job_id in self._running:
                    continue
                await slots.acquire()
                self._running.add(job_id)
                task = asyncio.create_task(self._read(job_id, slots))
                tasks.add(task)
                task.add_done_callback(tasks.discard)

    async def _read(self, job_id: str, slots: asyncio.Semaphore) -> None:
        pool = self._pool
        self._tries[job_id] = self._tries.get(job_id, 0) + 1
        try:
            loop: Any = asyncio.get_running_loop()
            await loop.run_in_executor(pool, answer_job, str(self._folder), job_id)
        except BrokenProcessPool:
            self._renew(pool)
            if self._tries[job_id] >= _TRIES:
                self.inbox.answer(job_id, _LOST)
        except Exception:
            self.inbox.answer(job_id, _LOST)
            raise
        finally:
            self._running.discard(job_id)
            slots.release()
            self._wake.set()

    def _renew(self, pool: ProcessPoolExecutor) -> None:
        if pool is self._pool:  # the first to notice makes a new one
            self._pool = self._new_pool()
            pool.shutdown(wait=False)

    def _new_pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(self._workers, mp_context=get_context("spawn"))
