"""The units in which somebody is told amounts."""

from starlette.requests import Request

from stripread.units import Units
from stripread.web.state import state_of

__all__ = ["units_of"]


def units_of(request: Request) -> Units:
    """Return the units to tell amounts in: the person's, else the site's."""
    session = getattr(request.state, "session", None)
    site = state_of(request).site_units
    return site if session is None else session.person.units or site
