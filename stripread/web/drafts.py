"""Calibrations under way: a folder for each, with what was planned, what was photographed, and what came of the fit.

``drafts/ID/draft.json`` in the site's folder says all but the pictures; photos lie beside it under the SHA-256 of their
bytes. Nothing is taken out: a photo is left out of the fit, a draft is closed.
"""

import hashlib
import json
import re
import secrets
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from stripread.errors import WrongUsageError
from stripread.records.files import replace_file

__all__ = ["CalibrationDraft", "DraftPhoto", "DraftSolution", "Drafts", "refuse_double"]

_ID = re.compile(r"[0-9a-f]{32}")
_MOST_PHOTOS = 400  # chosen: ten levels of five strips in eight lights
State = Literal["open", "accepted", "rejected"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftSolution:
    """A solution of the plan as it was made: strength ``concentration`` with standard uncertainty ``u``."""

    name: str
    take_ml: float
    water_ml: float
    source: str
    concentration: float
    u: float
    beyond: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftPhoto:
    """A photo of one strip; ``level`` is the place of its level in the draft, from 0, ``strip`` counts from 1.

    ``doubts`` are the findings of its measurement; ``left_out_by`` names who left it out of the fit.
    """

    sha256: str
    suffix: str
    level: int
    strip: int
    at: str
    who: str
    doubts: tuple[str, ...] = ()
    left_out_by: str | None = None

    @property
    def file(self) -> str:
        """Its name in the draft's folder."""
        return f"{self.sha256}{self.suffix}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationDraft:
    """A calibration under way.

    Attributes
    ----------
    expires : str
        ISO 8601, as ``at`` and ``closed_at``.
    strips, lights : int
        Planned strips of each level, and photos of each strip.
    """

    id: str
    number: str
    kind: str
    card: str
    expires: str
    by: str
    at: str
    unit: str
    standard: float
    u_standard: float
    total_ml: float
    strips: int
    lights: int
    intermediates: tuple[DraftSolution, ...]
    levels: tuple[DraftSolution, ...]
    photos: tuple[DraftPhoto, ...] = ()
    state: State = "open"
    closed_by: str | None = None
    closed_at: str | None = None
    why: str = ""

    def photos_of(self, level: int, strip: int) -> list[DraftPhoto]:
        """Return the photos of a strip that are not left out."""
        return [p for p in self.photos if (p.level, p.strip) == (level, strip) and p.left_out_by is None]

    def strips_of(self, level: int) -> int:
        """Return how many strips are planned: one only where strong solution is to show that it bleaches."""
        return 1 if self.levels[level].beyond else self.strips

    def next_strip(self) -> tuple[int, int] | None:
        """Return level and strip of the next photo, the weakest level first; None where all are there."""
        for level in range(len(self.levels)):
            for strip in range(1, self.strips_of(level) + 1):
                if len(self.photos_of(level, strip)) < self.lights:
                    return level, strip
        return None

    def photographed(self) -> dict[float, int]:
        """Return how many strips of each level within the range were photographed."""
        found: dict[float, set[int]] = {}
        for photo in self.photos:
            level = self.levels[photo.level]
            if photo.left_out_by is None and not level.beyond:
                found.setdefault(level.concentration, set()).add(photo.strip)
        return {concentration: len(strips) for concentration, strips in found.items()}

    def signature(self) -> str:
        """Return what a fit of it is known by: other photos, other levels or another card give another."""
        rests_on = [
            self.kind,
            self.card,
            *sorted(f"{p.sha256} {p.level} {p.strip} {p.left_out_by is None}" for p in self.photos),
        ]
        return hashlib.sha256("\n".join(rests_on).encode("utf-8")).hexdigest()[:16]


class Drafts:
    """The drafts of a site."""

    def __init__(self, site: Path) -> None:
        self.home = site / "drafts"
        self._changing = threading.Lock()

    def begin(self, **said: Any) -> CalibrationDraft:
        """Keep a new draft."""
        draft = CalibrationDraft(id=secrets.token_hex(16), **said)
        self.home.mkdir(mode=0o700, exist_ok=True)
        self.folder(draft.id).mkdir(mode=0o700)
        self._keep(draft)
        return draft

    def folder(self, draft_id: str) -> Path:
        """Return where a draft is, by an id that `find` has found."""
        return self.home / draft_id

    def find(self, draft_id: str) -> CalibrationDraft | None:
        """Return a draft by its id; None for anything else."""
        if not _ID.fullmatch(draft_id):
            return None
        try:
            said = json.loads((self.folder(draft_id) / "draft.json").read_bytes())
            return _draft(said)
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def every(self) -> list[CalibrationDraft]:
        """Return all drafts, the latest first."""
        found = [self.find(path.parent.name) for path in self.home.glob("*/draft.json")]
        return sorted((draft for draft in found if draft is not None), key=lambda draft: draft.at, reverse=True)

    def add_photo(self, draft_id: str, photo: DraftPhoto, data: bytes) -> CalibrationDraft:
        """Keep a photo; once this returns it outlasts a power cut.

        Raises
        ------
        WrongUsageError
            If the draft is closed, the photo is in it already, or it holds too many.
        """

        def add(draft: CalibrationDraft) -> CalibrationDraft:
            refuse_double(draft, photo.sha256)
            if len(draft.photos) >= _MOST_PHOTOS:
                raise WrongUsageError(
                    expected=f"at most {_MOST_PHOTOS} photos", found="more", remedy="Calibrate with these."
                )
            replace_file(self.folder(draft_id) / photo.file, data)
            return replace(draft, photos=(*draft.photos, photo))

        return self._change(draft_id, add)

    def leave_out(self, draft_id: str, sha256: str, who: str | None) -> CalibrationDraft:
        """Leave a photo out of the fit, or take it in again (``who`` None)."""

        def leave(draft: CalibrationDraft) -> CalibrationDraft:
            if all(photo.sha256 != sha256 for photo in draft.photos):
                raise WrongUsageError(expected="a photo of the draft", found="none", remedy="Choose one of the list.")
            photos = (replace(p, left_out_by=who) if p.sha256 == sha256 else p for p in draft.photos)
            return replace(draft, photos=tuple(photos))

        return self._change(draft_id, leave)

    def close(self, draft_id: str, state: State, *, who: str, at: str, why: str = "") -> CalibrationDraft:
        """Mark a draft as accepted or rejected."""
        return self._change(draft_id, lambda d: replace(d, state=state, closed_by=who, closed_at=at, why=why))

    def _change(self, draft_id: str, change: Callable[[CalibrationDraft], CalibrationDraft]) -> CalibrationDraft:
        with self._changing:
            draft = self.find(draft_id)
            if draft is None or draft.state != "open":
                raise WrongUsageError(
                    expected="a calibration under way",
                    found="none" if draft is None else f"one that is {draft.state}",
                    remedy="Begin a new one.",
                )
            changed = change(draft)
            self._keep(changed)
            return changed

    def _keep(self, draft: CalibrationDraft) -> None:
        text = json.dumps(asdict(draft), ensure_ascii=False, allow_nan=False, indent=1)
        replace_file(self.folder(draft.id) / "draft.json", text.encode("utf-8"))


def refuse_double(draft: CalibrationDraft, sha256: str) -> None:
    """Refuse a photo that is in a draft: a strip that agrees with itself would show no scatter."""
    for photo in draft.photos:
        if photo.sha256 == sha256:
            there = draft.levels[photo.level].name
            raise WrongUsageError(
                expected="a photo that is not in this calibration yet",
                found=f"that of level {there} {draft.unit}, strip {photo.strip}",
                remedy="Take a photo of the next strip. If it was sent to the wrong level, take a new one there.",
            )


def _draft(said: dict[str, Any]) -> CalibrationDraft:
    known = {field.name: said[field.name] for field in fields(CalibrationDraft)}
    known["intermediates"] = tuple(DraftSolution(**one) for one in said["intermediates"])
    known["levels"] = tuple(DraftSolution(**one) for one in said["levels"])
    known["photos"] = tuple(DraftPhoto(**{**one, "doubts": tuple(one["doubts"])}) for one in said["photos"])
    return CalibrationDraft(**known)
