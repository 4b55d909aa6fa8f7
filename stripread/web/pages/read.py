"""The guided reading: from a point to the verdict."""

import logging
import re
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from functools import partial
from hashlib import sha256
from typing import Any, BinaryIO
from urllib.parse import quote

from anyio import to_thread
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.lot import Lot
from stripread.records import Point, find_batch
from stripread.site import Site, kind_of_lot, load_site, resolve_lot
from stripread.strip import StripKind
from stripread.water import parse_dilution, typed_dilution
from stripread.web.forms import text
from stripread.web.pages.points_due import next_due, points_due
from stripread.web.pages.sketches import sketch_for
from stripread.web.people.people import Person
from stripread.web.queue.inbox import Inbox, Job
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import form_of
from stripread.web.site_record import points_of, records_of
from stripread.web.state import AppState, state_of

__all__ = ["read_routes"]

_log = logging.getLogger(__name__)
_OFTEN = 2  # seconds between looks at a job
_SPARE = 300_000_000  # bytes left free on the disk, so that what waits can still be read and recorded. Ours


def read_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/read", choose_point, methods=["GET"]),
        Route("/read/{point}", guide, methods=["GET"]),
        Route("/read/{point}/photo", take_photo, methods=["POST"]),
        Route("/jobs/{job}", show_job, methods=["GET"]),
        Route("/jobs/{job}/state", job_state, methods=["GET"]),
        Route("/jobs/{job}/picture", job_picture, methods=["GET"]),
    ]


@need()
def choose_point(request: Request, person: Person) -> Response:
    """List the points to read at."""
    state, now = state_of(request), datetime.now().astimezone()
    with records_of(state) as records:
        points = points_due(records, load_site(state.folder), now=now)
    return render(request, "choose_point.html", points=points)


@need()
def guide(request: Request, person: Person) -> Response:
    """Say which strip, how to dip, and take the photo."""
    state = state_of(request)
    site = load_site(state.folder)
    point = _point(points_of(state), request.path_params["point"])
    sample = site.sample(point.sample)
    lots = lots_of(site)
    beside = _beside(state.queue.inbox, request.query_params.get("beside", ""), person)
    choices, today = lots_for(lots, sample.kinds), datetime.now().astimezone().date()
    return render(
        request,
        "guide.html",
        point=point,
        sample=sample,
        choices=choices,
        not_these=sorted({kind.name for _, kind, _ in lots}.difference(sample.kinds)),
        kinds=list({kind.name: kind for _, kind, _ in choices}.values()),
        today=today,
        good=sum(lot.expires >= today for _, _, lot in choices),  # one alone is chosen already
        pairs=any(lot.flash_colours for _, _, lot in choices),
        flush_s=round(60 * (point.flush_min or 0)),
        key=secrets.token_hex(16),
        may_read=person.role != "grower",
        beside=beside or "",
        diluted=_measures(state.queue.inbox, beside),
        batch=_batch(state, request.query_params.get("batch", "")),
    )


@need("technician", "supervisor")
async def take_photo(request: Request, person: Person) -> Response:
    """Keep a photo and let it be read. The answer tells only after it is safe on the disk."""
    state = state_of(request)
    if not state.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await form_of(request)
    accept = partial(_accept, state, form, request.path_params["point"], person)
    job_id = await to_thread.run_sync(accept, limiter=state.keeping)
    state.queue.wake()
    if request.headers.get("accept", "").startswith("application/json"):
        return JSONResponse({"job": job_id, "page": f"/jobs/{job_id}"}, status_code=202)
    return RedirectResponse(f"/jobs/{job_id}", status_code=303)


def _accept(state: AppState, form: FormData, point: str, person: Person) -> str:
    """Keep what was sent as a job, unless it was sent before and only the answer was lost; return the job's id."""
    sent, key = form.get("photo"), str(form.get("key", ""))
    if not isinstance(sent, UploadFile) or not 8 <= len(key) <= 100:
        raise WrongUsageError(
            expected=Message("a photo"), found=Message("none"), remedy=Message("Take the photo, then send it.")
        )
    with_flash = form.get("flash")
    flash = with_flash if isinstance(with_flash, UploadFile) and with_flash.size else None
    files = [sent.file] if flash is None else [sent.file, flash.file]
    inbox = state.queue.inbox
    job_id = Inbox.id_of(person.name, key, _digests(files))
    if inbox.job(job_id) is not None:
        return job_id
    sampled = _point(points_of(state), point)
    lot = _lot(state, str(form.get("lot", "")))
    _check_room(state)
    if not sent.size:
        raise WrongUsageError(
            expected=Message("a photo"), found=Message("an empty file"), remedy=Message("Take the photo, then send it.")
        )
    batch, now = _batch(state, str(form.get("batch", ""))), datetime.now().astimezone()
    if max(one.size or 0 for one in (sent, with_flash) if isinstance(one, UploadFile)) > state.settings.largest_photo:
        raise HTTPException(413)
    job = Job(
        id=job_id,
        who=person.name,
        at=now.isoformat(),
        point=sampled.name,
        sample=sampled.sample,
        lot=lot,
        name=f"{now:%Y%m%d-%H%M%S}.photo",
        flushed_s=_seconds(str(form.get("flushed_s", ""))),
        waited_s=_seconds(str(form.get("waited_s", "")) or str(form.get("about_s", ""))),
        batch=batch,
        flash=flash is not None,
        diluted=_diluted(form),
        beside=_beside(inbox, str(form.get("beside", "")), person),
    )
    try:
        inbox.accept(job, *(file.read() for file in files))
    except OSError:  # a full disk: the phone keeps it and sends it again
        _log.exception("a photo cannot be kept")
        raise HTTPException(503) from None
    return job_id


def _lot(state: AppState, name: str) -> str:
    """Return the name of a lot of the site, never a path."""
    if name not in load_site(state.folder).lots:
        raise WrongUsageError(
            expected=Message("a lot of the site"),
            found=Verbatim(repr(name[:80])),
            remedy=Message("Choose one of the list."),
        )
    return name


def _check_room(state: AppState) -> None:
    """Refuse a photo for now where the disk or the queue is full."""
    inbox = state.queue.inbox
    if inbox.room() < _SPARE or len(inbox.waiting()) >= state.settings.most_waiting:
        raise HTTPException(503)


def _digests(photos: Sequence[BinaryIO]) -> str:
    """Return what tells photos from others."""
    found = []
    for photo in photos:
        digest = sha256()
        while piece := photo.read(1 << 20):
            digest.update(piece)
        photo.seek(0)
        found.append(digest.hexdigest())
    return " ".join(found)


@need()
def show_job(request: Request, person: Person) -> Response:
    """Show the verdict, or that it is being read."""
    inbox, job = _job(request, person)
    answer, onward, until_s = inbox.answered(job.id), None, 0.0
    if answer is not None:
        site = load_site(state_of(request).folder)
        until_s = 0.0 if answer["read"] else _until(site, job.lot)
        with records_of(state_of(request)) as records:
            onward = next_due(points_due(records, site, now=datetime.now().astimezone()), job.point)
    ahead = None if answer is not None else _ahead(inbox, job.id)
    return render(
        request, "verdict.html", job=job, answer=answer, ahead=ahead, often=_OFTEN,
        put_off=job.id in state_of(request).queue.put_off, until_s=until_s,
        next_name=None if onward is None else onward.point.name,
        next_href="/" if onward is None else f"/read/{quote(onward.point.name, safe='')}",
        has_picture=inbox.picture(job.id).exists(), picture_of=None if answer is None else _sketch(answer),
    )  # fmt: skip


def _until(site: Site, lot: str) -> float:
    """Return how long after the dip a strip of a lot may be photographed [s]; 0 where its file is not in order."""
    try:
        return kind_of_lot(resolve_lot(lot, site), site).dip.read_until_s
    except StripReadError:
        return 0.0


def _sketch(answer: Mapping[str, Any]) -> str | None:
    """Return the sketch of what to change in the photo, for one that was not read or gave a doubtful reading."""
    if not answer["read"]:
        return sketch_for([str(answer.get("code"))])
    return sketch_for([f["code"] for f in answer["findings"] if f["severity"] != "info"])


@need()
def job_state(request: Request, person: Person) -> Response:
    """Tell a program whether a job is done."""
    inbox, job = _job(request, person)
    done = inbox.answered(job.id) is not None
    ahead = 0 if done else _ahead(inbox, job.id)
    return JSONResponse({"done": done, "ahead": ahead, "put_off": job.id in state_of(request).queue.put_off})


@need()
def job_picture(request: Request, person: Person) -> Response:
    """Send the picture of what was read."""
    inbox, job = _job(request, person)
    path = inbox.picture(job.id)
    if not path.exists():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


def _ahead(inbox: Inbox, job_id: str) -> int:
    waiting = inbox.waiting()
    return waiting.index(job_id) if job_id in waiting else 0


def _job(request: Request, person: Person) -> tuple[Inbox, Job]:
    inbox = state_of(request).queue.inbox
    job = inbox.job(request.path_params["job"])
    if job is None or (job.who != person.name and person.role == "technician"):
        raise HTTPException(404)
    return inbox, job


def _point(points: list[Point], name: str) -> Point:
    for point in points:
        if point.name == name:
            return point
    raise HTTPException(404)


def lots_of(site: Site) -> list[tuple[str, StripKind, Lot]]:
    """Return the lots of the site with their kinds; one whose file is damaged or not there is no choice."""
    found = []
    for name in site.lots:
        with suppress(StripReadError):
            lot = resolve_lot(name, site)
            found.append((name, kind_of_lot(lot, site), lot))
    return found


def lots_for(lots: list[tuple[str, StripKind, Lot]], kinds: tuple[str, ...]) -> list[tuple[str, StripKind, Lot]]:
    """Return the lots that suit a sample, the best kind first, those past their date last."""
    today = datetime.now().astimezone().date()
    found = [one for one in lots if one[2].kind in kinds]
    return sorted(found, key=lambda one: (one[2].expires < today, kinds.index(one[2].kind), one[0]))


def _batch(state: AppState, name: str) -> str | None:
    """Return the name of a batch of the record; None for any other."""
    if not name:
        return None
    with records_of(state) as records:
        return name if find_batch(records, name) is not None else None


def _beside(inbox: Inbox, job_id: str, person: Person) -> str | None:
    job = inbox.job(job_id)
    return job.id if job is not None and job.who == person.name else None


def _diluted(form: FormData) -> str | None:
    """Return how the sample was diluted, as it is read again; None where neither field was filled in.

    Raises
    ------
    StripReadError
        If only one was, or they make no dilution.
    """
    part, whole = (text(form, name, most=60) for name in ("diluted_part", "diluted_whole"))
    if not part and not whole:
        return None
    if not part or not whole:
        raise WrongUsageError(
            expected=Message("the part of the sample that was taken, and what it was made up to"),
            found=Message("one of the two"),
            remedy=Message("Fill in both, or neither where the strip was dipped into the sample as it is."),
        )
    return parse_dilution(typed_dilution(part, whole)).typed


def _measures(inbox: Inbox, job_id: str | None) -> tuple[str, str]:
    """Return part and whole of the strip before, whose sample the second one is dipped into."""
    job = None if job_id is None else inbox.job(job_id)
    part, _, whole = re.sub(r" (?:in|to) ", "\n", "" if job is None else job.diluted or "", count=1).partition("\n")
    return part, whole


def _seconds(text: str) -> float | None:
    try:
        seconds = float(text)
    except ValueError:
        return None
    return seconds if 0 <= seconds < 36_000 else None
