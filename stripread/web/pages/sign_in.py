"""Signing in: pairing a phone, signing in and out, the language and the units."""

from datetime import datetime

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.i18n import LANGUAGES
from stripread.records import Stamp
from stripread.units import UNITS
from stripread.web.people.accounts import pair_phone
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import (
    DEVICE_COOKIE,
    SESSION_COOKIE,
    VISIT_COOKIE,
    check_csrf,
    cookie_options,
    need,
    of_people,
    session_of,
    visit_of,
)
from stripread.web.sent_form import form_of
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["sign_in_routes"]

_LONGEST = 80  # characters of a name
_HOME = frozenset(("127.0.0.1", "::1", "localhost"))


def sign_in_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/pair/{code}", pair, methods=["GET", "POST"]),
        Route("/sign-in", sign_in, methods=["GET", "POST"]),
        Route("/sign-out", sign_out, methods=["POST"]),
        Route("/language", language, methods=["POST"]),
        Route("/units", units, methods=["POST"]),
    ]


async def pair(request: Request) -> Response:
    """Ask whether to take a phone into the house by the code that the server showed, and take it in.

    Looking uses no code up: programs that show what is behind a link look at it before any person does.
    """
    state, caller, now = state_of(request), _caller(request), datetime.now().astimezone()
    visit = visit_of(request)
    if request.method == "POST":
        await check_csrf(request, visit)
    if not state.pairing_tries.allow(caller):
        raise HTTPException(429)
    if request.method != "POST":
        known = await of_people(request, lambda people: people.is_code(request.path_params["code"], now=now))
        if not known:
            return render(request, "not_paired.html", status=403)
        page = render(request, "pair.html", csrf=visit)
        page.set_cookie(VISIT_COOKIE, visit, **cookie_options(secure=state.settings.secure))
        return page
    stamp = Stamp(at=now, who="a new phone")
    token = await to_thread.run_sync(lambda: _pair(request, caller, stamp))
    if token is None:
        return render(request, "not_paired.html", status=403)
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.set_cookie(DEVICE_COOKIE, token, max_age=180 * 86400, **cookie_options(secure=state.settings.secure))
    return answer


def _pair(request: Request, caller: str, stamp: Stamp) -> str | None:
    with records_of(state_of(request), create=stamp) as records:
        return pair_phone(records, state_of(request).people, request.path_params["code"], caller, stamp)


async def sign_in(request: Request) -> Response:
    """Ask for name and secret, and begin a session."""
    if not await _may_enter(request):
        return render(request, "not_paired.html", status=403)
    visit = visit_of(request)
    if request.method == "GET":
        if await session_of(request) is not None:
            return RedirectResponse(_next(request.query_params.get("next")), status_code=303)
        return await _ask(request, visit)
    await check_csrf(request, visit_of(request))
    form = await form_of(request)
    name, secret = str(form.get("name", "")).strip() or str(form.get("who", "")), str(form.get("secret", ""))
    wanted = str(form.get("next", "/"))
    state, called = state_of(request), name.strip().casefold()[:_LONGEST]
    tries, who = state.sign_in_tries, f"{_caller(request)} {called}"
    # The place first: whoever is over its limit adds no names to be remembered.
    if not (state.caller_tries.allow(_caller(request)) and tries.allow(who) and state.name_tries.allow(called)):
        return await _ask(request, visit, said=wanted, trouble="wait", status=429, asked=name)
    phone, now = request.cookies.get(DEVICE_COOKIE), datetime.now().astimezone()
    token = await of_people(
        request, lambda people: people.sign_in(name, secret, now=now, phone=phone), limiter=state.hashing
    )
    if token is None:
        return await _ask(request, visit, said=wanted, trouble="wrong", status=403, asked=name)
    tries.forget(who)
    answer = RedirectResponse(_next(wanted), status_code=303)
    answer.set_cookie(SESSION_COOKIE, token, **cookie_options(secure=state_of(request).settings.secure))
    return answer


async def _ask(
    request: Request,
    visit: str,
    *,
    said: str | None = None,
    trouble: str = "",
    status: int = 200,
    asked: str = "",
) -> Response:
    """Show the form; ``said`` is what came back with it of where to go on."""
    wanted = _next(request.query_params.get("next") if said is None else said)
    everybody = await of_people(request, lambda people: people.everybody())  # whoever sees this was let in
    names = [person.name for person in everybody if person.active]
    page = render(
        request, "sign_in.html", status=status, csrf=visit, trouble=trouble, next=wanted, names=names, asked=asked,
        kept="kept" in request.query_params,
    )  # fmt: skip
    page.set_cookie(VISIT_COOKIE, visit, **cookie_options(secure=state_of(request).settings.secure))
    return page


@need()
async def sign_out(request: Request, person: Person) -> Response:
    """End the session."""
    token = request.cookies[SESSION_COOKIE]
    await of_people(request, lambda people: people.sign_out(token))
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(SESSION_COOKIE, path="/")
    return answer


@need()
async def language(request: Request, person: Person) -> Response:
    """Keep the language that somebody reads."""
    form = await form_of(request)
    wanted = str(form.get("language", ""))
    if wanted not in LANGUAGES:
        raise HTTPException(400)
    await of_people(request, lambda people: people.speak(person.name, wanted))
    return RedirectResponse(_next(str(form.get("next", "/"))), status_code=303)


@need()
async def units(request: Request, person: Person) -> Response:
    """Keep the units in which somebody is told amounts."""
    form = await form_of(request)
    wanted = next((known for known in UNITS if known == form.get("units")), None)
    if wanted is None:
        raise HTTPException(400)
    await of_people(request, lambda people: people.measure_in(person.name, wanted))
    return RedirectResponse(_next(str(form.get("next", "/"))), status_code=303)


async def _may_enter(request: Request) -> bool:
    """Tell whether this phone was paired; the server's own machine needs no pairing."""
    settings, caller = state_of(request).settings, _caller(request)
    if not settings.lan or (caller in _HOME and caller != settings.proxy):
        return True
    token = request.cookies.get(DEVICE_COOKIE)
    if token is None:
        return False
    return await of_people(request, lambda people: people.is_paired(token, now=datetime.now().astimezone()))


def _caller(request: Request) -> str:
    return "unknown" if request.client is None else request.client.host


def _next(wanted: str | None) -> str:
    """Return where to go on, only within this page: `//elsewhere` and `https:` are not."""
    if wanted and wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and "\n" not in wanted:
        return wanted
    return "/"
