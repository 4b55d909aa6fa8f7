"""Calibrations under way: a folder for each, with what was planned, what was photographed, and what came of the fit.

``drafts/ID/draft.json`` in the site's folder says all but the pictures; photos lie beside it under the SHA-256 of their
bytes. Nothing is taken out: a photo is left out of the fit, a draft is closed. ``enter`` puts a change into the record:
it is called once nothing speaks against the change, and what it raises leaves the draft as it is.
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

from stripread.calibrate import enough_to_fit
from stripread.errors import WrongUsageError
from stripread.files import read_json, write_file
from stripread.i18n import Message

__all__ = ["CalibrationDraft", "DraftPad", "DraftPhoto", "DraftSolution", "Drafts", "PadValue", "refuse_double"]

_ID = re.compile(r"[0-9a-f]{32}")
_MOST_PHOTOS = 400  # chosen: ten levels of five strips in eight lights
State = Literal["open", "accepted", "rejected"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftPad:
    """A pad of the kind as it was when the calibration was planned; ``id`` is None where it is the only one."""

    id: str | None
    analyte: str
    unit: str
    blank: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PadValue:
    """What a solution is for a pad (None: the only one): its value, and the standard uncertainty ``u`` of that."""

    pad: str | None
    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftSolution:
    """A solution of the plan as it was made; of a ready one nothing is measured out, and ``source`` is empty.

    ``values`` has nothing of a pad for which the solution is not known.
    """

    name: str
    take_ml: float
    water_ml: float
    source: str
    values: tuple[PadValue, ...]
    beyond: bool = False

    def value(self, pad: str | None) -> PadValue | None:
        """Return what it is for a pad."""
        return next((one for one in self.values if one.pad == pad), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftPhoto:
    """A photo of one strip; ``level`` is the place of its level in the draft, from 0, ``strip`` counts from 1.

    ``flash`` is the name of the second photo, with the flash, in a draft of pairs; ``doubts`` are the findings of its
    measurement; ``left_out_by`` names who left it out of the fit.
    """

    sha256: str
    suffix: str
    level: int
    strip: int
    at: str
    who: str
    doubts: tuple[Any, ...] = ()
    left_out_by: str | None = None
    flash: str | None = None

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
    again : bool
        Whether it is to take the place of the lot's calibration, where the site has one.
    unit : str
        Of the levels' names; empty where a kind has several pads, and the names say the units.
    standard, u_standard, total_ml : float or None
        None where the solutions were at hand, and none was diluted.
    strips, lights : int
        Planned strips of each level, and photos of each strip.
    flash : bool
        Whether each photo is a pair, the second one with the flash.
    """

    id: str
    number: str
    kind: str
    card: str
    expires: str
    by: str
    at: str
    unit: str
    standard: float | None
    u_standard: float | None
    total_ml: float | None
    strips: int
    lights: int
    intermediates: tuple[DraftSolution, ...]
    levels: tuple[DraftSolution, ...]
    pads: tuple[DraftPad, ...]
    flash: bool = False
    again: bool = False
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

    def label(self, level: int) -> str:
        """Return the name of a level with its unit."""
        return f"{self.levels[level].name} {self.unit}".rstrip()

    def enough(self) -> bool:
        """Tell whether there are photos enough to fit every pad."""
        return all(enough_to_fit(self._photographed(pad.id), blank=pad.blank) for pad in self.pads)

    def _photographed(self, pad: str | None) -> dict[float, int]:
        """Return how many strips of each value of a pad within the range were photographed."""
        found: dict[float, set[tuple[int, int]]] = {}
        for photo in self.photos:
            level = self.levels[photo.level]
            known = level.value(pad)
            if photo.left_out_by is None and not level.beyond and known is not None:
                found.setdefault(known.value, set()).add((photo.level, photo.strip))
        return {value: len(strips) for value, strips in found.items()}

    def signature(self) -> str:
        """Return what a fit of it is known by: other photos, other levels or another card give another."""
        rests_on = [
            self.kind,
            self.card,
            *sorted(f"{p.sha256} {p.level} {p.strip} {p.left_out_by is None}" for p in self.photos),
        ]
        return hashlib.sha256("\n".join(rests_on).encode("utf-8")).hexdigest()[:16]


Enter = Callable[[CalibrationDraft], None] | None


class Drafts:
    """The drafts of a site."""

    def __init__(self, site: Path) -> None:
        self.home = site / "drafts"
        self._changing = threading.Lock()

    def begin(self, *, enter: Enter = None, **said: Any) -> CalibrationDraft:
        """Keep a new draft."""
        draft = CalibrationDraft(id=secrets.token_hex(16), **said)
        if enter is not None:
            enter(draft)
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
            said = read_json((self.folder(draft_id) / "draft.json").read_bytes())
            return _draft(said)
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def every(self) -> list[CalibrationDraft]:
        """Return all drafts, the latest first."""
        found = [self.find(path.parent.name) for path in self.home.glob("*/draft.json")]
        return sorted((draft for draft in found if draft is not None), key=lambda draft: draft.at, reverse=True)

    def add_photo(
        self, draft_id: str, photo: DraftPhoto, data: bytes, flash: bytes | None = None, *, enter: Enter = None
    ) -> CalibrationDraft:
        """Keep a photo, or a pair; once this returns it outlasts a power cut.

        Raises
        ------
        WrongUsageError
            If the draft is closed, the photo is in it already, or it holds too many.
        """

        def add(draft: CalibrationDraft) -> CalibrationDraft:
            refuse_double(draft, photo.sha256)
            if flash is not None:
                refuse_double(draft, hashlib.sha256(flash).hexdigest())
            if len(draft.photos) >= _MOST_PHOTOS:
                raise WrongUsageError(
                    expected=Message("at most %(most)s photos", most=_MOST_PHOTOS),
                    found=Message("more"),
                    remedy=Message("Calibrate with these."),
                )
            write_file(self.folder(draft_id) / photo.file, data)
            if flash is not None and photo.flash is not None:
                write_file(self.folder(draft_id) / photo.flash, flash)
            return replace(draft, photos=(*draft.photos, photo))

        return self._change(draft_id, add, enter)

    def leave_out(self, draft_id: str, sha256: str, who: str | None, *, enter: Enter = None) -> CalibrationDraft:
        """Leave a photo out of the fit, or take it in again (``who`` None)."""

        def leave(draft: CalibrationDraft) -> CalibrationDraft:
            if all(photo.sha256 != sha256 for photo in draft.photos):
                raise WrongUsageError(
                    expected=Message("a photo of the draft"),
                    found=Message("none"),
                    remedy=Message("Choose one of the list."),
                )
            photos = (replace(p, left_out_by=who) if p.sha256 == sha256 else p for p in draft.photos)
            return replace(draft, photos=tuple(photos))

        return self._change(draft_id, leave, enter)

    def close(
        self, draft_id: str, state: State, *, who: str, at: str, why: str = "", enter: Enter = None
    ) -> CalibrationDraft:
        """Mark a draft as accepted or rejected."""
        return self._change(draft_id, lambda d: replace(d, state=state, closed_by=who, closed_at=at, why=why), enter)

    def _change(
        self, draft_id: str, change: Callable[[CalibrationDraft], CalibrationDraft], enter: Enter
    ) -> CalibrationDraft:
        with self._changing:
            draft = self.find(draft_id)
            if draft is None or draft.state != "open":
                raise WrongUsageError(
                    expected=Message("a calibration under way"),
                    found=(
                        Message("none")
                        if draft is None
                        else Message("one that is %(state)s", state=Message(draft.state))
                    ),
                    remedy=Message("Begin a new one."),
                )
            changed = change(draft)
            if enter is not None:
                enter(changed)
            self._keep(changed)
            return changed

    def _keep(self, draft: CalibrationDraft) -> None:
        text = json.dumps(asdict(draft), ensure_ascii=False, allow_nan=False, indent=1)
        write_file(self.folder(draft.id) / "draft.json", text.encode("utf-8"))


def refuse_double(draft: CalibrationDraft, sha256: str) -> None:
    """Refuse a photo that is in a draft: a strip that agrees with itself would show no scatter."""
    for photo in draft.photos:
        if sha256 == photo.sha256 or (photo.flash or "").startswith(sha256):
            raise WrongUsageError(
                expected=Message("a photo that is not in this calibration yet"),
                found=Message(
                    "that of level %(level)s, strip %(strip)s", level=draft.label(photo.level), strip=photo.strip
                ),
                remedy=Message(
                    "Take a photo of the next strip. If it was sent to the wrong level, take a new one there."
                ),
            )


def _draft(said: dict[str, Any]) -> CalibrationDraft:
    known = {field.name: said[field.name] for field in fields(CalibrationDraft) if field.name in said}
    only = {"id": None, "analyte": "", "unit": said["unit"], "blank": True}  # of drafts before kinds of several pads
    known["pads"] = tuple(DraftPad(**one) for one in said.get("pads", (only,)))
    known["intermediates"] = tuple(_solution(one) for one in said["intermediates"])
    known["levels"] = tuple(_solution(one) for one in said["levels"])
    known["photos"] = tuple(DraftPhoto(**{**one, "doubts": tuple(one["doubts"])}) for one in said["photos"])
    return CalibrationDraft(**known)


def _solution(said: dict[str, Any]) -> DraftSolution:
    said = dict(said)
    if "values" not in said:  # of drafts before kinds of several pads
        said["values"] = [{"pad": None, "value": said.pop("concentration"), "u": said.pop("u")}]
    return DraftSolution(**{**said, "values": tuple(PadValue(**one) for one in said["values"])})
