"""Which language a page is in."""

from starlette.requests import Request

from stripread.i18n import LANGUAGES

__all__ = ["language_of"]


def language_of(request: Request) -> str:
    """Return the language to answer in: the person's, else the browser's first that there is."""
    session = getattr(request.state, "session", None)
    if session is not None and session.person.language in LANGUAGES:
        return str(session.person.language)
    for part in request.headers.get("accept-language", "").split(","):
        language = part.split(";")[0].strip()[:2].lower()
        if language in LANGUAGES:
            return language
    return "en"
