"""What every request passes: size, headers, sessions, cross-site requests, and how often somebody may try."""

import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stripread.web.people import People, Person, Role, Session

__all__ = [
    "CSRF_FIELD",
    "DEVICE_COOKIE",
    "HEADERS",
    "SESSION_COOKIE",
    "GuardHeaders",
    "LimitBody",
    "Limiter",
    "check_csrf",
    "cookie_options",
    "need",
    "session_of",
]

SESSION_COOKIE, DEVICE_COOKIE, VISIT_COOKIE = "stripread_session", "stripread_phone", "stripread_visit"
CSRF_FIELD = "csrf"
HEADERS = {
    "content-security-policy": "default-src 'none'; img-src 'self' data: blob:; style-src 'self'; script-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "cache-control": "no-store",
}
_FORM = 200_000  # bytes of a form without a photo


class GuardHeaders:
    """Adds the headers that forbid scripts from elsewhere, framing, guessing of types and keeping of pages."""

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app, self.secure = app, secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if self.secure:
                    headers["strict-transport-security"] = "max-age=31536000"
            await send(message)

        await self.app(scope, receive, with_headers)


class LimitBody:
    """Stops reading a request whose body is longer than it may be, whatever its header says."""

    def __init__(self, app: ASGIApp, *, largest_photo: int) -> None:
        self.app, self.largest = app, largest_photo

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; 413 where it is too long."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        multipart = headers.get(b"content-type", b"").startswith(b"multipart/")
        most, seen = (2 * self.largest if multipart else 0) + _FORM, 0
        length = headers.get(b"content-length", b"0")
        if not length.isdigit() or int(length) > most:
            await _too_large(send)
            return

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                raise HTTPException(413)
            return message

        await self.app(scope, counted, send)


async def _too_large(send: Send) -> None:
    await send({"type": "http.response.start", "status": 413, "headers": [(b"content-type", b"text/plain")]})
    await send({"type": "http.response.body", "body": b"Too large."})


class Limiter:
    """Counts tries of somebody in a window of time.

    Parameters
    ----------
    most : int
    seconds : float
    clock : callable
        Seconds that only rise.
    """

    def __init__(self, most: int, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.most, self.seconds, self._clock = most, seconds, clock
        self._tries: dict[str, deque[float]] = {}

    def allow(self, who: str) -> bool:
        """Count a try; tell whether it may be made."""
        now = self._clock()
        tries = self._tries.setdefault(who, deque())
        while tries and now - tries[0] > self.seconds:
            tries.popleft()
        if len(tries) >= self.most:
            return False
        tries.append(now)
        if len(self._tries) > 10_000:  # no more than so many callers are remembered
            self._tries = {key: kept for key, kept in self._tries.items() if kept and now - kept[-1] <= self.seconds}
        return True

    def forget(self, who: str) -> None:
        """Forget the tries of somebody who got it right."""
        self._tries.pop(who, None)


def cookie_options(*, secure: bool) -> dict[str, Any]:
    """Return what every cookie is set with."""
    return {"httponly": True, "samesite": "lax", "secure": secure, "path": "/"}


def session_of(request: Request) -> Session | None:
    """Return who is signed in; None where nobody is."""
    people: People = request.app.state.people
    token = request.cookies.get(SESSION_COOKIE)
    return None if token is None else people.session(token, now=datetime.now().astimezone())


def need(*roles: Role) -> Callable[[Callable[[Request, Person], Awaitable[Any]]], Callable[[Request], Awaitable[Any]]]:
    """Let only people of some roles use a page; others are sent to sign in, or told that it is not theirs.

    Whatever they send must carry the session's CSRF token.
    """

    def wrap(page: Callable[[Request, Person], Awaitable[Any]]) -> Callable[[Request], Awaitable[Any]]:
        async def guarded(request: Request) -> Any:
            from starlette.responses import RedirectResponse

            session = session_of(request)
            if session is None:
                if request.method != "GET":
                    raise HTTPException(401)
                from urllib.parse import quote

                return RedirectResponse(f"/sign-in?next={quote(request.url.path)}", status_code=303)
            if roles and session.person.role not in roles:
                raise HTTPException(403)
            request.state.session = session
            try:
                if request.method not in ("GET", "HEAD"):
                    await check_csrf(request, session.csrf)
                return await page(request, session.person)
            finally:
                await request.close()  # and with it what was sent

        guarded.__name__ = page.__name__
        return guarded

    return wrap


async def check_csrf(request: Request, expected: str) -> None:
    """Refuse what another site made the browser send; ``expected`` must come back in the form or a header."""
    sent = request.headers.get("x-csrf-token")
    if sent is None:
        form = await request.form(max_files=2, max_fields=200)
        value = form.get(CSRF_FIELD)
        sent = value if isinstance(value, str) else None
    if sent is None or not secrets.compare_digest(sent.encode(), expected.encode()):
        raise HTTPException(403)
