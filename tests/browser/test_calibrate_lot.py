"""A lot is calibrated on a phone, in Chromium: planned, photographed, looked at, accepted, read with; or refused.

The photos are those of the simulated series of a shipped lot, one light, the fewest that make a fit.
"""

import re

import pytest

from stripread.records import open_records
from tests.browser.live import ANSWER_S, PHONE, SAMPLES, sign_in, until, verdict
from tests.web.conftest import ROOT

# A busy machine may keep a browser waiting for longer than these tests do: a second try tells the two apart.
pytestmark = [pytest.mark.browser, pytest.mark.flaky(reruns=2)]
SERIES = ROOT / "calibration" / "UL-2603"
LEVELS = {"0": 0, "0.1": 1, "0.2": 2, "0.5": 4, "1": 5}  # and their number in the series
PHOTOS = {(c, strip): f"level{n:02d}-strip{strip}-light1.jpg" for c, n in LEVELS.items() for strip in (1, 2)}


def plan(page, number):
    page.goto("/lots")
    page.get_by_role("link", name="Calibrate a lot").tap()
    page.get_by_label("Number, as on the vial").fill(number)
    page.get_by_label("Strip kind").select_option("clo2-ultralow")
    page.get_by_label("Expires").fill("2028-01-31")
    page.get_by_label("Its strength").fill("50")
    page.get_by_label("Its standard uncertainty").fill("0.5")
    page.get_by_label("Levels, with spaces between them").fill(" ".join(LEVELS))
    page.get_by_label("Strips of each level").fill("2")
    page.get_by_label("Photos of each strip").fill("1")
    page.get_by_role("button", name="Plan it").tap()
    page.wait_for_url(re.compile(r"/lots/drafts/[0-9a-f]{32}$"))


def photograph(page, level, strip, file):
    """Send the photo of the strip that the page asks for."""
    page.get_by_text(f"Next: level {level} mg/L, strip {strip}.").wait_for()
    assert page.locator("#level option:checked").inner_text() == f"{level} mg/L"
    assert page.locator("#strip option:checked").inner_text() == str(strip)
    page.locator("#photo").set_input_files(SERIES / file)
    page.get_by_role("button", name="Send the photo").tap()


def see_fit(page):
    page.get_by_role("button", name="The curve is ready: show it").tap(timeout=1000 * ANSWER_S)


def test_from_the_plan_to_a_strip_that_is_read_with_the_lot(open_phone, live):
    page = open_phone("Sol")
    plan(page, "UL-9")
    pours = page.get_by_role("list", name="Dilutions")
    assert "2 mL of D1 + 98 mL of water\n= 0.1 ± 0.0021 mg/L (k = 1)" in re.sub(r"\n+", "\n", pours.inner_text())
    assert pours.evaluate("list => list.scrollWidth <= list.clientWidth && list.clientWidth <= 390")
    large = "all => Math.min(...all.map((one) => parseFloat(getComputedStyle(one).fontSize)))"
    assert pours.locator("p").evaluate_all(large) >= 20  # px: read at arm's length
    for done, ((level, strip), file) in enumerate(PHOTOS.items(), start=1):
        photograph(page, level, strip, file)
        page.locator(f"ul.rows > li:nth-child({done})").wait_for(state="attached", timeout=1000 * ANSWER_S)
        if done == 1:  # the next strip's form is before one's eyes, whole
            until(page, lambda: page.locator("#next").bounding_box()["y"] < 200)
            send = page.get_by_role("button", name="Send the photo").bounding_box()
            assert send["y"] + send["height"] < PHONE["height"]
    page.get_by_text("All planned photos are here.").wait_for()
    see_fit(page)
    assert re.search(r"LOD\s+0\.0\d+ mg/L", page.locator("main").inner_text())
    assert re.search(r"LOQ\s+0\.\d+ mg/L", page.locator("main").inner_text())
    pictures = page.locator("figure img")
    assert pictures.count() == 3
    assert pictures.evaluate_all("all => all.every((one) => one.naturalWidth > 300)")
    rows = page.get_by_role("region", name="Levels of the series").locator("tbody tr")
    assert rows.count() == 5
    assert abs(float(rows.nth(2).locator("td").nth(1).inner_text().replace("−", "-"))) < 0.05  # of 0.2 mg/L
    page.get_by_role("button", name="Accept the lot").tap()
    page.wait_for_url(re.compile("/lots/UL-9$"))
    with open_records(live.folder) as records:
        (entry,) = records.entries(kind="lot", subject="UL-9")
    assert entry.payload["accepted_by"] == "Sol"

    technician = open_phone()
    sign_in(technician, "Ines")
    technician.goto("/read/bench 1")
    technician.locator("input[value='UL-9']").check()
    technician.locator("#photo").set_input_files(SAMPLES / "line-good.jpg")
    technician.locator("button.send").tap()
    assert verdict(technician) == "WITHIN RANGE"
    with open_records(live.folder) as records:
        (reading,) = records.readings()
    assert reading.lot == "UL-9"
    assert reading.pads[0].low < 0.35 < reading.pads[0].high  # what the photo shows


def test_a_photo_that_cannot_be_measured_is_told_beside_the_form_and_a_lost_network_keeps_the_choice(open_phone, live):
    page = open_phone("Sol")
    plan(page, "UL-7")
    button = page.get_by_role("button", name="Send the photo")
    page.locator("#photo").set_input_files(SAMPLES / "no-strip.jpg")
    button.tap()
    page.get_by_role("alert").get_by_text("This photo was not kept").wait_for(timeout=1000 * ANSWER_S)
    assert page.get_by_text("Next: level 0 mg/L, strip 1.").is_visible()
    assert page.locator("#photo").evaluate("input => input.files.length") == 0
    page.locator("#photo").set_input_files(SERIES / PHOTOS["0", 1])
    page.context.set_offline(True)
    button.tap()
    page.get_by_text("No connection. The photo is still chosen").wait_for()
    page.context.set_offline(False)
    button.tap()
    page.get_by_text("Next: level 0 mg/L, strip 2.").wait_for(timeout=1000 * ANSWER_S)
    assert page.get_by_role("alert").count() == 0
    assert len(list((live.folder / "drafts").rglob("*.jpg"))) == 1


def test_without_a_script_the_form_does_it_all(open_phone, live):
    page = open_phone("Sol", java_script_enabled=False)
    plan(page, "UL-6")
    page.locator("#photo").set_input_files(SERIES / PHOTOS["0", 1])
    page.get_by_role("button", name="Send the photo").tap()
    page.get_by_text("Next: level 0 mg/L, strip 2.").wait_for(timeout=1000 * ANSWER_S)
    assert page.url.endswith("#next")


def send_check(page, sample):
    page.get_by_label("Known value").fill("0.35")
    page.get_by_label("Its standard uncertainty").fill("0.005")
    page.locator("#photo").set_input_files(SAMPLES / f"{sample}.jpg")
    page.get_by_role("button", name="Send and read").tap()
    page.get_by_text("Arrived; it is being measured.").wait_for()


def test_a_check_tells_how_far_its_photo_is_and_then_what_came_of_it_or_why_not(open_phone, live):
    page = open_phone("Sol")
    page.goto("/checks/UL-2603")
    send_check(page, "no-strip")
    why = page.get_by_role("alert")
    why.get_by_text("That cannot be done").wait_for(timeout=1000 * ANSWER_S)
    assert "What to do" in why.inner_text()
    assert page.get_by_label("Known value").input_value() == "0.35"  # nothing is to be typed again
    assert page.get_by_role("button", name="Send and read").is_enabled()
    send_check(page, "line-good")
    page.get_by_text("AGREES with the known value").wait_for(timeout=1000 * ANSWER_S)
    assert "?photo=" in page.url
    with open_records(live.folder) as records:
        assert len(records.check_standards(limit=10)) == 1
