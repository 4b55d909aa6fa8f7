"""The first start on an empty folder: a few questions on a page, and the site is ready."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from anyio import to_thread
from jinja2 import Environment
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import LANGUAGES, Message, Reader
from stripread.records import Stamp, open_site_records
from stripread.site import SITE_FILE, load_site, write_demo_site
from stripread.units import UNITS, Units
from stripread.web.forms import chosen, needed
from stripread.web.people.accounts import set_person
from stripread.web.people.people import People
from stripread.web.render import render
from stripread.web.security import (
    VISIT_COOKIE,
    GuardHeaders,
    KnownHost,
    LimitBody,
    check_csrf,
    cookie_options,
    visit_of,
)
from stripread.web.sent_form import CloseForm, form_of, sent_form
from stripread.web.static_files import static_routes

__all__ = ["create_first_start"]

_FORM = 10_000  # bytes


@dataclass(slots=True, kw_only=True)
class _State:
    """What pages are rendered with while there is no site."""

    folder: Path
    onward: str
    done: Callable[[], None]
    site_name: str = "stripread"
    site_units: Units = "metric"
    environments: dict[Reader, Environment] = field(default_factory=dict)


def create_first_start(folder: Path, *, onward: str, done: Callable[[], None]) -> Starlette:
    """Return the application that asks for a site's name, its units and its first person, and begins it.

    Parameters
    ----------
    folder : Path
        The site's; where it has a site file already, only the first person is asked for.
    onward : str
        Address of the page that is served once it is ready.
    done : callable
        Called when it is.
    """
    app = Starlette(
        routes=[Route("/", _page, methods=["GET", "POST"]), *static_routes(), Route("/{rest:path}", _home)],
        middleware=[
            Middleware(GuardHeaders, secure=False),
            Middleware(KnownHost),
            Middleware(LimitBody, largest_photo=_FORM),
            Middleware(CloseForm),
        ],
    )
    app.state = _State(folder=folder, onward=onward, done=done)  # type: ignore[assignment]  # typed, as the page's own
    return app


async def _home(request: Request) -> Response:
    return RedirectResponse("/", status_code=303)


async def _page(request: Request) -> Response:
    """Ask; or begin the site, and where that cannot be, say why beside what was typed."""
    visit = visit_of(request)
    if request.method == "POST":
        await check_csrf(request, visit)
        await form_of(request)
        return await to_thread.run_sync(_begun, request, visit)
    return _ask(request, visit, {}, None)


def _ask(request: Request, visit: str, asked: Mapping[str, str], trouble: StripReadError | None) -> Response:
    state: _State = request.app.state
    page = render(
        request, "first_start.html", status=400 if trouble else 200, csrf=visit, asked=asked, trouble=trouble,
        there=(state.folder / SITE_FILE).is_file(), folder=str(state.folder), ready=False,
    )  # fmt: skip
    page.set_cookie(VISIT_COOKIE, visit, **cookie_options(secure=False))
    return page


def _begun(request: Request, visit: str) -> Response:
    state: _State = request.app.state
    form = sent_form(request)
    try:
        _begin(state.folder, form)
    except StripReadError as error:
        return _ask(request, visit, {name: v for name, v in form.items() if isinstance(v, str)}, error)
    state.done()
    return render(request, "first_start.html", csrf=visit, ready=True, onward=state.onward, asked={}, trouble=None,
                  there=True, folder=str(state.folder))  # fmt: skip


def _begin(folder: Path, form: Mapping[str, object]) -> None:
    person = needed(form, "person", Message("your name"), most=80)
    secret = needed(form, "secret", Message("a PIN"))
    if secret != form.get("again"):
        raise WrongUsageError(
            expected=Message("the same PIN twice"), found=Message("two that differ"), remedy=Message("Type both again.")
        )
    language = chosen(form, "language", LANGUAGES, Message("a language of the list")) or "en"
    stamp, file = Stamp(at=datetime.now().astimezone(), who=person), folder / SITE_FILE
    begun = not file.is_file()
    if begun:
        name = needed(form, "name", Message("what the place is called"), most=80)
        units = chosen(form, "units", UNITS, Message("units of the list")) or "metric"
        write_demo_site(folder, name=name, units=next(one for one in UNITS if one == units))
    try:
        with open_site_records(load_site(folder), create=stamp) as records:
            set_person(records, folder, person, "supervisor", secret, stamp)
    except BaseException:
        if begun:
            file.unlink()  # else the next try would find a site that was never begun
        raise
    people = People(folder)
    people.speak(person, language)
    people.close()
