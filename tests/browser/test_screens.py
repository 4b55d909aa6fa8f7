"""Each screen of the one list, in both languages: WCAG 2.2 AA by axe-core, within the phone, all of it translated."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from starlette.routing import Route

from stripread.i18n.catalogue import read_catalogue
from stripread.web import Settings, create_app
from tests.browser.live import PHONE, Live, make_site, phone, serve, sign_in, speaking
from tests.browser.screens import NO_SCREEN, SCREENS, Screen
from tests.browser.screenshots import GALLERY, gallery, pictures
from tests.web.conftest import PEOPLE, ROOT

pytestmark = pytest.mark.browser
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
SPANISH = "somebody who reads Spanish and is not signed in"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@dataclass(frozen=True)
class Shown:
    """What a screen was found to be, in English and then in Spanish."""

    violations: tuple[list[str], list[str]]
    widest: tuple[int, int]  # of 390 pixels, and of 320, as at a zoom of 400 % on a screen of 1280 (WCAG 1.4.10)
    covered: list[str]  # links of the navigation under something else
    languages: tuple[str, str]
    spanish: str  # what it says in Spanish, without what is marked as English


@pytest.fixture(scope="module")
def running(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    folder = tmp_path_factory.mktemp("screens")
    with serve(make_site(folder / "site"), folder / "server.log") as live:
        yield live


@pytest.fixture(scope="module")
def pages(browser: Any, running: Live) -> Iterator[dict[str | None, Any]]:
    """A page of each person's phone; its policy is lifted, as axe is a script from elsewhere."""
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm ci --prefix tests/browser")
    contexts = {name: phone(browser, running, bypass_csp=True) for name in {screen.who for screen in SCREENS}}
    contexts[SPANISH] = phone(browser, running, bypass_csp=True, locale="es-MX")
    for context in contexts.values():
        context.add_init_script(path=AXE)  # sent once, where a script tag is sent for each page
    opened = {name: context.new_page() for name, context in contexts.items()}
    for name, page in opened.items():
        if name in PEOPLE:
            sign_in(page, name)
    yield opened
    for context in contexts.values():
        context.close()


@pytest.fixture(scope="module")
def shown(pages: dict[str | None, Any], running: Live) -> dict[str, Shown]:
    """What each screen was found to be, by its name."""
    return {screen.name: _shown(screen, pages, running) for screen in SCREENS}


def _shown(screen: Screen, pages: dict[str | None, Any], running: Live) -> Shown:
    page = pages[screen.who]
    screen.show(page, running)
    english = _look(page)
    if screen.who is None:
        page = pages[SPANISH]
        screen.show(page, running)
    else:
        with speaking(running, screen.who, "es"):
            page.reload()
    spanish = _look(page)
    page.locator("body [lang=en]").evaluate_all("all => all.forEach((one) => one.remove())")
    return Shown(
        violations=(english[0], spanish[0]),
        widest=(max(english[1], spanish[1]), max(english[3], spanish[3])),
        covered=english[4] + spanish[4],
        languages=(english[2], spanish[2]),
        spanish=f"{page.title()}\n{page.locator('body').inner_text()}",
    )


def _look(page: Any) -> tuple[list[str], int, str, int, list[str]]:
    page.locator("details").evaluate_all("all => all.forEach((one) => { one.open = true; })")
    wide = page.evaluate("document.documentElement.scrollWidth")
    covered = page.evaluate(_COVERED)
    page.set_viewport_size({"width": 320, "height": 844})
    narrow = page.evaluate("document.documentElement.scrollWidth")
    covered += page.evaluate(_COVERED)
    page.set_viewport_size(PHONE)
    return _violations(page), wide, page.locator("html").get_attribute("lang"), narrow, covered


_COVERED = """() => {
  scrollTo(0, 0);
  // A count fills the screen on purpose, and has a button that ends it.
  if (document.querySelector("[aria-modal=true]:not([hidden])")) return [];
  const links = [...document.querySelectorAll("header nav a")];
  return links.filter((link) => {
    const box = link.getBoundingClientRect();
    const there = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    return !there || there.closest("a") !== link;
  }).map((link) => link.textContent);
}"""


# All that breaks a rule; of what does not, one place for each rule is worked out, and their number comes back.
_RUN = """async rules => {
  const found = await axe.run({ resultTypes: ["violations"], runOnly: { type: "tag", values: rules } });
  return [found.passes.length, found.violations];
}"""


def _violations(page: Any) -> list[str]:
    passes, violations = page.evaluate(_RUN, RULES)
    assert passes > 0, "no rule was applied"
    return [f"{one['id']}: {node['html']}: {node['failureSummary']}" for one in violations for node in one["nodes"]]


def test_they_break_no_rule_of_accessibility(shown: dict[str, Shown]) -> None:
    assert {name: one.violations for name, one in shown.items() if one.violations != ([], [])} == {}


def test_they_fit_the_phone(shown: dict[str, Shown]) -> None:
    assert {name: one.widest for name, one in shown.items() if one.widest[0] > 390 or one.widest[1] > 320} == {}


def test_nothing_lies_on_the_navigation(shown: dict[str, Shown]) -> None:
    assert {name: one.covered for name, one in shown.items() if one.covered} == {}


def test_they_speak_spanish(shown: dict[str, Shown]) -> None:
    """No line of one is a message that has a translation; what nobody can translate is marked as English."""
    translated = {str(m.id).strip(" .:·▲✘✔○") for m in read_catalogue("es") if m.id and m.string != m.id}
    left = {
        name: {line.strip(" .:·▲✘✔○") for line in one.spanish.splitlines()} & translated for name, one in shown.items()
    }
    assert {name: lines for name, lines in left.items() if lines} == {}
    assert {one.languages for one in shown.values()} == {("en", "es")}


def test_the_rules_find_what_is_wrong(browser: Any, running: Live) -> None:
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm ci --prefix tests/browser")
    context = phone(browser, running, bypass_csp=True)
    context.add_init_script(path=AXE)
    page = context.new_page()
    page.goto("/sign-in")
    page.locator("label").evaluate_all("all => all.forEach((one) => { one.remove(); })")
    page.locator("h1").evaluate("title => { title.style.color = '#ccc'; }")
    found = " ".join(_violations(page))
    context.close()
    assert "label: " in found
    assert "color-contrast: " in found


def test_the_docs_show_a_picture_of_each_screen() -> None:
    assert (ROOT / GALLERY).read_text("utf-8") == gallery(), "make screenshots"
    there = {path.name for path in (ROOT / "docs" / "images" / "screens").glob("*.png")}
    assert there == set(pictures()), "make screenshots"


def test_every_page_of_the_application_is_on_the_list(tmp_path: Path) -> None:
    routes = create_app(Settings(folder=make_site(tmp_path / "site"))).routes
    there = {route.path for route in routes if isinstance(route, Route) and "GET" in (route.methods or ())}
    assert there - {screen.route for screen in SCREENS} - NO_SCREEN == set()
    assert there >= NO_SCREEN
