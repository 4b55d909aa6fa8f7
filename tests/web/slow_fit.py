"""Fits that are stopped, or that never end by themselves, as one would that needs more memory than there is."""

import os
import signal
import time
from datetime import date
from pathlib import Path

__all__ = ["die_at_once", "take_for_ever", "tell_limits"]


def die_at_once(folder: str, draft_id: str, today: date) -> None:
    with (Path(folder) / "tries").open("a", encoding="utf-8") as tries:
        tries.write(f"{draft_id}\n")
    os.kill(os.getpid(), signal.SIGKILL)


def take_for_ever(folder: str, draft_id: str, today: date) -> None:
    (Path(folder) / "pid").write_text(str(os.getpid()), encoding="utf-8")
    time.sleep(600)


def tell_limits(folder: str, draft_id: str, today: date) -> None:
    import resource

    priority = Path("/proc/self/oom_score_adj").read_text(encoding="ascii").strip()
    (Path(folder) / "limits").write_text(f"{resource.getrlimit(resource.RLIMIT_AS)[0]} {priority}", encoding="utf-8")
