"""A study of the site's own phones: planned, run strip by strip, and judged once its truth may be opened."""

import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from typing import Any, Literal

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread import __version__
from stripread.errors import StripReadError, StudyError, WrongUsageError
from stripread.i18n import Message, Reader
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.records import Stamp
from stripread.report import (
    cannot_show,
    criterion_words,
    document_html,
    document_pdf,
    mixing_sheet,
    outcome_words,
    role_words,
    running_sheet,
    study_report,
)
from stripread.site import Site, kind_of_lot, load_site, resolve_lot
from stripread.study import (
    ASSAYS,
    FULL,
    SHORT,
    Aims,
    Conditions,
    Event,
    Pouring,
    RunState,
    Stock,
    StudyFolder,
    append_event,
    begin_study,
    find_study,
    load_truth,
    make_plan,
    studies_of,
    window_of,
)
from stripread.web.calibration.measuring import read_study_photo
from stripread.web.forms import chosen, moment, needed, number, sent_file, text, whole
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.queue.exclusive import DRAWING, exclusive
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import form_of, sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of
from stripread.workflow import close_study, keep_study_photo, record_plan, record_step, record_verdict, reported_entry

__all__ = ["study_routes"]

_KEEPING = threading.Lock()  # of a study's log: each line names the one before
_FORMS = {"pdf": "application/pdf", "html": "text/html; charset=utf-8"}
_SHEETS = ("strips", "mixing")
_Step = Literal["dipped", "eye", "assay", "skipped"]


def study_routes() -> list[Route]:
    """Return the routes."""
    at = "/studies/{study}"
    return [
        Route("/studies", show_studies, methods=["GET"]),
        Route("/studies/new", ask_study, methods=["GET"]),
        Route("/studies/new", begin, methods=["POST"]),
        Route(at, show_study, methods=["GET"]),
        Route(f"{at}/sheet", sheet, methods=["GET"]),
        Route(f"{at}/enter", enter, methods=["POST"]),
        Route(f"{at}/photo", take_photo, methods=["POST"]),
        Route(f"{at}/close", close, methods=["POST"]),
        Route(f"{at}/report", report, methods=["GET"]),
    ]


@need("supervisor")
def show_studies(request: Request, person: Person) -> Response:
    """List the studies; one that is damaged does not hide the others."""
    folder = state_of(request).folder
    states, damaged = [], []
    for name in studies_of(folder):
        try:
            states.append(find_study(folder, name).state())
        except StudyError as error:
            damaged.append((name, error))
    return render(request, "studies.html", states=states, damaged=damaged)


@need("supervisor")
def ask_study(request: Request, person: Person) -> Response:
    """Ask for what a plan needs."""
    site = load_site(state_of(request).folder)
    return render(request, "plan_study.html", lots=sorted(_provable(site)), samples=list(site.samples), usual=Aims())


def _provable(site: Site) -> dict[str, Any]:
    found = {}
    for name in site.lots:
        try:
            lot = resolve_lot(name, site)
        except StripReadError:
            continue
        if len(lot.pads) == 1 and not lot.provisional and lot.pads[0].loq.value is not None:
            found[name] = lot
    return found


@need("supervisor")
def begin(request: Request, person: Person) -> Response:
    """Plan a study and seal its truth."""
    form, state = sent_form(request), state_of(request)
    site, now = load_site(state.folder), datetime.now().astimezone()
    lots = _provable(site)
    name = chosen(form, "lot", lots, Message("a calibrated lot of one pad"))
    if name is None:
        raise WrongUsageError(
            expected=Message("a calibrated lot of one pad"), found=Message("nothing"), remedy=Message("Choose one.")
        )
    sample = chosen(form, "sample", site.samples, Message("a sample type of the site"))
    limits = None if sample is None else site.samples[sample].main
    plan, truth = make_plan(
        study=needed(form, "study", Message("a short name for the study"), most=40),
        lot=lots[name],
        window_s=window_of(kind_of_lot(lots[name], site)),
        stock=Stock(
            what=needed(form, "stock", Message("what the second stock is")),
            method=needed(form, "method", Message("the reference method")),
            expected=number(form, "strength", Message("the stock's strength"), low=1e-6, high=1e6),
        ),
        conditions=Conditions(
            people=_names(form, "people"),
            phones=_names(form, "phones"),
            lights=_names(form, "lights"),
            sessions=whole(form, "sessions", most=9) or 2,
        ),
        aims=Aims(
            bias=number(form, "bias", Message("the largest bias in percent"), low=1, high=100, default=13) / 100,
            low=None if limits is None else limits.low,
            high=None if limits is None else limits.high,
        ),
        form=SHORT if text(form, "form") == "short" else FULL,
        pouring=Pouring(
            total_ml=number(
                form, "total_ml", Message("the volume of each solution in mL"), low=1, high=1e5, default=500
            ),
            least_ml=number(form, "least_ml", Message("the least volume in mL"), low=1e-3, high=1e4, default=1),
        ),
        at=now.isoformat(timespec="seconds"),
        who=person.name,
        software=f"stripread {__version__}",
    )
    stamp = Stamp(at=now, who=person.name)
    with _KEEPING, records_of(state, create=stamp) as records:
        folder = begin_study(state.folder, plan, truth)
        record_plan(records, plan, folder, stamp)
    return RedirectResponse(f"/studies/{plan.id}", status_code=303)


def _names(form: Mapping[str, Any], field: str) -> tuple[str, ...]:
    """Return names that stand with commas between them."""
    return tuple(one for word in needed(form, field, Message("names")).split(",") if (one := word.strip()))


@need("supervisor")
def show_study(request: Request, person: Person) -> Response:
    """Lead through the study: the strip that is next, and what of it is left to do."""
    return _study_page(request, _state(request))


def _study_page(
    request: Request,
    state: RunState,
    *,
    trouble: StripReadError | None = None,
    refused: str | None = None,
    status: int = 200,
) -> Response:
    strip = state.next_strip
    with records_of(state_of(request)) as records:
        entry = reported_entry(records, state)
    return render(
        request,
        "study.html",
        status=status,
        state=state,
        plan=state.plan,
        strip=strip,
        dipped=strip is not None and bool(state.of(strip.code, "dipped")),
        eyes=() if strip is None else state.eyes_missing(strip),
        left=() if strip is None else state.photos_missing(strip),
        assays=[which for which in ASSAYS if which not in state.assays],
        criteria=[(criterion_words(one, state.plan), one.decides) for one in state.plan.criteria],
        lacks=cannot_show(state.plan),
        role_words=role_words,
        outcome=None if entry is None else outcome_words(entry.payload["outcome"]),
        entry=entry,
        trouble=trouble,
        refused=refused,
    )


@need("supervisor")
def sheet(request: Request, person: Person) -> Response:
    """Show a sheet to be printed."""
    which = chosen(request.query_params, "which", _SHEETS, Message("a sheet: strips or mixing")) or "strips"
    folder = _folder(request)
    plan, reader = folder.plan(), Reader(language=language_of(request), units=units_of(request), face="page")
    if which == "strips":
        made = running_sheet(plan, reader)
    else:
        made = mixing_sheet(plan, load_truth(folder.sealed_file, plan), reader)
    return Response(document_pdf(made), media_type=_FORMS["pdf"], headers=_to_keep(f"study-{plan.id}-{which}.pdf"))


@need("supervisor")
def enter(request: Request, person: Person) -> Response:
    """Enter a dip, a reading by eye, an assay, or that a strip was given up."""
    form, now = sent_form(request), datetime.now().astimezone()
    kinds: dict[str, Callable[[], Event]] = {
        "dipped": lambda: Event(
            kind="dipped", at=moment(form, "at", now=now).isoformat(), who=person.name, code=text(form, "code")
        ),
        "eye": lambda: Event(
            kind="eye",
            at=now.isoformat(),
            who=needed(form, "who", Message("who read it by eye")),
            code=text(form, "code"),
            value=number(form, "value", Message("what was read by eye"), low=0, high=1e6),
        ),
        "assay": lambda: Event(
            kind="assay",
            at=moment(form, "at", now=now).isoformat(),
            who=person.name,
            which=chosen(form, "which", ASSAYS, Message("start, middle or end")),
            value=number(form, "value", Message("the strength found"), low=1e-6, high=1e6),
            u=number(form, "u", Message("its standard uncertainty"), low=1e-9, high=1e6),
        ),
        "skipped": lambda: Event(
            kind="skipped",
            at=now.isoformat(),
            who=person.name,
            code=text(form, "code"),
            number=whole(form, "number", most=9),
            why=needed(form, "why", Message("why it is given up")),
        ),
    }
    what = chosen(form, "what", kinds, Message("what was done")) or "dipped"
    _append(request, kinds[what](), person, now)
    return RedirectResponse(f"/studies/{request.path_params['study']}", status_code=303)


def _append(request: Request, event: Event, person: Person, now: datetime) -> None:
    """Enter an event into the record, then write it into the study's log."""
    stamp, folder = Stamp(at=now, who=person.name), _folder(request)
    with _KEEPING, records_of(state_of(request), create=stamp) as records:
        state = folder.state()
        state.check(event)
        record_step(records, state, event, stamp)
        append_event(folder.run_file, state, event)


@need("supervisor")
async def take_photo(request: Request, person: Person) -> Response:
    """Read a photo of the strip that is next; what it reads is shown to nobody yet."""
    app, now = state_of(request), datetime.now().astimezone()
    if not app.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await form_of(request)
    state = await to_thread.run_sync(_state, request)
    code, which = text(form, "code"), whole(form, "number", most=9)
    most = app.settings.largest_photo
    try:
        data = await to_thread.run_sync(partial(sent_file, form, "photo", Message("a photo"), most=most))
        photo: PhotoFile = await app.queue.run(open_photo_bytes, data, "the photo")
        event: Event = await app.queue.run(
            read_study_photo, str(app.folder), photo, state, code, which or 0, person.name, now
        )
        await to_thread.run_sync(partial(_keep_photo, request, photo, event, person, now))
    except StripReadError as error:  # shown where the next photo is asked for
        return await to_thread.run_sync(partial(_study_page, request, state, trouble=error, status=400))
    if event.kind == "refused":
        state = await to_thread.run_sync(_state, request)
        return await to_thread.run_sync(partial(_study_page, request, state, refused=event.why, status=400))
    return RedirectResponse(f"/studies/{state.plan.id}#next", status_code=303)


def _keep_photo(request: Request, photo: PhotoFile, event: Event, person: Person, now: datetime) -> None:
    keep_study_photo(_folder(request), photo, event)
    _append(request, event, person, now)


@need("supervisor")
async def close(request: Request, person: Person) -> Response:
    """Open the truth, judge the study and enter the verdict."""
    app, stamp = state_of(request), Stamp(at=datetime.now().astimezone(), who=person.name)

    def judge() -> None:
        folder = _folder(request)
        state, _, verdict = close_study(folder, stamp)
        with records_of(app, create=stamp) as records:
            record_verdict(records, state, verdict, folder, stamp)

    await exclusive(app, person, judge)
    return RedirectResponse(f"/studies/{request.path_params['study']}", status_code=303)


@need("supervisor")
async def report(request: Request, person: Person) -> Response:
    """Make the report of a study that was judged."""
    app, now = state_of(request), datetime.now().astimezone()
    form = chosen(request.query_params, "form", list(_FORMS), Message("pdf or html")) or "pdf"
    reader = Reader(language=language_of(request), units=units_of(request), face="page")

    def make() -> bytes:
        folder = _folder(request)
        with records_of(app) as records:
            entry = reported_entry(records, folder.state())
        if entry is None:  # asking for a report does not open the truth
            raise HTTPException(404)
        state, opened, verdict = close_study(folder, Stamp(at=now, who=person.name))
        with DRAWING:
            document = study_report(
                state, opened, verdict, site=load_site(app.folder).name, made_at=now, entry=entry.seq, reader=reader
            )
        return document_pdf(document) if form == "pdf" else document_html(document).encode("utf-8")

    made = await exclusive(app, person, make)
    name = f"study-{request.path_params['study']}.{form}"
    return Response(made, media_type=_FORMS[form], headers=_to_keep(name))


def _to_keep(name: str) -> dict[str, str]:
    return {"content-disposition": f'attachment; filename="{name}"'}


def _folder(request: Request) -> StudyFolder:
    site, name = state_of(request).folder, request.path_params["study"]
    if name not in studies_of(site):
        raise HTTPException(404)
    return find_study(site, name)


def _state(request: Request) -> RunState:
    return _folder(request).state()
