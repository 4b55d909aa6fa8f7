"""The web application of one site."""

import contextlib
import socket
from collections.abc import AsyncIterator
from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from stripread.errors import StripReadError
from stripread.web.pages.calibrate import calibrate_routes
from stripread.web.pages.card import card_routes
from stripread.web.pages.checks import checks_routes
from stripread.web.pages.correct import correct_routes
from stripread.web.pages.day import day_routes
from stripread.web.pages.duties.actions import action_routes
from stripread.web.pages.duties.events import event_routes
from stripread.web.pages.duties.stores import store_routes
from stripread.web.pages.duties.tanks import tank_routes
from stripread.web.pages.entered.measure import measure_routes
from stripread.web.pages.log import log_routes
from stripread.web.pages.lots import lots_routes
from stripread.web.pages.more import more_routes
from stripread.web.pages.people import people_routes
from stripread.web.pages.points import points_admin_routes
from stripread.web.pages.read import read_routes
from stripread.web.pages.sign_in import sign_in_routes
from stripread.web.pages.studies import study_routes
from stripread.web.pages.water.batches import batch_routes
from stripread.web.pages.water.correct_batch import correct_batch_routes
from stripread.web.pages.water.injector import injector_routes
from stripread.web.pages.water.injector_plan import injector_plan_routes
from stripread.web.pages.water.make import make_routes
from stripread.web.pages.water.plan import plan_routes
from stripread.web.pages.water.sums import sum_routes
from stripread.web.render import render
from stripread.web.security import GuardHeaders, KnownHost, LimitBody, guard_headers, session_of
from stripread.web.sent_form import CloseForm
from stripread.web.settings import Settings
from stripread.web.state import new_state, state_of
from stripread.web.static_files import static_routes

__all__ = ["create_app"]


def create_app(settings: Settings) -> Starlette:
    """Return the application.

    Raises
    ------
    StripReadError
        If the site cannot be loaded.
    """
    state = new_state(settings)

    @contextlib.asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        state.queue.start()
        await state.fits.resume()
        try:
            yield
        finally:
            await state.fits.stop()
            await state.queue.stop()
            state.people.close()

    app = Starlette(
        routes=[
            *sign_in_routes(),
            *read_routes(),
            *plan_routes(),
            *calibrate_routes(),
            *lots_routes(),
            *study_routes(),
            *points_admin_routes(),
            *card_routes(),
            *checks_routes(),
            *people_routes(),
            *day_routes(),
            *log_routes(),
            *correct_routes(),
            *make_routes(),
            *batch_routes(),
            *correct_batch_routes(),
            *injector_routes(),
            *injector_plan_routes(),
            *sum_routes(),
            *measure_routes(),
            *action_routes(),
            *event_routes(),
            *tank_routes(),
            *store_routes(),
            *more_routes(),
            *static_routes(),
        ],
        middleware=[
            Middleware(GuardHeaders, secure=settings.secure),
            # Over TLS the certificate sees to it.
            *([] if settings.secure else [Middleware(KnownHost, also=_names(settings))]),
            Middleware(LimitBody, largest_photo=settings.largest_photo),
            Middleware(CloseForm),
        ],
        exception_handlers={HTTPException: _told, StripReadError: _refused, ClientDisconnect: _gone, Exception: _fault},
        lifespan=life,
    )
    app.state = state  # type: ignore[assignment]  # typed, where Starlette keeps whatever it is given
    return app


def _names(settings: Settings) -> list[str]:
    """Return names of this machine that have a dot in them."""
    told = None if settings.address is None else urlsplit(settings.address).hostname
    return [name for name in (told, socket.gethostname()) if name]


async def _told(request: Request, error: Exception) -> Response:
    """Say what an HTTP status means, and nothing of how the server works."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    if not hasattr(request.state, "session"):  # of no page, so that nobody asked yet who it is
        request.state.session = await session_of(request)
    return render(request, "status.html", status=status, code=status)


async def _refused(request: Request, error: Exception) -> Response:
    """Show an error that a person can act on, in its three parts."""
    assert isinstance(error, StripReadError)
    return render(request, "refused.html", status=400, error=error)


async def _gone(request: Request, error: Exception) -> Response:
    """Answer nobody: the network was lost in mid-upload, and the phone will send it again."""
    return Response(status_code=400)


async def _fault(request: Request, error: Exception) -> Response:
    """Say that something failed; what it was is in the server's own log."""
    answer = render(request, "status.html", status=500, code=500)
    # Such an answer passes by `GuardHeaders`.
    answer.headers.update(guard_headers(secure=state_of(request).settings.secure))
    return answer
