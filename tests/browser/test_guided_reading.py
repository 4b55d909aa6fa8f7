"""The guided reading on a phone, from the point to the verdict, in Chromium. The photos are simulated samples."""

import re

import pytest

from stripread.records import open_records
from tests.browser.live import SAMPLES, SECRET, picture_shown, send_photo, turn_to, until, verdict

# A busy machine may keep a browser waiting for longer than these tests do: a second try tells the two apart.
pytestmark = [pytest.mark.browser, pytest.mark.flaky(reruns=2)]


def readings(live):
    with open_records(live.folder) as records:
        return records.readings()


def test_from_the_point_to_the_verdict(open_phone, live):
    page, asked = open_phone(), []
    page.on(
        "filechooser", lambda chooser: asked.append(chooser)
    )  # from the start: it is told to the browser in its own time
    page.clock.install()
    page.goto("/read")  # as by the code on a label: first to sign in, then on to where one wanted to go
    page.get_by_role("radio", name="Ines").check()
    page.get_by_label("PIN or password").fill(SECRET)
    page.get_by_role("button", name="Sign in").tap()
    page.get_by_role("link", name=re.compile("bench 1")).tap()
    assert page.get_by_role("radio").first.get_attribute("value") == "UL-2603"
    assert page.get_by_text("Not: chlorine-ph-duo, clo2-wide.").is_visible()
    assert not page.locator(".reuse, .kept").first.is_visible()  # nothing is kept yet
    assert not page.get_by_role("button", name="Dip now").is_visible()  # a step a screen
    page.get_by_role("button", name="I have this strip").tap()
    page.get_by_role("button", name="Start flushing").tap()
    page.clock.run_for(30_000)
    until(page, lambda: page.locator(".count output").inner_text() == "30")
    assert page.locator(".count output").bounding_box()["height"] > 200  # to be read from two metres
    page.clock.run_for(31_000)
    page.get_by_role("button", name="Dip now").tap()  # the step came by itself
    page.get_by_text("In the water").wait_for()
    page.clock.run_for(20_000)
    page.get_by_role("button", name="TAKE PHOTO NOW").tap()
    until(page, lambda: asked)
    asked[0].set_files(SAMPLES / "line-good.jpg")  # and is sent at once
    assert verdict(page) == "WITHIN RANGE"
    assert page.locator("p.value").inner_text() == "0.37 mg/L"
    assert "95 % interval" in page.locator("main").inner_text()
    bar = page.get_by_role("img", name=re.compile(r"0\.37 mg.L, .*0\.30 to 0\.45.*expected 0\.22 to 0\.5"))
    assert bar.bounding_box()["width"] > 300  # of 390
    picture_shown(page)
    (reading,) = readings(live)
    assert reading.entry.payload["point"] == "bench 1"
    assert 61 <= reading.entry.payload["how"]["flushed_s"] <= 90


def test_the_page_fits_the_phone_and_can_be_hit_with_a_thumb(open_phone):
    page = open_phone("Ines")
    page.goto("/read/bench 1")
    for step in ("strip", "flush", "dip", "photo"):
        turn_to(page, step)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        shown = [one for one in page.locator("button, .button, .choice, nav a").all() if one.is_visible()]
        assert len(shown) > 6
        for button in shown:
            assert button.bounding_box()["height"] >= 47.5, button.inner_text()


def test_the_timer_counts_the_dip_and_then_the_wait(open_phone):
    page = open_phone("Ines")
    page.clock.install()
    page.goto("/read/bench 1")
    turn_to(page, "dip")
    kind = page.locator('[data-timer="dip"]')
    seconds, first, last = (float(kind.get_attribute(name)) for name in ("data-seconds", "data-from", "data-until"))
    kind.get_by_role("button").tap()
    said = page.locator(".count .say")
    for moment, words in [
        (seconds / 2, "In the water"),
        ((seconds + first) / 2, "On the card: wait"),
        ((first + last) / 2, "Take the photo now"),
        (last + 5, "Too late: dip a new strip"),
    ]:
        already = float(page.evaluate("Date.now() / 1000 - (window.dippedAt ??= Date.now() / 1000)"))
        page.clock.run_for(round(1000 * (moment - already)))
        until(page, lambda words=words: said.inner_text() == words)


def test_a_strip_of_the_wrong_kind_is_found_out(open_phone):
    page = open_phone("Ines")
    send_photo(page, "bench 1", SAMPLES / "line-wrong-strip.jpg")
    assert "NO RESULT" in page.locator(".verdict").inner_text()
    assert page.locator(".verdict.cross svg").count() == 1
    page.get_by_text("All findings").tap()
    assert page.locator("details li").count() >= 1
    assert "mg/L" not in page.locator("p.value").inner_text()


def test_a_lot_of_the_wrong_kind_gives_a_warning_and_no_number_to_use(open_phone):
    """The list offers no wide lot for a line; one that is sent all the same is judged, not believed."""
    page = open_phone("Ines")
    page.goto("/read/bench 1")
    assert page.locator('input[value="WR-2601"]').count() == 0
    page.locator("input[name=lot]").first.evaluate("radio => { radio.value = 'WR-2601'; radio.checked = true; }")
    page.locator("#photo").set_input_files(SAMPLES / "line-wrong-strip.jpg")
    page.locator("button.send").tap()
    assert "NO RESULT" in verdict(page)
    page.get_by_text("All findings").tap()
    assert page.get_by_text("wrong_range_strip").is_visible()
    assert page.get_by_text("Dip a strip of kind clo2-ultralow").is_visible()


def test_a_bad_photo_says_what_to_change_and_is_taken_again_at_once(open_phone, live):
    page = open_phone("Ines")
    send_photo(page, "bench 1", SAMPLES / "no-strip.jpg")
    assert page.locator(".verdict .words").inner_text() == "NOT READ: strip not found"
    assert page.locator(".steps li").count() == 1
    picture_shown(page)
    assert readings(live) == []
    page.get_by_role("link", name="Read again here").tap()
    page.locator("#photo").set_input_files(SAMPLES / "line-good.jpg")
    page.locator("button.send").tap()
    assert verdict(page) == "WITHIN RANGE"
    assert len(readings(live)) == 1


def tab_to(page, selector, most=40):
    """Press Tab until the focus is there, as somebody without a mouse does; it must be visible then."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"Tab does not reach {selector}")


def outlined(page, selector):
    return page.locator(selector).evaluate("e => getComputedStyle(e).outlineStyle") == "solid"


def test_the_keyboard_alone_leads_from_signing_in_to_the_verdict(open_phone):
    page, asked = open_phone(has_touch=False, is_mobile=False), []
    page.on("filechooser", lambda chooser: asked.append(chooser))
    page.goto("/sign-in?next=/read")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    tab_to(page, "input[name=who]")
    while page.evaluate("document.activeElement.value") != "Ines":
        page.keyboard.press("ArrowDown")
    tab_to(page, "#secret")
    page.keyboard.type(SECRET)
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r":\d+/read$"))
    tab_to(page, "a.choice[href='/read/bench%201']")
    assert outlined(page, "a.choice[href='/read/bench%201']")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r":\d+/read/bench%201$"))
    for step in ("strip", "flush"):
        tab_to(page, f"[data-step={step}] .next")
        page.keyboard.press("Enter")
    tab_to(page, '[data-timer="dip"] button')
    page.keyboard.press("Enter")
    page.get_by_text("In the water").wait_for()
    assert page.evaluate("document.activeElement.className") == "shut"  # within the count
    page.keyboard.press("Enter")
    tab_to(page, "#photo")
    assert outlined(page, "label[for=photo]")  # the input itself cannot be seen
    page.keyboard.press("Enter")
    until(page, lambda: asked)
    asked[0].set_files(SAMPLES / "line-good.jpg")
    assert "within range" in verdict(page).lower()  # and doubtful, where nobody waited for the read window


def test_it_works_without_a_script(open_phone, live):
    page = open_phone("Ines", java_script_enabled=False)
    page.get_by_role("link", name=re.compile("bench 1")).tap()
    assert not page.get_by_role("button", name="Dip now").is_visible()  # a timer that cannot count is not offered
    page.locator("#photo").set_input_files(SAMPLES / "line-good.jpg")
    page.get_by_role("button", name="Send and read").tap()
    page.wait_for_url("**/jobs/*")
    assert verdict(page) == "WITHIN RANGE"
    assert len(readings(live)) == 1
