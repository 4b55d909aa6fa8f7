"""Templates to pages."""

import re
from collections.abc import Callable
from typing import Any

from jinja2 import Environment
from starlette.requests import Request
from starlette.responses import HTMLResponse

from stripread.findings import REGISTRY
from stripread.i18n.catalogue import LANGUAGES, catalogue
from stripread.i18n.phrases import teller
from stripread.report.amounts import tell_line_flow, tell_volume, tell_volumes_in
from stripread.report.document.page import page_environment
from stripread.report.terminal.batch import strength_words
from stripread.report.terminal.records import pad_interval, pad_value, reading_headline
from stripread.units import System
from stripread.web.language import language_of
from stripread.web.security import CSRF_FIELD
from stripread.web.state import state_of
from stripread.web.units import units_of

__all__ = ["render"]

# How numbers and verdicts are put into words, the same as on the command line.
_WORDS: dict[str, Callable[[Any], str]] = {"value": pad_value, "interval": pad_interval, "strength": strength_words}

_COMMAND = re.compile(r" \(stripread [^)]*\)|: stripread lot verify")
_AMOUNTS: dict[str, Callable[[float, System], str]] = {"volume": tell_volume, "flow": tell_line_flow}


def render(request: Request, template: str, *, status: int = 200, **facts: Any) -> HTMLResponse:
    """Return a page in the reader's language."""
    state, language = state_of(request), language_of(request)
    if language not in state.environments:
        state.environments[language] = _environment(language)
    session = getattr(request.state, "session", None)
    page = (
        state.environments[language]
        .get_template(template)
        .render(
            language=language,
            languages=LANGUAGES,
            units=units_of(request),
            path=request.url.path,
            site=state.site_name,
            person=None if session is None else session.person,
            csrf=facts.pop("csrf", "" if session is None else session.csrf),
            csrf_field=CSRF_FIELD,
            **facts,
        )
    )
    return HTMLResponse(page, status_code=status)


def _without_commands(words: str) -> str:
    """Return words without the commands that they name: a phone has none."""
    return type(words)(_COMMAND.sub("", words))


def _environment(language: str) -> Environment:
    made = page_environment("stripread.web", extensions=["jinja2.ext.i18n"])
    words = catalogue(language)
    made.install_gettext_translations(words, newstyle=True)  # type: ignore[attr-defined]  # of the extension
    # Words that are not written in a template: `_` would take them for safe, and a % in them for a place to fill.
    tell = teller(language, words)
    made.filters["told"] = lambda text: _without_commands(tell(text))
    made.filters["named"] = lambda name: words.gettext(name) if name else ""  # of the site: any language may be right
    made.filters["meaning"] = lambda code: words.gettext(REGISTRY[code].meaning) if code in REGISTRY else ""
    for name, words_of in _WORDS.items():
        made.filters[name] = lambda said, words_of=words_of: tell(words_of(said))
    for name, amount_of in _AMOUNTS.items():
        made.filters[name] = lambda said, units, amount_of=amount_of: tell(amount_of(said, units))
    made.filters["poured"] = lambda words, units: type(words)(tell_volumes_in(words, units))  # safe words stay so
    made.filters["headline"] = reading_headline
    return made
