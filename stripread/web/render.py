"""Templates to pages."""

from collections.abc import Callable
from typing import Any

from jinja2 import Environment
from starlette.requests import Request
from starlette.responses import HTMLResponse

from stripread.findings import REGISTRY
from stripread.i18n import LANGUAGES, Reader, Shown, catalogue_of
from stripread.report import pad_interval, pad_value, page_environment, reading_headline, strength_words
from stripread.units import System, kept_shown, lower_end, tell_line_flow, tell_volume, upper_end
from stripread.web.language import language_of
from stripread.web.security import CSRF_FIELD
from stripread.web.state import state_of
from stripread.web.static_files import static_address
from stripread.web.units import units_of

__all__ = ["render"]

# How numbers and verdicts are put into words, the same as on the command line.
_WORDS: dict[str, Callable[[Any], Shown]] = {"value": pad_value, "interval": pad_interval, "strength": strength_words}
_AMOUNTS: dict[str, Callable[[float, System], Shown]] = {"volume": tell_volume, "flow": tell_line_flow}


def render(request: Request, template: str, *, status: int = 200, **facts: Any) -> HTMLResponse:
    """Return a page in the reader's language."""
    state = state_of(request)
    reader = Reader(language=language_of(request), units=units_of(request), face="page")
    if reader not in state.environments:
        state.environments[reader] = _environment(reader)
    session = getattr(request.state, "session", None)
    page = (
        state.environments[reader]
        .get_template(template)
        .render(
            language=reader.language,
            languages=LANGUAGES,
            units=reader.units,
            path=request.url.path,
            site=state.site_name,
            static=static_address(),
            person=None if session is None else session.person,
            csrf=facts.pop("csrf", "" if session is None else session.csrf),
            csrf_field=CSRF_FIELD,
            **facts,
        )
    )
    return HTMLResponse(page, status_code=status)


def _environment(reader: Reader) -> Environment:
    made = page_environment("stripread.web", extensions=["jinja2.ext.i18n"])
    words = catalogue_of(reader.language)
    made.install_gettext_translations(words, newstyle=True)  # type: ignore[attr-defined]  # of the extension
    made.filters["shown"] = lambda thing: reader.show(kept_shown(thing) if isinstance(thing, dict) else thing)
    made.filters["digits"] = reader.digits  # of a number that a template has formatted
    made.filters["lower_end"] = lambda number: reader.show(lower_end(number, digits=2))
    made.filters["upper_end"] = lambda number: reader.show(upper_end(number, digits=2))
    made.filters["named"] = lambda name: words.gettext(name) if name else ""  # of the site: any language may be right
    made.filters["meaning"] = lambda code: reader.show(REGISTRY[code].meaning) if code in REGISTRY else ""
    for name, words_of in _WORDS.items():
        made.filters[name] = lambda thing, words_of=words_of: reader.show(words_of(thing))
    for name, amount_of in _AMOUNTS.items():
        made.filters[name] = lambda thing, amount_of=amount_of: reader.show(amount_of(thing, reader.units))
    made.filters["headline"] = reading_headline
    return made
