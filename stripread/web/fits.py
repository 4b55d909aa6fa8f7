"""Fits of calibrations under way, in a thread: one at a time, each kept with its draft until other photos come."""

import asyncio
import csv
import io
import json
import logging
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from anyio import CapacityLimiter, to_thread

from stripread.calibration import calibrate_lot
from stripread.errors import StripReadError
from stripread.lot.lot import Lot, load_lot, save_lot
from stripread.lot.plan import enough_to_fit
from stripread.lot.series import SeriesRow
from stripread.records.files import replace_file
from stripread.site import load_site, resolve_card, resolve_kind
from stripread.web.drafts import CalibrationDraft, Drafts

__all__ = ["Fit", "Fits", "Refusal", "series_csv", "series_of"]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why no curve may be trusted."""

    expected: str
    found: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What came of a fit: a lot and its file, or a refusal."""

    lot: Lot | None = None
    file: Path | None = None
    refusal: Refusal | None = None


class Fits:
    """Runs fits of drafts of a site.

    Parameters
    ----------
    today : callable
        Day of the calibration.
    """

    def __init__(
        self, site: Path, drafts: Drafts, *, today: Callable[[], date] = lambda: datetime.now().astimezone().date()
    ) -> None:
        self._site, self._drafts, self._today = site, drafts, today
        self._one = CapacityLimiter(1)
        self._running: dict[str, asyncio.Task[None]] = {}

    def state(self, draft: CalibrationDraft) -> str:
        """Return ``short`` of photos, ``waiting``, ``running`` or ``done``, of a fit to the photos that there are."""
        if not enough_to_fit(draft.photographed()):
            return "short"
        if self._paths(draft)[0].exists() or self._paths(draft)[1].exists():
            return "done"
        return "running" if draft.id in self._running else "waiting"

    def find(self, draft: CalibrationDraft) -> Fit | None:
        """Return the fit to the photos that there are; None where there is none yet."""
        lot_file, refused = self._paths(draft)
        try:
            if lot_file.exists():
                return Fit(lot=load_lot(lot_file), file=lot_file)
            if refused.exists():
                said = json.loads(refused.read_bytes())
                return Fit(refusal=Refusal(**{key: str(said[key]) for key in ("expected", "found", "remedy")}))
        except (StripReadError, OSError, ValueError, KeyError):
            return None
        return None

    def start(self, draft: CalibrationDraft) -> None:
        """Fit in the background, unless a fit of the draft is running: the next look at its page starts the next."""
        if draft.id not in self._running:
            task = asyncio.get_running_loop().create_task(self._run(draft))
            self._running[draft.id] = task

    async def _run(self, draft: CalibrationDraft) -> None:
        try:
            await to_thread.run_sync(lambda: self.fit(draft), limiter=self._one)
        finally:
            self._running.pop(draft.id, None)

    def fit(self, draft: CalibrationDraft) -> None:
        """Fit a draft's photos and keep what came of it, whatever it is."""
        lot_file, refused = self._paths(draft)
        try:
            site = load_site(self._site)
            lot = calibrate_lot(
                series_of(draft, self._drafts.folder(draft.id)),
                kind=resolve_kind(draft.kind, site),
                card=resolve_card(draft.card, site),
                number=draft.number,
                expires=date.fromisoformat(draft.expires),
                calibrated_on=self._today(),
                without=[photo.file for photo in draft.photos if photo.left_out_by is not None],
            )
            part = lot_file.with_suffix(".part")
            save_lot(lot, part)
            part.replace(lot_file)
        except StripReadError as error:
            _refuse(
                refused, in_words(error.expected, draft), in_words(error.found, draft), in_words(error.remedy, draft)
            )
        except Exception:
            _log.exception("the fit of draft %s failed", draft.id)
            _refuse(refused, "a fit", "a fault of the program", "Add or leave out a photo, and look again.")

    def _paths(self, draft: CalibrationDraft) -> tuple[Path, Path]:
        stem = self._drafts.folder(draft.id) / f"fit-{draft.signature()}"
        return stem.with_suffix(".json"), stem.with_suffix(".refused")


def _refuse(path: Path, expected: str, found: str, remedy: str) -> None:
    said = {"expected": expected, "found": found, "remedy": remedy}
    replace_file(path, json.dumps(said, ensure_ascii=False).encode("utf-8"))


def series_of(draft: CalibrationDraft, folder: Path) -> tuple[SeriesRow, ...]:
    """Return the series that a draft's photos make, those left out included: the fit is told of them apart."""
    rows = []
    for photo in draft.photos:
        level = draft.levels[photo.level]
        rows.append(
            SeriesRow(
                photo=folder / photo.file,
                concentration=level.concentration,
                u_concentration=level.u,
                replicate=str(photo.strip),
                pad=None,
                beyond=level.beyond,
            )
        )
    return tuple(rows)


def series_csv(rows: tuple[SeriesRow, ...], *, beside: Path) -> str:
    """Return a series as the command line reads it, its photos named from the folder ``beside``."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("photo", "concentration", "u_concentration", "replicate", "beyond"))
    for row in rows:
        photo = Path(os.path.relpath(row.photo, beside)).as_posix()
        writer.writerow(
            (
                photo,
                f"{row.concentration:.6g}",
                f"{row.u_concentration:.3g}",
                row.replicate,
                "yes" if row.beyond else "no",
            )
        )
    return out.getvalue()


def in_words(text: str, draft: CalibrationDraft) -> str:
    """Name photos as people do: a strip of a level, where a text names the file."""
    for photo in draft.photos:
        level = draft.levels[photo.level]
        text = text.replace(photo.file, f"the photo of level {level.name} {draft.unit}, strip {photo.strip}")
    return text
