"""The browser is told to run nothing but the page's own files; so nothing may be inline anywhere."""

import re
from html.parser import HTMLParser
from importlib import resources

from stripread.web.security import guard_headers
from tests.web.test_every_route import PAGES, filled


def test_the_policy_lets_nothing_in_from_elsewhere_and_nothing_inline():
    policy = dict(
        part.strip().split(" ", 1) for part in guard_headers(secure=False)["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == policy["form-action"] == "'self'"
    assert policy["img-src"] == "'self' data: blob:"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert guard_headers(secure=False)["cache-control"] == "no-store"
    assert "strict-transport-security" not in guard_headers(secure=False)
    assert "strict-transport-security" in guard_headers(secure=True)


class Inline(HTMLParser):
    """Gathers what a strict policy would block."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag in ("style", "base", "iframe", "object", "embed") or (tag == "script" and "src" not in given):
            self.found.append(tag)
        for name, value in given.items():
            away = name in ("src", "href", "action", "formaction") and re.match(
                r"\s*(https?:|//|javascript:)", value or ""
            )
            if (name.startswith("on") and value) or name == "style" or away:
                self.found.append(f"{tag} {name}={value}")


def test_no_template_and_no_page_has_script_or_style_of_its_own(signed_in):
    client = signed_in("Sol")
    templates = [t for t in (resources.files("stripread.web") / "templates").iterdir() if t.name.endswith(".html")]
    assert len(templates) > 20
    texts = {t.name: t.read_text(encoding="utf-8") for t in templates}
    assert not [name for name, text in texts.items() if re.search(r"\|\s*safe|autoescape|Markup", text)]
    for path in PAGES:
        page = client.get(filled(path))
        if page.headers.get("content-type", "").startswith("text/html") and "report" not in path:
            texts[path] = page.text
    for name, text in texts.items():
        parser = Inline()
        parser.feed(text)
        assert parser.found == [], name
