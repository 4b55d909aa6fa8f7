"""Fits of calibrations under way: one at a time in a process of its own, each kept until other photos come.

A fit takes many seconds of computing. In a thread of the server it would hold up every page, and in the workers every
reading; its process steps back behind both. What stops it is told: a fit that ends without a word is tried once more
and then reported, and the next start of the server begins it again.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path

from anyio import CapacityLimiter, to_thread

from stripread.errors import StripReadError
from stripread.files import read_json
from stripread.i18n import Message, Shown
from stripread.lot import Lot, load_lot
from stripread.units import kept_shown
from stripread.web.calibration.drafts import CalibrationDraft, Drafts
from stripread.web.calibration.fitting import fit_draft, fit_paths
from stripread.web.queue.worker import begin_worker, in_time

__all__ = ["Fit", "Fits", "Refusal"]

_log = logging.getLogger(__name__)
_LONGEST_S = 3600.0  # ours: the most photos that a draft holds take half of it on a slow machine
_TRIES = 2  # the first may have been stopped for want of memory beside much else


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why no curve may be trusted."""

    expected: Shown
    found: Shown
    remedy: Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What came of a fit: a lot and its file, or a refusal."""

    lot: Lot | None = None
    file: Path | None = None
    refusal: Refusal | None = None


_STOPPED = Fit(
    refusal=Refusal(
        expected=Message("a fit"),
        found=Message("one that stopped twice before it was done"),
        remedy=Message(
            "Restart the server, which fits again. If it stops again, leave out photos, or use a "
            "machine with more memory."
        ),
    )
)


class Fits:
    """Runs fits of drafts of a site.

    Parameters
    ----------
    today : callable
        Day of the calibration.
    work : callable
        What the process does; one that can be stopped, in tests.
    """

    def __init__(
        self,
        site: Path,
        drafts: Drafts,
        *,
        today: Callable[[], date] = lambda: datetime.now().astimezone().date(),
        work: Callable[[str, str, date], None] = fit_draft,
    ) -> None:
        self._site, self._drafts, self._today, self._work = site, drafts, today, work
        self._one = CapacityLimiter(1)
        self._running: dict[str, asyncio.Task[None]] = {}
        self._process: BaseProcess | None = None
        self._stopped: set[tuple[str, str]] = set()
        self._closing = False

    def state(self, draft: CalibrationDraft) -> str:
        """Return ``short`` of photos, ``waiting``, ``running`` or ``done``, of a fit to the photos that there are."""
        if not draft.enough():
            return "short"
        if any(path.exists() for path in self._paths(draft)) or (draft.id, draft.signature()) in self._stopped:
            return "done"
        return "running" if draft.id in self._running else "waiting"

    def find(self, draft: CalibrationDraft) -> Fit | None:
        """Return the fit to the photos that there are; None where there is none yet."""
        lot_file, refused = self._paths(draft)
        try:
            if lot_file.exists():
                return Fit(lot=load_lot(lot_file), file=lot_file)
            if refused.exists():
                said = read_json(refused.read_bytes())
                return Fit(refusal=Refusal(**{key: kept_shown(said[key]) for key in ("expected", "found", "remedy")}))
        except (StripReadError, OSError, ValueError, KeyError):
            return None
        return _STOPPED if (draft.id, draft.signature()) in self._stopped else None

    def start(self, draft: CalibrationDraft) -> None:
        """Fit in the background, unless a fit of the draft is running: the next look at its page starts the next."""
        if draft.id not in self._running and not self._closing:
            task = asyncio.get_running_loop().create_task(self._run(draft.id))
            self._running[draft.id] = task

    async def resume(self) -> None:
        """Start the fits that are due: those that were stopped with the server."""
        for draft in await to_thread.run_sync(self._drafts.every):
            if draft.state == "open" and self.state(draft) == "waiting":
                self.start(draft)

    async def stop(self) -> None:
        """Stop what is running; nothing is lost but its time."""
        self._closing = True
        if self._process is not None and self._process.is_alive():
            self._process.kill()
        await asyncio.gather(*filter(None, self._running.values()), return_exceptions=True)

    async def _run(self, draft_id: str) -> None:
        try:
            async with self._one:
                for tries in range(1, _TRIES + 1):
                    draft = await to_thread.run_sync(self._drafts.find, draft_id)
                    if draft is None or draft.state != "open" or self._closing:
                        return
                    if await self._fit(draft_id) or self._closing:
                        return
                    _log.error("the fit of draft %s stopped before it was done", draft_id)
                    if tries == _TRIES:
                        self._stopped.add((draft_id, draft.signature()))
        finally:
            self._running.pop(draft_id, None)

    async def _fit(self, draft_id: str) -> bool:
        """Run the process; tell whether it came to its end."""
        process = get_context("spawn").Process(
            target=_within_limits, args=(_LONGEST_S, self._work, str(self._site), draft_id, self._today()), daemon=True
        )
        self._process = process
        try:
            await to_thread.run_sync(process.start)
            if self._closing:
                process.kill()
            await to_thread.run_sync(process.join)
            return process.exitcode == 0
        finally:
            self._process = None

    def _paths(self, draft: CalibrationDraft) -> tuple[Path, Path]:
        return fit_paths(self._drafts.folder(draft.id), draft)


def _within_limits(longest_s: float, work: Callable[[str, str, date], None], site: str, draft: str, day: date) -> None:
    """Do the work of a fit as any worker does: it ends with its server, in time, and before it takes all memory."""
    begin_worker()
    in_time(longest_s, work, site, draft, day)
