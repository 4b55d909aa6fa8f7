"""Where phones reach the page, and square codes that hold an address."""

import re

from starlette.requests import Request

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.web.state import state_of

__all__ = ["checked_address", "is_local", "phone_address", "qr_uri"]

_ADDRESS = re.compile(r"https?://(?:[A-Za-z0-9.-]{1,253}|\[[0-9A-Fa-f:]{2,45}\])(?::[0-9]{1,5})?")
_LOCAL = ("127.0.0.1", "localhost", "[::1]")


def phone_address(request: Request) -> str:
    """Return where phones reach the page: as the server was told, else as this browser does."""
    told: str | None = state_of(request).settings.address
    return told or str(request.base_url).rstrip("/")


def checked_address(address: str) -> str:
    """Return an address if it is one of a server, without a path; `WrongUsageError`."""
    if not _ADDRESS.fullmatch(address):
        raise WrongUsageError(
            expected=Message("an address such as https://192.0.2.10:8471"),
            found=Verbatim(repr(address[:80])),
            remedy=Message("Correct it."),
        )
    return address


def is_local(address: str) -> bool:
    """Tell whether an address is reached from its own machine only."""
    return re.sub(r":[0-9]+$", "", address.split("//", 1)[-1]) in _LOCAL


def qr_uri(words: str) -> str:
    """Return a QR code of some words as an SVG picture in a data URI; a quarter of it may be dirty."""
    import segno

    uri: str = segno.make(words, error="q", micro=False).svg_data_uri(scale=4, border=4)
    return uri
