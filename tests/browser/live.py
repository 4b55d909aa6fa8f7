"""A real server on a site of its own, and a real browser as wide as a phone; used by tests and screenshots alike."""

import contextlib
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

from stripread.records import Point
from stripread.web import People
from tests.web.conftest import POINTS, ROOT, SECRET
from tests.web.conftest import make_site as make_demo

CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 390, "height": 844}
SAMPLES = ROOT / "sample_images"
START_S, ANSWER_S = 120, 120  # patience: the machine may be busy with other tests


@dataclass(frozen=True, slots=True)
class Live:
    """A running server: its address, the folder of its site, its process."""

    address: str
    folder: Path
    process: "subprocess.Popen[bytes]"


def make_site(folder: Path) -> Path:
    """The site of the page's other tests, with one more outlet."""
    return make_demo(
        folder, points=(*POINTS, Point(name="bench 2", sample="line", line="east", order=2, flush_min=1.0))
    )


@contextlib.contextmanager
def serve(folder: Path, log: Path) -> Iterator[Live]:
    """Run ``stripread serve`` on a free port of this machine until the block ends."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "stripread", "serve", "--site", folder, "--port", str(port), "--workers", "1"]
    with log.open("wb") as written, subprocess.Popen(command, stdout=written, stderr=written, cwd=ROOT) as process:
        try:
            _wait_until_up(f"http://127.0.0.1:{port}/sign-in", process, log)
            yield Live(f"http://127.0.0.1:{port}", folder, process)
        finally:
            process.terminate()
            try:
                process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                process.kill()


def _wait_until_up(address: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        if process.poll() is not None:
            break
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address, timeout=5).close()
            return
        time.sleep(0.1)
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
    page.locator("#name").fill(name)
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
