"""The page in the reader's language: gettext catalogues, compiled from the .po files when the server starts."""

from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from importlib import resources
from io import BytesIO

from starlette.requests import Request

__all__ = ["LANGUAGES", "catalogue", "language_of"]

_NAMES = {"en": "English", "es": "Español"}
# Only those that there is a catalogue of: a page must not call English words Spanish.
LANGUAGES = {
    code: name
    for code, name in _NAMES.items()
    if code == "en" or (resources.files("stripread.web") / "locale" / f"{code}.po").is_file()
}


@lru_cache(maxsize=8)
def catalogue(language: str) -> NullTranslations:
    """Return the translations of a language; English needs none."""
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    path = resources.files("stripread.web") / "locale" / f"{language}.po"
    if language == "en" or language not in LANGUAGES or not path.is_file():
        return NullTranslations()
    with path.open("rb") as file:
        found = read_po(file, locale=language)
    compiled = BytesIO()
    write_mo(compiled, found)
    compiled.seek(0)
    return GNUTranslations(compiled)


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
