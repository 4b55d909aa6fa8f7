"""What every request passes: host, size, headers, sessions, cross-site requests, and who may use a page."""

import ipaddress
import re
import secrets
from collections.abc import Awaitable, Callable, Collection
from datetime import datetime
from inspect import iscoroutinefunction
from typing import Any, TypeVar, cast
from urllib.parse import quote

from anyio import CapacityLimiter, fail_after, to_thread
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stripread.web.people.people import People, Person, Role, Session
from stripread.web.sent_form import form_of
from stripread.web.state import state_of

__all__ = [
    "CSRF_FIELD",
    "DEVICE_COOKIE",
    "SESSION_COOKIE",
    "VISIT_COOKIE",
    "GuardHeaders",
    "KnownHost",
    "LimitBody",
    "check_csrf",
    "cookie_options",
    "guard_headers",
    "need",
    "of_people",
    "session_of",
    "visit_of",
]

_Answer = TypeVar("_Answer")
Page = Callable[[Request, Person], Awaitable[Response] | Response]
SESSION_COOKIE, DEVICE_COOKIE, VISIT_COOKIE = "stripread_session", "stripread_phone", "stripread_visit"
CSRF_FIELD = "csrf"
_HEADERS = {
    "content-security-policy": "default-src 'none'; img-src 'self' data: blob:; style-src 'self'; script-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "cache-control": "no-store",
}
_FORM = 200_000  # bytes of a form without a photo
_DIGITS = 12  # of the length of a body
_HOST = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([A-Za-z0-9._-]+))(?::[0-9]{1,5})?")
# Endings that are not of the public name system: RFC 6761, 6762, 8375; .internal and .home by ICANN; .lan of routers.
_HOUSE = (".local", ".localhost", ".home.arpa", ".internal", ".home", ".lan", ".localdomain")
_STALLED_S = 60.0  # without a further piece of a body; the phone sends it again by itself


def guard_headers(*, secure: bool) -> dict[str, str]:
    """Return the headers that every answer carries."""
    return _HEADERS | ({"strict-transport-security": "max-age=31536000"} if secure else {})


class GuardHeaders:
    """Adds the headers that forbid scripts from elsewhere, framing, guessing of types and keeping of pages."""

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app, self.headers = app, guard_headers(secure=secure)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self.headers.items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, with_headers)


class KnownHost:
    """Refuses requests for a name that is none of the house's.

    Whoever owns a name can point it at this machine; a page from there would then count as ours in a browser of the
    house, and read and send what it likes. Addresses cannot be turned so, nor can names that only the house itself
    resolves.

    Parameters
    ----------
    app : ASGIApp
    also : collection of str
        Further names, such as those that the server was told.
    """

    def __init__(self, app: ASGIApp, *, also: Collection[str] = ()) -> None:
        self.app, self.also = app, frozenset(name.casefold() for name in also)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; 421 where it is for somebody else."""
        if scope["type"] == "http" and not self._is_ours(Headers(scope=scope).get("host", "")):
            await _refuse(send, 421, b"Open this page by the address that the server shows.")
        else:
            await self.app(scope, receive, send)

    def _is_ours(self, host: str) -> bool:
        match = _HOST.fullmatch(host)
        if match is None:
            return False
        name = (match[1] or match[2]).casefold()
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return "." not in name or name.endswith(_HOUSE) or name in self.also
        return True


class LimitBody:
    """Stops reading a request whose body is longer than it may be, whatever its header says, or that never ends."""

    def __init__(self, app: ASGIApp, *, largest_photo: int) -> None:
        self.app, self.largest = app, largest_photo

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; 413 where it is too long, 415 where it is in no encoding of a browser's."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        kind = headers.get("content-type", "").lower()
        multipart = kind.startswith("multipart/")
        if multipart and "charset" in kind:  # a codec of the sender's choice could make text that cannot be encoded
            await _refuse(send, 415, b"Not a form of this page.")
            return
        most, seen, ended = (2 * self.largest if multipart else 0) + _FORM, 0, False
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or len(length) > _DIGITS or int(length) > most:
            await _refuse(send, 413, b"Too large.")
            return

        async def counted() -> Message:
            nonlocal seen, ended
            if ended:  # what is awaited now is that the browser goes away
                return await receive()
            try:
                with fail_after(_STALLED_S):
                    message = await receive()
            except TimeoutError:
                raise HTTPException(408) from None
            ended = not message.get("more_body", False)
            seen += len(message.get("body", b""))
            if seen > most:
                raise HTTPException(413)
            return message

        await self.app(scope, counted, send)


async def _refuse(send: Send, status: int, words: bytes) -> None:
    await send({"type": "http.response.start", "status": status, "headers": [(b"content-type", b"text/plain")]})
    await send({"type": "http.response.body", "body": words})


def cookie_options(*, secure: bool) -> dict[str, Any]:
    """Return what every cookie is set with."""
    return {"httponly": True, "samesite": "lax", "secure": secure, "path": "/"}


def visit_of(request: Request) -> str:
    """Return what tells this browser's visit before anybody signed in: the one that it has, else a new one."""
    return request.cookies.get(VISIT_COOKIE) or secrets.token_urlsafe(32)


async def of_people(
    request: Request, ask: Callable[[People], _Answer], *, limiter: CapacityLimiter | None = None
) -> _Answer:
    """Ask the file of people in a thread: it may be held, and whoever needs nothing of it is served meanwhile."""
    state = state_of(request)
    return await to_thread.run_sync(ask, state.people, limiter=limiter or state.asking)


async def session_of(request: Request) -> Session | None:
    """Return who is signed in; None where nobody is."""
    token = request.cookies.get(SESSION_COOKIE)
    if token is None:
        return None
    return await of_people(request, lambda people: people.session(token, now=datetime.now().astimezone()))


def need(*roles: Role) -> Callable[[Page], Callable[[Request], Awaitable[Response]]]:
    """Let only people of some roles use a page; others are sent to sign in, or told that it is not theirs.

    Whatever they send must carry the session's CSRF token.

    A page that is a plain function runs in a thread, as it may wait for disk and database; what was sent as a form is
    parsed by then (`sent_form`).
    """

    def wrap(page: Page) -> Callable[[Request], Awaitable[Response]]:
        async def guarded(request: Request) -> Response:
            session = await session_of(request)
            if session is None:
                if request.method != "GET":
                    raise HTTPException(401)
                return RedirectResponse(f"/sign-in?next={quote(_asked_for(request))}", status_code=303)
            if roles and session.person.role not in roles:
                raise HTTPException(403)
            request.state.session = session
            if request.method not in ("GET", "HEAD"):
                await check_csrf(request, session.csrf)
            if iscoroutinefunction(page):
                return cast(Response, await page(request, session.person))
            if request.method not in ("GET", "HEAD"):
                await form_of(request)  # before it takes a thread: a phone may send slowly
            return cast(Response, await to_thread.run_sync(page, request, session.person))

        guarded.__name__ = page.__name__
        return guarded

    return wrap


def _asked_for(request: Request) -> str:
    """Return the address of a page of ours with all that was asked of it."""
    path, query = quote(request.scope["path"]), request.url.query
    return f"{path}?{query}" if query else path


async def check_csrf(request: Request, expected: str) -> None:
    """Refuse what another site made the browser send; ``expected`` must come back in the form or a header."""
    sent = request.headers.get("x-csrf-token")
    if sent is None:
        form = await form_of(request)
        value = form.get(CSRF_FIELD)
        sent = value if isinstance(value, str) else None
    if sent is None or not secrets.compare_digest(sent.encode(), expected.encode()):
        raise HTTPException(403)
