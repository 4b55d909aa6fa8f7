"""The form of a request: parsed here alone, and what it holds open is closed after every answer."""

from collections.abc import AsyncGenerator
from contextlib import aclosing

from anyio import CancelScope
from python_multipart.multipart import parse_options_header
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["CloseForm", "form_of", "sent_form"]

_FILES, _FIELDS = 2, 200  # a photo and one with the flash; more fields than any form of ours has


class CloseForm:
    """Closes the form of each request once it is answered, or has failed: no page has to think of it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        try:
            await self.app(scope, receive, send)
        finally:
            form: FormData | None = scope.get("state", {}).get("form")
            if form is not None:
                with CancelScope(shield=True):
                    await form.close()


async def form_of(request: Request) -> FormData:
    """Return what was sent as a form, empty where it was none; parsed once a request.

    Raises
    ------
    HTTPException
        400 where it is no whole form, or has more files or fields than any form of ours.
    """
    if not hasattr(request.state, "form"):
        kind, _ = parse_options_header(request.headers.get("content-type"))
        in_parts = kind == b"multipart/form-data"
        request.state.form = await (_parts(request) if in_parts else request.form(max_fields=_FIELDS))
    form: FormData = request.state.form
    return form


def sent_form(request: Request) -> FormData:
    """Return the form of a request that was parsed by `form_of` before, as for every page that is a plain function."""
    form: FormData = request.state.form
    return form


class _Parser(MultiPartParser):
    """Starlette's parser, which also knows whether the last boundary came."""

    ended = False

    def on_end(self) -> None:
        self.ended = True


async def _parts(request: Request) -> FormData:
    """Parse a form in parts.

    One that breaks off is refused while the parser still runs: then it closes its files. Otherwise the file of a part
    without an end would stand in no form, and nobody could close it.
    """

    async def to_the_end() -> AsyncGenerator[bytes, None]:
        async with aclosing(request.stream()) as pieces:
            async for piece in pieces:
                yield piece
        if not parser.ended:
            raise HTTPException(400)

    async with aclosing(to_the_end()) as pieces:
        parser = _Parser(request.headers, pieces, max_files=_FILES, max_fields=_FIELDS)
        try:
            return await parser.parse()
        except MultiPartException as error:
            raise HTTPException(400) from error
