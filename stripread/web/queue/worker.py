"""What every worker process lives by: it ends with its server, at a time limit, and before it takes all memory."""

import faulthandler
import os
import signal
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import parent_process
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

__all__ = ["begin_worker", "in_time"]

_Answer = TypeVar("_Answer")
_MEMORY = 4 << 30  # bytes of address space; a photo of 100 megapixels, the largest that is read, takes 1.1 GB of it


def begin_worker() -> None:
    """Set up a worker process."""
    Thread(target=_end_with_server, daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the server, which lets a photo be read to its end
    try:
        import resource
    except ImportError:  # Windows has none
        return
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, resource.getrlimit(resource.RLIMIT_AS)[1]))
    with suppress(OSError):  # Linux: where memory runs out, this process goes and not the server
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")


def _end_with_server() -> None:
    """End with a server that was killed: the one started after it reads the photo anew, and it is recorded once."""
    server = parent_process()
    if server is not None:
        server.join()
        os._exit(1)


def in_time(longest_s: float, function: Callable[..., _Answer], *args: Any) -> _Answer:
    """Return what a function returns; after so many seconds the process ends, wherever in a library it hangs."""
    faulthandler.dump_traceback_later(longest_s, exit=True)
    try:
        return function(*args)
    finally:
        faulthandler.cancel_dump_traceback_later()
