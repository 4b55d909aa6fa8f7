"""The log: readings page by page, and one of them with its findings, photo, corrections and notes."""

from dataclasses import dataclass
from datetime import datetime
from typing import get_args
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from stripread.check import METHOD_WORDS, Validity
from stripread.errors import RecordsError
from stripread.findings import REGISTRY, Finding
from stripread.i18n import Message
from stripread.records import KEPT, Entry, Note, ReadingFilter, RecordedReading, Stamp, hash_file
from stripread.report import proven_words, recorded_dilution
from stripread.site import load_site
from stripread.units import findings_of
from stripread.web.forms import chosen, day, needed, text, whole
from stripread.web.pages.correct import may_correct
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import LAST_ENTRY, reading_entry, records_of
from stripread.web.state import state_of

__all__ = ["log_routes"]

_PAGE = 20
_FILTERS = ("point", "sample", "validity", "method", "serious", "finding", "from", "to")
_LONGEST_NOTE = 2000
# Of a kept photo, whose suffix follows from its bytes.
_MEDIA = {
    ".jpg": "image/jpeg", ".png": "image/png", ".webp": "image/webp", ".heic": "image/heic", ".tif": "image/tiff",
    ".avif": "image/avif",
}  # fmt: skip


def log_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/log", log, methods=["GET"]),
        Route("/log/{entry:int}", show_entry, methods=["GET"]),
        Route("/log/{entry:int}/photos/{sha256}", photo, methods=["GET"]),
        Route("/log/{entry:int}/notes", add_note, methods=["POST"]),
    ]


@need()
def log(request: Request, person: Person) -> Response:
    """List the readings that hold now, the latest first, with filters."""
    asked = request.query_params
    validity = chosen(
        asked, "validity", get_args(Validity), Message("one of %(known)s", known=", ".join(get_args(Validity)))
    )
    wanted = ReadingFilter(
        point=text(asked, "point") or None,
        sample=text(asked, "sample") or None,
        validity=validity,
        method=chosen(asked, "method", METHOD_WORDS, Message("one of %(known)s", known=", ".join(METHOD_WORDS))),
        finding=chosen(asked, "finding", REGISTRY, Message("a finding of the list")),
        serious=chosen(asked, "serious", ("yes",), Message("yes, or nothing")) is not None,
        since=day(asked, "from"),
        until=day(asked, "to", end=True),
    )
    before = whole(asked, "before", most=LAST_ENTRY)
    state = state_of(request)
    with records_of(state) as records:
        names = [*(p.name for p in records.points_in_order()), *sorted(records.latest_by_point())]
        found = records.readings(wanted, before=before, limit=_PAGE + 1)
        codes = [code for code in records.finding_codes() if code in REGISTRY]
    points, samples = list(dict.fromkeys(names)), list(load_site(state.folder).samples)
    page = found[:_PAGE]
    kept = {name: value for name in _FILTERS if (value := text(asked, name))}
    return render(
        request, "log.html", readings=page, points=points, samples=samples, validities=get_args(Validity), asked=kept,
        methods=METHOD_WORDS, codes=codes, findings=bool(wanted.finding or wanted.serious), severe=_severe,
        first="/log?" + urlencode(kept) if before is not None else None,
        older="/log?" + urlencode({**kept, "before": page[-1].entry.seq}) if len(found) > _PAGE else None,
    )  # fmt: skip


def _severe(one: RecordedReading) -> list[str]:
    """Return the codes of a reading's findings that are more than information, each once."""
    found = one.entry.payload.get("findings") or []
    return list(dict.fromkeys(said["code"] for said in found if said["severity"] != "info"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """A reading's entry with what belongs to it; ``reading`` is None where the entry withdraws another."""

    entry: Entry
    reading: RecordedReading | None
    chain: list[Entry]
    notes: list[tuple[Entry, Note]]
    findings: tuple[Finding, ...]


@need()
def show_entry(request: Request, person: Person) -> Response:
    """Show one reading whole."""
    with records_of(state_of(request)) as records:
        entry = reading_entry(records, request.path_params["entry"])
        shown = _Shown(
            entry=entry,
            reading=None if entry.withdrawn else records.reading(entry.seq),
            chain=records.corrections_of(entry.seq),
            notes=[(n.entry, n.said) for n in reversed(records.notes(about=entry.seq))],
            findings=findings_of(entry.payload),
        )
    return render(
        request, "log_entry.html", shown=shown, proven_words=proven_words, how=shown.entry.payload.get("how") or {},
        diluted=recorded_dilution(shown.entry.payload),
        photos=[file for file in shown.entry.files if file.role in ("photo", "flash_photo")],
        may_note=person.role != "grower", longest=_LONGEST_NOTE,
        may_correct=shown.reading is not None and not shown.reading.superseded_by and may_correct(shown.entry, person),
    )  # fmt: skip


@need()
def photo(request: Request, person: Person) -> Response:
    """Send the photo that a reading rests on, if it is still what it was."""
    with records_of(state_of(request)) as records:
        entry = reading_entry(records, request.path_params["entry"])
    for file in entry.files:
        if file.role in ("photo", "flash_photo") and file.sha256 == request.path_params["sha256"]:
            path = records.folder / file.path
            if not KEPT.fullmatch(file.path) or not path.is_file() or hash_file(path) != file.sha256:
                raise RecordsError(
                    expected=Message("the photo as it was recorded"),
                    found=Message("none, or another one"),
                    remedy=Message("Tell your supervisor: the record has to be verified."),
                )
            media = _MEDIA.get(path.suffix, "application/octet-stream")
            return FileResponse(path, media_type=media, content_disposition_type="inline")
    raise HTTPException(404)


@need("technician", "supervisor")
def add_note(request: Request, person: Person) -> Response:
    """Enter a note about a reading; the same one sent twice is entered once."""
    words = needed(sent_form(request), "text", Message("a note of some words"), most=_LONGEST_NOTE)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    with records_of(state_of(request)) as records:
        seq = reading_entry(records, request.path_params["entry"]).seq
        there = any(n.said.text == words and n.entry.who == person.name for n in records.notes(about=seq))
        if not there:
            records.add_note(Note(text=words, about=seq), stamp)
    return RedirectResponse(f"/log/{seq}#notes", status_code=303)
