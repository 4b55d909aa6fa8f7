"""What happens in a study, as a log that only grows: a line of JSON for each thing done, each naming the one before.

A study may be stopped after any line and gone on with by anybody. What was read by eye is entered before the photos of
the strip are taken in; a line is never changed, and a photo that is taken again is a further line.
"""

import hashlib
import io
import json
import math
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from stripread.errors import StudyError
from stripread.files import lock, read_json
from stripread.i18n import Message, Verbatim
from stripread.study.plan import StudyPlan
from stripread.study.shape import PlannedStrip

__all__ = ["ASSAYS", "Event", "EventKind", "PhotoResult", "RunState", "append_event", "load_run", "run_hash"]

EventKind = Literal["assay", "dipped", "eye", "photo", "refused", "skipped", "opened"]
ASSAYS = ("start", "middle", "end")
_FIRST = "0" * 64
_NEEDS: dict[str, tuple[str, ...]] = {
    "assay": ("which", "value", "u"),
    "dipped": ("code",),
    "eye": ("code", "value"),
    "photo": ("code", "number", "sha256", "file", "result"),
    "refused": ("code", "number", "sha256", "file", "why"),
    "skipped": ("code", "why"),
    "opened": (),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoResult:
    """What a photo of the study gave; as in `stripread.study.table.PhotoRow`."""

    estimate: float
    u: float
    low: float | None
    high: float | None
    stated: tuple[float | None, float | None] | None
    detected: bool
    camera: str | None = None
    taken_at: str | None = None
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line: what was done, when and by whom; which fields it has depends on ``kind``.

    ``at`` is ISO 8601 with its zone: of an assay and a dip when it was done, of all else when it was entered.
    """

    kind: EventKind
    at: str
    who: str
    code: str | None = None
    which: str | None = None
    value: float | None = None
    u: float | None = None
    number: int | None = None
    sha256: str | None = None
    file: str | None = None
    result: PhotoResult | None = None
    why: str | None = None

    @property
    def when(self) -> datetime:
        """When it was done."""
        return datetime.fromisoformat(self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """How far a study has come."""

    plan: StudyPlan
    events: tuple[Event, ...]
    last_hash: str = _FIRST
    _by_code: Mapping[str, tuple[Event, ...]] = field(default_factory=dict)

    def of(self, code: str, *kinds: EventKind) -> tuple[Event, ...]:
        """Return what was done with a strip."""
        return tuple(e for e in self._by_code.get(code, ()) if e.kind in kinds)

    @property
    def assays(self) -> dict[str, Event]:
        """The assays of the stock that were entered; the last of each counts."""
        return {e.which: e for e in self.events if e.kind == "assay" and e.which}

    def eyes_missing(self, strip: PlannedStrip) -> tuple[str, ...]:
        """Return who has still to read a strip by eye."""
        seen = {event.who for event in self.of(strip.code, "eye")}
        return tuple(person for person in self.plan.conditions.people if person not in seen)

    def photos_missing(self, strip: PlannedStrip) -> tuple[int, ...]:
        """Return the numbers of the photos that are still to be taken."""
        there = {event.number for event in self.of(strip.code, "photo")}
        given_up = {event.number for event in self.of(strip.code, "skipped")}
        return tuple(photo.number for photo in strip.photos if photo.number not in there | given_up)

    def is_skipped(self, code: str) -> bool:
        """Tell whether a strip was given up, and not only a photo of it."""
        return any(event.number is None for event in self.of(code, "skipped"))

    def is_done(self, strip: PlannedStrip) -> bool:
        """Tell whether nothing is left to do with a strip."""
        if self.is_skipped(strip.code):
            return True
        return bool(self.of(strip.code, "dipped")) and not self.eyes_missing(strip) and not self.photos_missing(strip)

    @property
    def done(self) -> int:
        """Strips that are done."""
        return sum(self.is_done(strip) for strip in self.plan.strips)

    @property
    def next_strip(self) -> PlannedStrip | None:
        """The strip that is next; None where all are done."""
        return next((strip for strip in self.plan.strips if not self.is_done(strip)), None)

    @property
    def done_on(self) -> date:
        """The day of the last dip; before the first one that of the plan."""
        dips = [event.when for event in self.events if event.kind == "dipped"]
        return max(dips, default=datetime.fromisoformat(self.plan.at)).date()

    @property
    def finished(self) -> bool:
        """Whether all strips are done and the stock was assayed three times: then the truth may be opened."""
        return self.next_strip is None and set(ASSAYS) <= set(self.assays)

    @property
    def is_opened(self) -> bool:
        """Whether the truth was opened: from then on nothing more is entered."""
        return any(event.kind == "opened" for event in self.events)

    def check(self, event: Event) -> None:
        """Refuse what the plan does not allow.

        Raises
        ------
        StudyError
            For a strip or photo that is not planned, a person who does not read by eye, a photo before the strip
            was dipped and read by eye, what would undo a strip that is photographed; and for anything once the truth
            was opened.
        """
        if self.is_opened:
            raise _wrong(Message("a study whose truth is sealed"), Message("one that was opened: it stays as it is"))
        if missing := [name for name in _NEEDS[event.kind] if getattr(event, name) is None]:
            raise _wrong(Verbatim(", ".join(missing)), Message("nothing"))
        if event.when.tzinfo is None:
            raise _wrong(Message("a time with its zone"), Verbatim(event.at))
        if event.kind == "assay":
            numbers = (event.value or 0.0, event.u or 0.0)
            if event.which not in ASSAYS or not all(0 < number < math.inf for number in numbers):
                raise _wrong(
                    Message("start, middle or end, a strength and its standard uncertainty, both over 0"),
                    Verbatim(f"{event.which}, {event.value}, {event.u}"),
                )
            return
        if event.kind == "opened":
            return
        strip = self.plan.strip(event.code or "")
        self._check_not_undone(event, strip)
        if event.kind == "eye":
            if event.who not in self.plan.conditions.people:
                people = ", ".join(self.plan.conditions.people)
                raise _wrong(Message("one of those who read by eye: %(people)s", people=people), Verbatim(event.who))
            if not 0 <= (event.value or 0.0) < math.inf:
                raise _wrong(Message("a concentration of 0 or more"), Verbatim(str(event.value)))
        if event.kind == "skipped" and event.number not in {None, *(photo.number for photo in strip.photos)}:
            raise _wrong(Message("a photo that is planned"), Verbatim(str(event.number)))
        if event.kind in ("photo", "refused"):
            self._check_photo(event, strip)

    def _check_not_undone(self, event: Event, strip: PlannedStrip) -> None:
        """Refuse what would change a strip after the program has read it."""
        taken = {one.number for one in self.of(strip.code, "photo")}
        late = event.kind in ("dipped", "eye") and bool(taken)
        if event.kind == "skipped":
            late = event.number in taken or (event.number is None and bool(taken) and not self.photos_missing(strip))
        if late:
            raise _wrong(
                Message("what comes before the photos of strip %(code)s", code=strip.code),
                Message("%(kind)s, after the program has read them", kind=event.kind),
            )

    def _check_photo(self, event: Event, strip: PlannedStrip) -> None:
        if event.number not in {photo.number for photo in strip.photos}:
            raise _wrong(Message("a photo that is planned"), Verbatim(str(event.number)))
        if not self.of(strip.code, "dipped"):
            raise _wrong(Message("strip %(code)s dipped first", code=strip.code), Message("no dip entered"))
        if missing := self.eyes_missing(strip):
            raise _wrong(
                Message(
                    "strip %(code)s read by eye first, so that nobody knows what the program says", code=strip.code
                ),
                Message("nothing from %(people)s", people=", ".join(missing)),
            )
        if any(e.sha256 == event.sha256 for e in self.events if e.kind == "photo"):
            raise _wrong(Message("a photo of its own"), Message("one that the study has already"))


def _wrong(expected: object, found: object) -> StudyError:
    return StudyError(
        expected=expected,  # type: ignore[arg-type]  # shown things, all of them
        found=found,  # type: ignore[arg-type]
        remedy=Message("Nothing was entered. Follow the sheet, strip by strip."),
    )


def load_run(path: Path, plan: StudyPlan) -> RunState:
    """Read a log; a study without one has not begun.

    Raises
    ------
    StudyError
        If a line is damaged, was changed, or one is gone.
    """
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        lines = []
    events, last, by_code = [], _FIRST, dict[str, list[Event]]()
    for number, line in enumerate(lines, start=1):
        try:
            data = read_json(line)
            if data.pop("previous") != last:
                raise ValueError("it does not follow the line before")
            event = _event(data)
        except (KeyError, TypeError, ValueError) as error:
            raise StudyError(
                expected=Message("the log of a study as it was written, at %(path)s", path=path),
                found=Message("line %(line)s: %(error)s", line=number, error=error),
                remedy=Message("Nothing was changed. Take the file from a backup."),
            ) from error
        last = hashlib.sha256(line).hexdigest()
        events.append(event)
        if event.code is not None:
            by_code.setdefault(event.code, []).append(event)
    kept = {code: tuple(own) for code, own in by_code.items()}
    return RunState(plan=plan, events=tuple(events), last_hash=last, _by_code=kept)


def append_event(path: Path, state: RunState, event: Event) -> RunState:
    """Check an event and write it to the end of the log, whole or not at all; return the state after it.

    Raises
    ------
    StudyError
        If it is not allowed, or somebody else has written to the log since the state was read.
    """
    state.check(event)
    data = {key: value for key, value in asdict(event).items() if value is not None}
    line = json.dumps({**data, "previous": state.last_hash}, ensure_ascii=False).encode("utf-8")
    with path.open("a+b", buffering=0) as file:
        lock(file.fileno())  # where there are no locks, the log's end alone is compared
        _check_end(file, state)
        size = file.seek(0, os.SEEK_END)
        try:
            if file.write(line + b"\n") != len(line) + 1:
                raise OSError(f"{path}: the line could not be written whole")
            os.fsync(file.fileno())
        except OSError:
            file.truncate(size)
            raise
    by_code = dict(state._by_code)
    if event.code is not None:
        by_code[event.code] = (*by_code.get(event.code, ()), event)
    last = hashlib.sha256(line).hexdigest()
    return replace(state, events=(*state.events, event), last_hash=last, _by_code=by_code)


def _check_end(file: io.FileIO, state: RunState) -> None:
    """Refuse to write behind a line that the state does not know."""
    file.seek(0)
    lines = file.read().splitlines()
    if (hashlib.sha256(lines[-1]).hexdigest() if lines else _FIRST) != state.last_hash:
        raise StudyError(
            expected=Message("the log of the study as it was read"),
            found=Message("lines that somebody else has written since"),
            remedy=Message("Nothing was entered. Look how far the study is by now, then enter it again."),
        )


def _event(data: Mapping[str, Any]) -> Event:
    result = data.get("result")
    if result is not None:
        result = PhotoResult(
            **{
                **result,
                "stated": None if result["stated"] is None else tuple(result["stated"]),
                "findings": tuple(result["findings"]),
            }
        )
    return Event(**{**data, "result": result})


def run_hash(path: Path) -> str:
    """Return the SHA-256 of a log."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
