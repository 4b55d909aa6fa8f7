"""Worker processes that read accepted photos: a few at a time, the rest wait on the disk."""

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from stripread.errors import PhotoUnreadableError, RecordsError, SiteError
from stripread.i18n import Message
from stripread.units import kept_message
from stripread.web.queue.inbox import Inbox
from stripread.web.queue.jobs import answer_job
from stripread.web.queue.worker import begin_worker, in_time

__all__ = ["ReadingQueue"]

_Answer = TypeVar("_Answer")
_log = logging.getLogger(__name__)
_LONGEST_S = 120.0  # for one photo; 100 megapixels take some four
_TIDY_S = 86_400.0  # between looks for old answers
_LATER_S = 20.0  # until a job is tried again that the disk or the record did not take
_LOST = {
    "read": False,
    "sign": "cross",
    "symbol": "✘",
    "words": kept_message(Message("NOT READ: the reader failed on this photo")),
    "code": "reader_failed",
    "expected": kept_message(Message("a photo that can be read")),
    "found": kept_message(Message("one on which the reader stopped twice")),
    "steps": [
        kept_message(Message("Take the photo again. If it happens again, tell your supervisor and keep the photo."))
    ],
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
        self.put_off: set[str] = set()  # jobs that record or disk did not take yet
        self._stopped = False
        self._alone = asyncio.Semaphore(1)
        self._pool = self._new_pool(workers)
        self._tasks: list[asyncio.Task[None]] = []

    def start(self) -> None:
        """Begin; jobs left over from before are read first, and old answers are removed, now and each day."""
        self._tasks = [asyncio.create_task(self._feed()), asyncio.create_task(self._tidy())]
        self._wake.set()

    async def stop(self) -> None:
        """Stop; a job that is not answered by then is read after the next start."""
        self._stopped = True
        for task in self._tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
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
        try:
            return await self._work(function, *args)
        except BrokenProcessPool:
            raise PhotoUnreadableError(
                expected=Message("a photo that can be read"),
                found=Message("one on which the reader stopped"),
                remedy=Message("Take it again."),
            ) from None

    async def _work(self, function: Callable[..., _Answer], *args: Any) -> _Answer:
        """Run something in a worker. Where one dies, all that its pool was at ends: each is then tried alone.

        Raises
        ------
        BrokenProcessPool
            If a worker dies that has nothing else to do.
        """
        pool = self._pool
        try:
            return await _submit(pool, function, *args)
        except BrokenProcessPool:
            if self._stopped:
                raise
            if pool is self._pool:  # the first to notice makes a new one
                self._pool = self._new_pool(self._workers)
                pool.shutdown(wait=False)
        async with self._alone:
            own = self._new_pool(1)
            try:
                return await _submit(own, function, *args)
            finally:
                own.shutdown(wait=False)

    async def _feed(self) -> None:
        slots = asyncio.Semaphore(self._workers)
        tasks: set[asyncio.Task[None]] = set()
        while True:
            await self._wake.wait()
            self._wake.clear()
            try:
                waiting = await asyncio.to_thread(self.inbox.waiting)
            except OSError:
                _log.exception("the inbox cannot be read")
                asyncio.get_running_loop().call_later(_LATER_S, self._wake.set)
                continue
            for job_id in waiting:
                if job_id in self._running:
                    continue
                await slots.acquire()
                self._running.add(job_id)
                task = asyncio.create_task(self._read(job_id, slots))
                tasks.add(task)
                task.add_done_callback(tasks.discard)

    async def _tidy(self) -> None:
        while True:
            try:
                await asyncio.to_thread(self.inbox.tidy, now=time.time())
            except OSError:
                _log.exception("the inbox cannot be tidied")
            await asyncio.sleep(_TIDY_S)

    async def _read(self, job_id: str, slots: asyncio.Semaphore) -> None:
        later_s = 0.0
        try:
            await self._work(answer_job, str(self._folder), job_id)
            self.put_off.discard(job_id)
        except (RecordsError, SiteError) as error:  # the disk is full, the record is held: the photo waits for better
            later_s = self._put_off(job_id, error)
        except OSError as error:
            later_s = self._give_up(job_id) if isinstance(error, FileNotFoundError) else self._put_off(job_id, error)
        except Exception:
            later_s = self._give_up(job_id)
        finally:
            slots.release()
            asyncio.get_running_loop().call_later(later_s, self._let_go, job_id)

    def _put_off(self, job_id: str, error: Exception) -> float:
        _log.warning("photo %s is kept and tried again: %s", job_id, error)
        self.put_off.add(job_id)
        return _LATER_S

    def _give_up(self, job_id: str) -> float:
        """Answer that the reader failed, unless it was only told to stop."""
        if self._stopped:
            return 0.0
        _log.exception("photo %s cannot be read", job_id)
        try:
            self.inbox.answer(job_id, _LOST)
        except OSError as error:
            return self._put_off(job_id, error)
        return 0.0

    def _let_go(self, job_id: str) -> None:
        self._running.discard(job_id)
        self._wake.set()

    def _new_pool(self, workers: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=begin_worker)


async def _submit(pool: ProcessPoolExecutor, function: Callable[..., _Answer], *args: Any) -> _Answer:
    return await asyncio.get_running_loop().run_in_executor(pool, in_time, _LONGEST_S, function, *args)
