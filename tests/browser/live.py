"""A real server on a site of its own, and a real browser as wide as a phone; used by tests and screenshots alike."""

import contextlib
import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from stripread.records import Point
from stripread.web import People
from tests.browser.dated import dated_samples
from tests.preloaded import context, start_from_preloaded
from tests.web.conftest import POINTS, ROOT, SECRET
from tests.web.conftest import make_site as make_demo

CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 390, "height": 844}
SAMPLES = dated_samples()
START_S, ANSWER_S, STOP_S = 120, 120, 60  # patience: the machine may be busy with other tests


@dataclass(frozen=True, slots=True)
class Live:
    """A running server: its address, the folder of its site, the number of its process."""

    address: str
    folder: Path
    pid: int


def make_site(folder: Path) -> Path:
    """The site of the page's other tests, with one more outlet."""
    return make_demo(
        folder, points=(*POINTS, Point(name="bench 2", sample="line", line="east", order=2, flush_min=1.0))
    )


@contextlib.contextmanager
def serve(folder: Path, log: Path) -> Iterator[Live]:
    """Run ``stripread serve`` on a free port of this machine until the block ends."""
    port = _free_port()
    command = [sys.executable, "-m", *_words(folder, port)]
    with log.open("wb") as written, subprocess.Popen(command, stdout=written, stderr=written, cwd=ROOT) as process:
        try:
            _wait_until_up(f"http://127.0.0.1:{port}/sign-in", lambda: process.poll() is None, log)
            yield Live(f"http://127.0.0.1:{port}", folder, process.pid)
        finally:
            process.terminate()
            try:
                process.wait(timeout=STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()


@contextlib.contextmanager
def serve_preloaded(folder: Path, log: Path) -> Iterator[Live]:
    """Run the same command in a process that need not import anything first (`tests/preloaded.py`)."""
    port = _free_port()
    process = context().Process(target=_serve, args=(_words(folder, port), log))
    process.start()
    try:
        _wait_until_up(f"http://127.0.0.1:{port}/sign-in", process.is_alive, log)
        assert process.pid is not None
        yield Live(f"http://127.0.0.1:{port}", folder, process.pid)
    finally:
        process.terminate()
        process.join(STOP_S)
        if process.is_alive():
            process.kill()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _words(folder: Path, port: int) -> list[str]:
    return ["stripread", "serve", "--site", str(folder), "--port", str(port), "--workers", "1"]


def _serve(words: list[str], log: Path) -> None:
    from stripread.cli import main

    with log.open("wb") as written:
        os.dup2(written.fileno(), 1)
        os.dup2(written.fileno(), 2)
    os.chdir(ROOT)
    sys.argv = words
    start_from_preloaded(pytest.MonkeyPatch())
    main()


def _wait_until_up(address: str, alive: Callable[[], bool], log: Path) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        if not alive():
            break
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address, timeout=60).close()
            return
        time.sleep(0.05)
    raise AssertionError(f"the server did not come up: {log.read_text(errors='replace')}")


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """Start Debian's Chromium, without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def phone(browser: Any, live: Live, **options: Any) -> Any:
    """Return a context like a phone's browser."""
    made = {"viewport": PHONE, "device_scale_factor": 2, "has_touch": True, "is_mobile": True, "locale": "en-GB"}
    context = browser.new_context(**({"base_url": live.address} | made | options))
    context.set_default_timeout(1000 * ANSWER_S)
    return context


def sign_in(page: Any, name: str, then: str = "/read") -> None:
    """Sign in by the form."""
    page.goto(f"/sign-in?next={then}")
    page.locator(f'input[name=who][value="{name}"]').check()
    page.locator("#secret").fill(SECRET)
    page.locator("button.main").click()
    page.wait_for_url(re.compile(rf":\d+{re.escape(then)}$"))


@contextlib.contextmanager
def speaking(live: Live, name: str, language: str) -> Iterator[None]:
    """Let somebody's page be in a language until the block ends."""
    people = People(live.folder)
    people.speak(name, language)
    try:
        yield
    finally:
        people.speak(name, "en")
        people.close()


def until(page: Any, told: Callable[[], bool], patience: float = 120.0) -> None:
    """Look again and again; a loop inside the page would need what its policy forbids."""
    end = time.monotonic() + patience
    while not told():
        assert time.monotonic() < end, "it did not come about in time"
        page.wait_for_timeout(50)


def picture_shown(page: Any) -> None:
    """Wait until the photo with the verdict on it is there."""
    until(page, lambda: page.locator("figure img").evaluate("image => image.naturalWidth") > 500)


def turn_to(page: Any, step: str) -> None:
    """Go on in the guide until a step is there, as somebody who does not need its counts."""
    while not page.locator(f'.step.current[data-step="{step}"]').is_visible():
        page.locator(".step.current .next").click()


def send_photo(page: Any, point: str, photo: Path | dict[str, Any], *, wait: bool = True) -> None:
    """Go through the guide of a point, choose a photo and send it; wait for the verdict."""
    page.goto(f"/read/{point}")
    page.locator("#photo").set_input_files(photo)
    page.locator("button.send").click()
    if wait:
        verdict(page)


def verdict(page: Any) -> str:
    """Wait until the verdict fills the screen and return its words."""
    page.locator(".verdict .words").wait_for(timeout=1000 * ANSWER_S)
    return str(page.locator(".verdict .words").inner_text())
