"""Chromium, a phone's context and a live server; everything here is skipped where there is no Chromium."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.live import CHROMIUM, Live, chromium, make_site, phone, serve_preloaded, sign_in


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    pytest.importorskip("playwright", reason="playwright is not installed: pip install -e '.[dev]'")
    if not CHROMIUM.exists():
        pytest.skip(f"no {CHROMIUM}: install it with apt-get install chromium")
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="session")
def fresh_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_site(tmp_path_factory.mktemp("browser") / "site")


@pytest.fixture
def live(browser: Any, fresh_site: Path, tmp_path: Path) -> Iterator[Live]:
    """A server on a site without any reading: a photo that was read before would be refused."""
    with serve_preloaded(Path(shutil.copytree(fresh_site, tmp_path / "site")), tmp_path / "server.log") as running:
        yield running


@pytest.fixture
def open_phone(browser: Any, live: Live) -> Iterator[Callable[..., Any]]:
    """Return a page of a new phone, signed in where a name is given."""
    contexts = []

    def new(name: str | None = None, **options: Any) -> Any:
        contexts.append(phone(browser, live, **options))
        page = contexts[-1].new_page()
        page.set_default_timeout(120_000)
        if name is not None:
            sign_in(page, name)
        return page

    yield new
    for context in contexts:
        context.close()
