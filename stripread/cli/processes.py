"""Photos read in several processes: much of a reading is Python at work on small arrays, and threads gain little."""

import io
import multiprocessing
import os
import pickle
import signal
import sys
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

import cv2

__all__ = ["in_order"]

_Answer = TypeVar("_Answer")

# A process that is forked has its packages, which takes some 0.05 s; one that is begun anew loads them in a second or
# two. On macOS system libraries do not bear a fork, Windows has none.
_START = "fork" if sys.platform == "linux" else "spawn"
_WORTH = 4 if _START == "fork" else 40  # photos from which more processes than this one gain time
_work: Callable[[Path], Any]
_shared: Sequence[object]
_AHEAD = 2  # photos a process that may be under way or wait to be shown


def in_order(
    work: Callable[[Path], _Answer], photos: Sequence[Path], *, jobs: int, shared: Sequence[object] = ()
) -> Iterator[_Answer]:
    """Return what ``work`` makes of each photo, in their order, reading no further ahead than a few photos.

    ``work`` and what it returns must bear pickling. What of ``shared`` is in an answer is not sent with it: this
    process has it already. Where a process dies, for want of memory say, this one goes on alone.
    """
    if jobs == 1 or len(photos) < _WORTH:
        yield from map(work, photos)
        return
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)  # ends OpenCV's threads, which would be missing in a forked process
    done = 0
    try:
        if _START == "fork":
            yield work(photos[0])  # loads what it needs once for all
            done = 1
        for answer in _by_processes(work, photos[done:], jobs=jobs, shared=shared):
            yield answer
            done += 1
    except BrokenProcessPool:
        yield from map(work, photos[done:])
    finally:
        cv2.setNumThreads(threads)


def _by_processes(
    work: Callable[[Path], _Answer], photos: Sequence[Path], *, jobs: int, shared: Sequence[object]
) -> Iterator[_Answer]:
    context = multiprocessing.get_context(_START)
    with ProcessPoolExecutor(
        min(jobs, len(photos)), mp_context=context, initializer=_begin, initargs=(work, shared)
    ) as pool:
        with warnings.catch_warnings():
            # Python warns of threads at a fork. There are none but those of NumPy's OpenBLAS, which ends them itself.
            warnings.simplefilter("ignore", DeprecationWarning)
            waiting: deque[Future[bytes]] = deque(pool.submit(_do, photo) for photo in photos[: _AHEAD * jobs])
        for photo in photos[_AHEAD * jobs :]:
            answer = waiting.popleft().result()
            waiting.append(pool.submit(_do, photo))
            yield _Received(answer, shared).load()
        while waiting:
            yield _Received(waiting.popleft().result(), shared).load()


class _Sent(pickle.Pickler):
    """Writes the number of a shared object in its place."""

    def __init__(self, file: io.BytesIO, shared: Sequence[object]) -> None:
        super().__init__(file, protocol=pickle.HIGHEST_PROTOCOL)
        self._numbers = {id(thing): number for number, thing in enumerate(shared)}

    def persistent_id(self, obj: object) -> int | None:
        return self._numbers.get(id(obj))


class _Received(pickle.Unpickler):
    """Puts a shared object in the place of its number."""

    def __init__(self, sent: bytes, shared: Sequence[object]) -> None:
        super().__init__(io.BytesIO(sent))
        self._shared = shared

    def persistent_load(self, pid: int) -> object:
        return self._shared[pid]


def _begin(work: Callable[[Path], Any], shared: Sequence[object]) -> None:
    """Set up a process: Ctrl-C is for the command, with which it ends, however that ends."""
    global _work, _shared  # what it does all its life, sent once and not with each photo
    _work, _shared = work, shared
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    Thread(target=_end_with_command, daemon=True).start()


def _do(photo: Path) -> bytes:
    answer = io.BytesIO()
    _Sent(answer, _shared).dump(_work(photo))
    return answer.getvalue()


def _end_with_command() -> None:
    command = multiprocessing.parent_process()
    if command is not None:
        command.join()
        os._exit(1)
