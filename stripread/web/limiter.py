"""How often somebody may try."""

import time
from collections import deque
from collections.abc import Callable
from threading import Lock

__all__ = ["Limiter"]


class Limiter:
    """Counts tries of somebody in a window of time.

    Parameters
    ----------
    most : int
    seconds : float
    clock : callable
        Seconds that only rise.
    """

    def __init__(self, most: int, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.most, self.seconds, self._clock = most, seconds, clock
        self._tries: dict[str, deque[float]] = {}
        self._lock = Lock()  # pages run in threads

    def allow(self, who: str) -> bool:
        """Count a try; tell whether it may be made."""
        with self._lock:
            now = self._clock()
            tries = self._tries.setdefault(who, deque())
            while tries and now - tries[0] > self.seconds:
                tries.popleft()
            if len(tries) >= self.most:
                return False
            tries.append(now)
            if len(self._tries) > 10_000:  # no more than so many callers are remembered
                self._tries = {
                    key: kept for key, kept in self._tries.items() if kept and now - kept[-1] <= self.seconds
                }
            return True

    def forget(self, who: str) -> None:
        """Forget the tries of somebody who got it right."""
        with self._lock:
            self._tries.pop(who, None)
