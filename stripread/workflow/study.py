"""A study at a site: its photos read as any photo is, its plan and its verdict entered into the record."""

import hashlib
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from stripread.errors import StripReadError, StudyError
from stripread.files import write_file
from stripread.i18n import Message
from stripread.photo import PhotoFile
from stripread.read import Reading, read_strip
from stripread.study import (
    Event,
    OpenedStudy,
    PhotoResult,
    RunState,
    StudyFolder,
    StudyPlan,
    StudyVerdict,
    append_event,
    judge_study,
    load_truth,
    open_study,
    run_hash,
)
from stripread.workflow.kept_files import PHOTO_SUFFIX
from stripread.workflow.sample import ResolvedInputs

if TYPE_CHECKING:
    from stripread.records import Entry, Records, Stamp

__all__ = [
    "check_lot",
    "check_photo",
    "close_study",
    "keep_study_photo",
    "photo_event",
    "record_plan",
    "record_step",
    "record_taken_in",
    "record_verdict",
    "reported_entry",
    "result_of",
    "take_study_photo",
]

_NOT_DETECTED = ("LOD", "interval's end")  # limits of a reading that may be zero


def result_of(reading: Reading) -> PhotoResult:
    """Return what a study keeps of a reading: its main pad's estimate, and what of it people are shown."""
    pad = reading.pads[0]
    return PhotoResult(
        estimate=float(pad.estimate.value),
        u=float(pad.estimate.standard_uncertainty),
        low=_plain(pad.estimate.low),
        high=_plain(pad.estimate.high),
        stated=None if pad.interval is None else (_plain(pad.interval[0]), _plain(pad.interval[1])),
        detected=not (pad.censored == "below" and pad.limit is not None and pad.limit.name in _NOT_DETECTED),
        camera=reading.camera,
        taken_at=None if reading.taken_at is None else reading.taken_at.isoformat(),
        findings=tuple(finding.code for finding in (*reading.findings, *pad.findings)),
    )


def _plain(value: float | None) -> float | None:
    return None if value is None else float(value)


def photo_event(photo: PhotoFile, inputs: ResolvedInputs, *, code: str, number: int, who: str, now: datetime) -> Event:
    """Read a photo for a study; a refusal is an event as well.

    Nothing that tells the value is to be shown: what a strip reads stays with the log until the truth is opened.
    """
    name = f"{photo.sha256}{PHOTO_SUFFIX[photo.format]}"
    try:
        reading = read_strip(photo, card=inputs.card, kind=inputs.kind, lot=inputs.lot)
    except StripReadError as error:
        why = f"expected {error.expected}; found {error.found}. {error.remedy}"
        return Event(kind="refused", at=now.isoformat(), who=who, code=code, number=number, sha256=photo.sha256,
                      file=name, why=why)  # fmt: skip
    return Event(kind="photo", at=now.isoformat(), who=who, code=code, number=number, sha256=photo.sha256, file=name,
                  result=result_of(reading))  # fmt: skip


def take_study_photo(
    folder: StudyFolder,
    state: RunState,
    photo: PhotoFile,
    inputs: ResolvedInputs,
    *,
    code: str,
    number: int,
    who: str,
    now: datetime,
) -> tuple[RunState, Event]:
    """Read a photo, keep it, and write the event into the log.

    Raises
    ------
    StudyError
        If the lot is not the one of the plan, or the photo's turn has not come.
    """
    check_photo(state, photo, inputs, code=code, number=number, who=who, now=now)
    event = photo_event(photo, inputs, code=code, number=number, who=who, now=now)
    keep_study_photo(folder, photo, event)
    return append_event(folder.run_file, state, event), event


def keep_study_photo(folder: StudyFolder, photo: PhotoFile, event: Event) -> None:
    """Keep a photo under its hash, with the study."""
    folder.photos.mkdir(exist_ok=True)
    if event.file is not None and not (folder.photos / event.file).exists():
        write_file(folder.photos / event.file, photo.data)


def check_photo(
    state: RunState, photo: PhotoFile, inputs: ResolvedInputs, *, code: str, number: int, who: str, now: datetime
) -> None:
    """Refuse a photo whose turn has not come, before it is read; `StudyError`."""
    check_lot(state.plan, inputs)
    state.check(Event(kind="refused", at=now.isoformat(), who=who, code=code, number=number, sha256=photo.sha256,
                      file="-", why="-"))  # fmt: skip


def check_lot(plan: StudyPlan, inputs: ResolvedInputs) -> None:
    """Refuse a lot file that is not the one that the study was planned for."""
    if inputs.lot.sha256 != plan.lot_sha256:
        raise StudyError(
            expected=Message("lot %(lot)s as it was when the study was planned", lot=plan.lot),
            found=Message("another lot file"),
            remedy=Message("A study proves one calibration. Plan a new one for this lot file."),
        )


def close_study(
    folder: StudyFolder, stamp: "Stamp", *, truth_file: Path | None = None
) -> tuple[RunState, OpenedStudy, StudyVerdict]:
    """Open the truth of a study that is done, and judge it; from then on nothing more is entered in its log."""
    state = folder.state()
    opened = open_study(state, load_truth(truth_file or folder.sealed_file, state.plan))
    if not state.is_opened:
        state = append_event(folder.run_file, state, Event(kind="opened", at=stamp.at.isoformat(), who=stamp.who))
    return state, opened, judge_study(opened.table, state.plan.criteria, state.plan.aims)


def record_plan(records: "Records", plan: StudyPlan, folder: StudyFolder, stamp: "Stamp") -> "Entry":
    """Enter a plan: what is to be shown, and the hash of the sealed truth, before the first strip is dipped."""
    from stripread.records import Draft

    payload = {
        "event": "planned",
        "study": plan.id,
        "lot": plan.lot,
        "lot_sha256": plan.lot_sha256,
        "form": plan.form,
        "strips": len(plan.strips),
        "plan_sha256": hashlib.sha256(folder.plan_file.read_bytes()).hexdigest(),
        "truth_sha256": plan.truth_sha256,
    }
    return records.append([Draft(kind="study", payload=payload, subject=plan.lot)], stamp)[0]


def record_step(records: "Records", state: RunState, event: Event, stamp: "Stamp") -> "Entry":
    """Enter that something was done in a study, and the hash of its log until then; no value."""
    from stripread.records import Draft

    payload = {"event": event.kind, "study": state.plan.id, "code": event.code, "log": state.last_hash}
    return records.append([Draft(kind="study", payload=payload, subject=state.plan.lot)], stamp)[0]


def record_taken_in(records: "Records", state: RunState, lines: int, stamp: "Stamp") -> "Entry":
    """Enter that so many lines were written to the log of a study, and the hash of its end; no value."""
    from stripread.records import Draft

    payload = {"event": "taken in", "study": state.plan.id, "lines": lines, "log": state.last_hash}
    return records.append([Draft(kind="study", payload=payload, subject=state.plan.lot)], stamp)[0]


def reported_entry(records: "Records", state: RunState) -> "Entry | None":
    """Return the entry of a study's verdict; None where there is none yet."""
    from stripread.records import study_entries

    found = (entry for entry in study_entries(records, state.plan.lot) if entry.payload.get("event") == "reported")
    return next((entry for entry in found if entry.payload.get("study") == state.plan.id), None)


def record_verdict(
    records: "Records", state: RunState, verdict: StudyVerdict, folder: StudyFolder, stamp: "Stamp"
) -> "Entry":
    """Enter what came of a study, once: a later report of the same log finds the entry and returns it."""
    from stripread.records import Draft

    plan, before = state.plan, reported_entry(records, state)
    if before is not None:
        return before
    payload = {
        "event": "reported",
        "study": plan.id,
        "lot": plan.lot,
        "lot_sha256": plan.lot_sha256,
        "outcome": verdict.outcome,
        "on": state.done_on.isoformat(),
        "criteria": {one.criterion.name: one.outcome for one in verdict.findings},
        "proven": [
            {"phone": phone, "light": light, "camera": _camera(state, phone)} for phone, light in verdict.proven
        ],
        "strips": len(verdict_strips(state)),
        "photos": verdict.photos,
        "refused": verdict.refused,
        "plan_sha256": hashlib.sha256(folder.plan_file.read_bytes()).hexdigest(),
        "truth_sha256": plan.truth_sha256,
        "log": state.last_hash,
        "run_sha256": run_hash(folder.run_file),
    }
    return records.append([Draft(kind="study", payload=payload, subject=plan.lot)], stamp)[0]


def _camera(state: RunState, phone: str) -> str | None:
    """Return what the photos with a phone say that it is; None where they disagree or say nothing."""
    planned = {(s.code, p.number) for s in state.plan.strips for p in s.photos if p.phone == phone}
    found = {e.result.camera for e in state.events if e.result is not None and (e.code, e.number) in planned}
    return found.pop() if len(found) == 1 else None


def verdict_strips(state: RunState) -> tuple[str, ...]:
    """Return the codes of the strips that were dipped."""
    return tuple(strip.code for strip in state.plan.strips if state.of(strip.code, "dipped"))
