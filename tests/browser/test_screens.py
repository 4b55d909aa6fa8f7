"""Each screen of the one list: WCAG 2.2 AA by axe-core, and nothing wider than the phone."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.browser.live import Live, make_site, phone, serve, sign_in
from tests.browser.screens import SCREENS, Screen

pytestmark = pytest.mark.browser
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@dataclass(frozen=True)
class Shown:
    """What a screen was found to be."""

    violations: list[str]
    widest: int


@pytest.fixture(scope="module")
def running(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    folder = tmp_path_factory.mktemp("screens")
    with serve(make_site(folder / "site"), folder / "server.log") as live:
        yield live


@pytest.fixture(scope="module")
def pages(browser: Any, running: Live) -> Iterator[dict[str | None, Any]]:
    """A page of each person's phone; its policy is lifted, as axe is a script from elsewhere."""
    contexts = {name: phone(browser, running, bypass_csp=True) for name in {screen.who for screen in SCREENS}}
    opened = {name: context.new_page() for name, context in contexts.items()}
    for name, page in opened.items():
        if name is not None:
            sign_in(page, name)
    yield opened
    for context in contexts.values():
        context.close()


@pytest.fixture(scope="module", params=SCREENS, ids=lambda screen: screen.name)
def shown(request: pytest.FixtureRequest, pages: dict[str | None, Any], running: Live) -> Shown:
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm ci --prefix tests/browser")
    screen: Screen = request.param
    page = pages[screen.who]
    screen.show(page, running)
    page.locator("details").evaluate_all("all => all.forEach((one) => { one.open = true; })")
    return Shown(_violations(page), page.evaluate("document.documentElement.scrollWidth"))


def _violations(page: Any) -> list[str]:
    page.add_script_tag(path=AXE)
    found = page.evaluate("rules => axe.run({ runOnly: { type: 'tag', values: rules } })", RULES)
    assert found["passes"], "no rule was applied"
    return [
        f"{one['id']}: {node['html']}: {node['failureSummary']}" for one in found["violations"] for node in one["nodes"]
    ]


def test_it_breaks_no_rule_of_accessibility(shown: Shown) -> None:
    assert shown.violations == []


def test_it_fits_the_phone(shown: Shown) -> None:
    assert shown.widest <= 390
