"""Calibrating a lot, once it is planned: the photos level by level, the curve, and the word of the supervisor."""

from datetime import datetime
from functools import partial

from anyio import from_thread, to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message
from stripread.photo import PhotoFile, open_photo_bytes
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
from stripread.web.sent_form import form_of, sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.workflow import PHOTO_SUFFIX

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
def show_drafts(request: Request, person: Person) -> Response:
    """List the calibrations, those under way and those that are closed."""
    drafts = state_of(request).drafts.every()
    return render(request, "drafts.html", drafts=drafts)


@need("supervisor")
def show_draft(request: Request, person: Person) -> Response:
    """Show plan, photos and fit; a fit that is due is started by looking."""
    return _draft_page(request, _draft(request))


def _draft_page(
    request: Request, draft: CalibrationDraft, *, trouble: StripReadError | None = None, status: int = 200
) -> Response:
    fits = state_of(request).fits
    fit_state = _start_if_due(request, draft)
    fit = fits.find(draft)
    lot, language = None if fit is None else fit.lot, language_of(request)
    return render(
        request,
        "draft.html",
        status=status,
        draft=draft,
        kind=resolve_kind(draft.kind, load_site(state_of(request).folder)),
        fit=fit,
        fit_state=fit_state,
        pads=[] if lot is None else [pad_facts(lot, pad, language) for pad in lot.pads],
        next=draft.next_strip(),
        trouble=trouble,
        often=_OFTEN,
    )


@need("supervisor")
def draft_state(request: Request, person: Person) -> Response:
    """Tell a program whether the fit is done; one that became due during the fit before is started."""
    return JSONResponse({"done": _start_if_due(request, _draft(request)) not in ("waiting", "running")})


def _start_if_due(request: Request, draft: CalibrationDraft) -> str:
    fits = state_of(request).fits
    found = fits.state(draft)
    if found == "waiting" and draft.state == "open":
        from_thread.run_sync(fits.start, draft)
    return found


@need("supervisor")
async def take_photo(request: Request, person: Person) -> Response:
    """Keep a photo of a strip, once it is known that it can be measured."""
    state, draft = state_of(request), await to_thread.run_sync(_draft, request)
    if not state.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await form_of(request)
    level, strip = whole(form, "level", most=len(draft.levels)), whole(form, "strip", most=9)
    if level is None or strip is None:
        raise WrongUsageError(
            expected=Message("level and strip"), found=Message("nothing"), remedy=Message("Choose both.")
        )
    most = state.settings.largest_photo
    data = await to_thread.run_sync(partial(sent_file, form, "photo", Message("a photo"), most=most))
    flash_data = None
    if draft.flash:
        what = Message("a second photo, with the flash")
        flash_data = await to_thread.run_sync(partial(sent_file, form, "flash", what, most=most))
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
        return await to_thread.run_sync(partial(_draft_page, request, draft, trouble=error, status=400))
    return RedirectResponse(f"/lots/drafts/{draft.id}#next", status_code=303)


def _keep_photo(request: Request, draft: CalibrationDraft, photo: DraftPhoto, data: bytes, flash: bytes | None) -> None:
    state, level = state_of(request), draft.label(photo.level)

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
def leave_out(request: Request, person: Person) -> Response:
    """Leave a photo out of the fit, or take it in again."""
    form, draft = sent_form(request), _draft(request)
    who = person.name if text(form, "out") == "yes" else None
    sha256, state = text(form, "photo"), state_of(request)

    def enter(changed: CalibrationDraft) -> None:
        change = "photo taken in again" if who is None else "photo left out"
        enter_change(state, changed, change, person.name, photo=sha256)

    state.drafts.leave_out(draft.id, sha256, who, enter=enter)
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


@need("supervisor")
def accept(request: Request, person: Person) -> Response:
    """Make it a lot of the site."""
    draft, form = _draft(request), sent_form(request)
    if text(form, "fit") != draft.signature():
        raise WrongUsageError(
            expected=Message("the curve that was looked at"),
            found=Message("photos that came since"),
            remedy=Message("Look at the curve again."),
        )
    _accept(request, draft, Stamp(at=_now(), who=person.name))
    return RedirectResponse(f"/lots/{draft.number}", status_code=303)


def _accept(request: Request, draft: CalibrationDraft, stamp: Stamp) -> None:
    state = state_of(request)
    fit = state.fits.find(draft)
    if fit is None:
        raise WrongUsageError(
            expected=Message("a fit of these photos"), found=Message("none yet"), remedy=Message("Wait for it.")
        )
    with records_of(state, create=stamp) as records:
        accept_lot(records, state.drafts, draft, fit, stamp)


@need("supervisor")
def reject(request: Request, person: Person) -> Response:
    """Close a draft; its photos stay."""
    draft, form = _draft(request), sent_form(request)
    why = needed(form, "why", Message("why it is rejected"))
    state = state_of(request)

    def enter(changed: CalibrationDraft) -> None:
        enter_change(state, changed, "rejected", person.name, why=why)

    state.drafts.close(draft.id, "rejected", who=person.name, at=_now().isoformat(), why=why, enter=enter)
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


def _draft(request: Request) -> CalibrationDraft:
    draft: CalibrationDraft | None = state_of(request).drafts.find(request.path_params["draft"])
    if draft is None:
        raise HTTPException(404)
    return draft


def _now() -> datetime:
    return datetime.now().astimezone()
