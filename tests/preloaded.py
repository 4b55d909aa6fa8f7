"""Processes of the page's tests start from one that has imported everything, in a hundredth of the time.

A server starts its readers and fits anew each ("spawn"), which costs half a second of imports every time. In tests they
are forked from a process that has imported all of it and does nothing else. What is started is the same, and ends the
same way. Real starts are left to `tests/web/test_queue.py` and `test_fit_process.py` (servers that are killed) and to
the server that `tests/browser/test_screens.py` looks at.
"""

import multiprocessing
from multiprocessing.context import BaseContext

import pytest

import stripread.web.calibration.fits as fits
import stripread.web.queue.reading_queue as reading_queue

__all__ = ["start_from_preloaded"]

_MODULES = [
    "scipy.optimize", "scipy.linalg", "cv2", "sqlalchemy.dialects.sqlite", "stripread.cli.serve", "uvicorn",
    "stripread.web.app", "stripread.web.queue.jobs", "stripread.web.calibration.fitting", "tests.preloaded",
]  # fmt: skip


def context(_: str = "spawn") -> BaseContext:
    """Return what ``multiprocessing.get_context`` does, for processes that are forked from the one with all imports."""
    if "forkserver" not in multiprocessing.get_all_start_methods():  # Windows
        return multiprocessing.get_context("spawn")
    found = multiprocessing.get_context("forkserver")
    found.set_forkserver_preload(_MODULES)
    return found


def start_from_preloaded(patch: pytest.MonkeyPatch) -> None:
    """Let servers in this process start their processes so."""
    patch.setattr(reading_queue, "get_context", context)
    patch.setattr(fits, "get_context", context)
