"""Photos read in several processes: much of a reading is Python at work on small arrays, and threads gain little."""

import multiprocessing
import os
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
_AHEAD = 2  # photos a process that may be under way or wait to be shown


def in_order(work: Callable[[Path], _Answer], photos: Sequence[Path], *, jobs: int) -> Iterator[_Answer]:
    """Return what ``work`` makes of each photo, in their order, reading no further ahead than a few photos.

    ``work`` and what it returns must bear pickling. Where a process dies, for want of memory say, this one goes on
    alone.
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
        for answer in _by_processes(work, photos[done:], jobs=jobs):
            yield answer
            done += 1
    except BrokenProcessPool:
        yield from map(work, photos[done:])
    finally:
        cv2.setNumThreads(threads)


def _by_processes(work: Callable[[Path], _Answer], photos: Sequence[Path], *, jobs: int) -> Iterator[_Answer]:
    context = multiprocessing.get_context(_START)
    with ProcessPoolExecutor(min(jobs, len(photos)), mp_context=context, initializer=_begin, initargs=(work,)) as pool:
        with warnings.catch_warnings():
            # Python warns of threads at a fork. There are none but those of NumPy's OpenBLAS, which ends them itself.
            warnings.simplefilter("ignore", DeprecationWarning)
            waiting: deque[Future[_Answer]] = deque(pool.submit(_do, photo) for photo in photos[: _AHEAD * jobs])
        for photo in photos[_AHEAD * jobs :]:
            yield waiting.popleft().result()
            waiting.append(pool.submit(_do, photo))
        while waiting:
            yield waiting.popleft().result()


def _begin(work: Callable[[Path], Any]) -> None:
    """Set up a process: Ctrl-C is for the command, with which it ends, however that ends."""
    global _work  # what it does all its life, sent once and not with each photo
    _work = work
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    Thread(target=_end_with_command, daemon=True).start()


def _do(photo: Path) -> Any:
    return _work(photo)


def _end_with_command() -> None:
    command = multiprocessing.parent_process()
    if command is not None:
        command.join()
        os._exit(1)
