"""Without a network: today and the guide open as they were seen last, and a photo waits until it can be sent."""

import pytest

from tests.browser.live import SAMPLES, turn_to, until, verdict
from tests.browser.test_lost_network import KEPT

pytestmark = [pytest.mark.browser, pytest.mark.flaky(reruns=2)]
CONTROLLED = "navigator.serviceWorker.ready.then(() => !!navigator.serviceWorker.controller)"


def test_the_guide_opens_without_a_network_and_its_photo_is_sent_when_it_is_back(open_phone):
    page = open_phone("Ines")
    page.goto("/")
    until(page, lambda: page.evaluate(CONTROLLED))
    page.goto("/read/bench 1")
    page.goto("/")
    assert not page.locator(".offline").is_visible()
    page.context.set_offline(True)
    page.goto("/")
    page.get_by_text("No connection: this is what was seen last.").wait_for()
    page.goto("/read/bench 1")
    page.get_by_text("No connection: this is what was seen last.").wait_for()
    turn_to(page, "photo")
    page.locator("#photo").set_input_files(SAMPLES / "line-good.jpg")
    page.locator("button.send").tap()
    page.get_by_text("Kept on the phone").wait_for()
    page.reload()  # it waits through that, too
    page.get_by_text("Kept on the phone").wait_for()
    assert len(page.evaluate(KEPT)) == 1
    page.context.set_offline(False)
    page.get_by_role("link", name="Look at the answer").tap()
    assert verdict(page) == "WITHIN RANGE"


def test_whoever_signs_out_leaves_no_page_behind(open_phone):
    page = open_phone("Ines")
    page.goto("/")
    until(page, lambda: page.evaluate(CONTROLLED))
    page.goto("/")
    page.goto("/more")
    until(page, lambda: page.evaluate("caches.keys().then((all) => all.length)") == 1)
    page.get_by_role("button", name="Sign out").tap()
    page.wait_for_url("**/sign-in")
    until(page, lambda: page.evaluate("caches.open('stripread-pages-1').then((c) => c.match('/')).then((r) => !r)"))
