"""Calibrating a lot, once it is planned: the photos level by level, the curve, and the word of the supervisor."""

from datetime import datetime
from typing import Any

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message
from stripread.photo.load import PhotoFile, open_photo_bytes
from stripread.records import Stamp
from stripread.site import load_site, resolve_kind
from stripread.web.calibration.accept import accept_lot, enter_change
from stripread.web.calibration.drafts import CalibrationDraft, DraftPhoto, refuse_double
from stripread.web.calibration.lot_facts import pad_facts
from stripread.web.calibration.measuring import measure_photo
from stripread.web.forms import needed, sent_file, text, whole
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import form_of
from stripread.web.site_record import records_of
from stripread.workflow.kept_files import PHOTO_SUFFIX

__all__ = ["calibrate_routes"]

_OFTEN = 2  # seconds between looks at a fit


def calibrate_routes() -> list[Route]:
    """Return the routes."""
    at = "/lots/drafts/{draft}"
    return [
        Route("/lots/drafts", show_drafts, methods=["GET"]),
        Route(at, show_draft, methods=["GET"]),
        Route(f"{at}/state", draft_state, methods=["GET"]),
        Route(f"{at}/photo", take_photo, methods=["POST"]),
        Route(f"{at}/leave-out", leave_out, methods=["POST"]),
        Route(f"{at}/accept", accept, methods=["POST"]),
        Route(f"{at}/reject", reject, methods=["POST"]),
    ]


@need("supervisor")
async def show_drafts(request: Request, person: Person) -> Response:
    """List the calibrations, those under way and those that are closed."""
    drafts = await to_thread.run_sync(request.app.state.drafts.every)
    return render(request, "drafts.html", drafts=drafts)


@need("supervisor")
async def show_draft(request: Request, person: Person) -> Response:
    """Show plan, photos and fit; a fit that is due is started by looking."""
    return await _draft_page(request, _draft(request))


async def _draft_page(
    request: Request, draft: CalibrationDraft, *, trouble: StripReadError | None = None, status: int = 200
) -> Response:
    fits = request.app.state.fits
    fit_state = _start_if_due(request, draft)
    fit = await to_thread.run_sync(lambda: fits.find(draft))
    pads = [] if fit is None or fit.lot is None else await to_thread.run_sync(lambda: _pads(fit, language_of(request)))
    return render(
        request,
        "draft.html",
        status=status,
        draft=draft,
        kind=resolve_kind(draft.kind, load_site(request.app.state.folder)),
        fit=fit,
        fit_state=fit_state,
        pads=pads,
        next=draft.next_strip(),
        trouble=trouble,
        often=_OFTEN,
    )


def _pads(fit: Any, language: str) -> list[dict[str, Any]]:
    return [pad_facts(fit.lot, pad, language) for pad in fit.lot.pads]


@need("supervisor")
async def draft_state(request: Request, person: Person) -> Response:
    """Tell a program whether the fit is done; one that became due during the fit before is started."""
    return JSONResponse({"done": _start_if_due(request, _draft(request)) not in ("waiting", "running")})


def _start_if_due(request: Request, draft: CalibrationDraft) -> str:
    fits = request.app.state.fits
    state: str = fits.state(draft)
    if state == "waiting" and draft.state == "open":
        fits.start(draft)
    return state


@need("supervisor")
async def take_photo(request: Request, person: Person) -> Response:
    """Keep a photo of a strip, once it is known that it can be measured."""
    state, draft = request.app.state, _draft(request)
    if not state.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await form_of(request)
    level, strip = whole(form, "level", most=len(draft.levels)), whole(form, "strip", most=9)
    if level is None or strip is None:
        raise WrongUsageError(
            expected=Message("level and strip"), found=Message("nothing"), remedy=Message("Choose both.")
        )
    most = state.settings.largest_photo
    data = await sent_file(form, "photo", Message("a photo"), most=most)
    flash_data = (
        await sent_file(form, "flash", Message("a second photo, with the flash"), most=most) if draft.flash else None
    )
    try:
        # In a worker: a header may kill its reader, too.
        file, flash = await state.queue.run(_opened, draft, data, flash_data)
        doubts = await state.queue.run(measure_photo, str(state.folder), file, draft.card, draft.kind, flash)
        photo = DraftPhoto(
            sha256=file.sha256,
            suffix=PHOTO_SUFFIX[file.format],
            level=level - 1,
            strip=strip,
            at=_now().isoformat(),
            who=person.name,
            doubts=doubts,
            flash=None if flash is None else f"{flash.sha256}{PHOTO_SUFFIX[flash.format]}",
        )
        await to_thread.run_sync(lambda: _keep_photo(request, draft, photo, data, flash_data))
    except StripReadError as error:  # shown where the next photo is asked for
        return await _draft_page(request, draft, trouble=error, status=400)
    return RedirectResponse(f"/lots/drafts/{draft.id}#next", status_code=303)


def _keep_photo(request: Request, draft: CalibrationDraft, photo: DraftPhoto, data: bytes, flash: bytes | None) -> None:
    state, level = request.app.state, draft.label(photo.level)

    def enter(changed: CalibrationDraft) -> None:
        enter_change(state, changed, "photo added", photo.who, photo=photo.sha256, level=level, strip=photo.strip)

    state.drafts.add_photo(draft.id, photo, data, flash, enter=enter)


def _opened(draft: CalibrationDraft, data: bytes, flash: bytes | None) -> tuple[PhotoFile, PhotoFile | None]:
    files = [open_photo_bytes(data, "the photo")]
    if flash is not None:
        files.append(open_photo_bytes(flash, "the photo with the flash"))
    for file in files:
        refuse_double(draft, file.sha256)
    return files[0], files[1] if len(files) > 1 else None


@need("supervisor")
async def leave_out(request: Request, person: Person) -> Response:
    """Leave a photo out of the fit, or take it in again."""
    form, draft = await form_of(request), _draft(request)
    who = person.name if text(form, "out") == "yes" else None
    sha256, state = text(form, "photo"), request.app.state

    def enter(changed: CalibrationDraft) -> None:
        change = "photo taken in again" if who is None else "photo left out"
        enter_change(state, changed, change, person.name, photo=sha256)

    await to_thread.run_sync(lambda: state.drafts.leave_out(draft.id, sha256, who, enter=enter))
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


@need("supervisor")
async def accept(request: Request, person: Person) -> Response:
    """Make it a lot of the site."""
    draft, form = _draft(request), await form_of(request)
    if text(form, "fit") != draft.signature():
        raise WrongUsageError(
            expected=Message("the curve that was looked at"),
            found=Message("photos that came since"),
            remedy=Message("Look at the curve again."),
        )
    await to_thread.run_sync(lambda: _accept(request, draft, Stamp(at=_now(), who=person.name)))
    return RedirectResponse(f"/lots/{draft.number}", status_code=303)


def _accept(request: Request, draft: CalibrationDraft, stamp: Stamp) -> None:
    state = request.app.state
    fit = state.fits.find(draft)
    if fit is None:
        raise WrongUsageError(
            expected=Message("a fit of these photos"), found=Message("none yet"), remedy=Message("Wait for it.")
        )
    with records_of(state, create=stamp) as records:
        accept_lot(records, state.drafts, draft, fit, stamp)


@need("supervisor")
async def reject(request: Request, person: Person) -> Response:
    """Close a draft; its photos stay."""
    draft, form = _draft(request), await form_of(request)
    why = needed(form, "why", Message("why it is rejected"))
    state = request.app.state

    def enter(changed: CalibrationDraft) -> None:
        enter_change(state, changed, "rejected", person.name, why=why)

    def close() -> None:
        state.drafts.close(draft.id, "rejected", who=person.name, at=_now().isoformat(), why=why, enter=enter)

    await to_thread.run_sync(close)
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


def _draft(request: Request) -> CalibrationDraft:
    draft: CalibrationDraft | None = request.app.state.drafts.find(request.path_params["draft"])
    if draft is None:
        raise HTTPException(404)
    return draft


def _now() -> datetime:
    return datetime.now().astimezone()
