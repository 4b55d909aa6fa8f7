"""The one list of the page's screens: each is checked for accessibility, read in Spanish and kept as a picture.

A new page gets a line here; a test fails for a page of the application that no screen shows.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stripread.web import People
from stripread.web.queue.inbox import Inbox, Job
from tests.browser.live import ANSWER_S, SAMPLES, Live, picture_shown, send_photo, turn_to

Act = Callable[[Any, Live], None]


@dataclass(frozen=True, slots=True)
class Screen:
    """A screen and how to come to it.

    Attributes
    ----------
    name : str
        Of the picture, without its ending.
    route : str
        The application's route that it shows.
    who : str or None
        Who looks at it; None where nobody is signed in.
    at : str or Act
        Its address, or what to do with a page to come to it.
    """

    name: str
    route: str
    who: str | None
    at: str | Act

    def show(self, page: Any, live: Live) -> None:
        """Bring a page to this screen."""
        if isinstance(self.at, str):
            page.goto(self.at)
        else:
            self.at(page, live)


def _wrong_pin(page: Any, live: Live) -> None:
    page.goto("/sign-in")
    page.locator("input[name=who][value=Ines]").check()
    page.locator("#secret").fill("wrong-111")
    page.locator("button.main").click()
    page.get_by_role("alert").wait_for()


def _dipping(page: Any, live: Live) -> None:
    page.goto("/read/bench 1")
    turn_to(page, "dip")
    page.locator('[data-timer="dip"] button').click()
    page.locator(".say:not(:empty)").wait_for()


def _flushing(page: Any, live: Live) -> None:
    page.goto("/read/bench 1")
    turn_to(page, "flush")
    page.locator('[data-timer="flush"] button').click()
    page.locator(".say:not(:empty)").wait_for()


def _step(name: str) -> Act:
    def act(page: Any, live: Live) -> None:
        page.goto("/read/bench 1")
        turn_to(page, name)

    return act


def _photo_now(page: Any, live: Live) -> None:
    """Show the count in its window: its dip lies as far back as needed."""
    page.goto("/read/bench 1")
    page.evaluate(
        "sessionStorage.setItem('stripread-dip', JSON.stringify({ at: Date.now() - 20000, where: location.pathname }))"
    )
    page.goto("/read/bench 1?retake")
    page.locator('.count[data-state="now"]').wait_for()


def _waiting(page: Any, live: Live) -> None:
    """Show a job that nobody told the queue of, so that it waits."""
    at = datetime.now().astimezone().isoformat()
    job = Job(id="0" * 32, who="Ines", at=at, point="bench 1", sample="line", lot="UL-2603", name="waiting.jpg")
    Inbox(live.folder).accept(job, b"no photo")
    page.goto(f"/jobs/{job.id}")


def _read(point: str, sample: str) -> Act:
    def act(page: Any, live: Live) -> None:
        send_photo(page, point, SAMPLES / f"{sample}.jpg")
        picture_shown(page)

    return act


def _refused(page: Any, live: Live) -> None:
    page.goto("/read/bench 1")
    page.locator("input[name=lot]").first.evaluate("radio => { radio.value = 'gone'; radio.checked = true; }")
    page.locator("#photo").set_input_files(SAMPLES / "no-strip.jpg")
    page.locator("form[data-upload]").evaluate("form => form.submit()")
    page.locator("dl").wait_for()


def _log_entry(page: Any, live: Live) -> None:
    page.goto("/log")
    page.locator("a.choice").first.click()
    page.wait_for_url(re.compile(r"/log/\d+$"))


def _correct(page: Any, live: Live) -> None:
    _log_entry(page, live)
    page.locator("a[href$='/correct']").click()
    page.wait_for_url(re.compile(r"/correct$"))


def _batch(page: Any, live: Live) -> None:
    page.goto(GENERATE)
    page.locator("form[method=post] button.main").click()
    page.wait_for_url(re.compile("/batches/made/"))


def _correct_batch(page: Any, live: Live) -> None:
    page.goto("/batches/made/C-1")
    page.locator("a[href^='/batches/correct/']").click()
    page.wait_for_url(re.compile("/batches/correct/"))


def _withdraw(page: Any, live: Live) -> None:
    _correct_batch(page, live)
    page.locator("a[href^='/batches/withdraw/']").click()
    page.wait_for_url(re.compile("/batches/withdraw/"))


def _plan_lot(page: Any, number: str) -> None:
    page.goto("/lots/new")
    for field, text in {"number": number, "expires": "2027-06-30", "standard": "100", "u_standard": "1"}.items():
        page.locator(f"#{field}").fill(text)
    page.locator("#kind").select_option("clo2-ultralow")
    page.locator("button.main").click()
    page.wait_for_url(re.compile("/lots/drafts/"))


def _draft(page: Any, live: Live) -> None:
    _plan_lot(page, "UL-9001")


def _study(page: Any, live: Live) -> None:
    page.goto("/studies/new")
    fields = {"study": "may", "stock": "a second sachet", "strength": "100", "method": "titration",
              "people": "Ada, Ben", "phones": "A, B", "lights": "window, bench"}  # fmt: skip
    for field, text in fields.items():
        page.locator(f"#{field}").fill(text)
    page.locator("button.main").click()
    page.wait_for_url(re.compile("/studies/may"))


def _draft_known(page: Any, live: Live) -> None:
    page.goto("/lots/new/known?kind=chlorine-ph-duo&levels=2")
    fields = {"number": "CP-9001", "expires": "2027-06-30", "value-1-0": "0", "u-1-0": "0", "value-1-1": "6.2",
              "u-1-1": "0.02", "value-2-1": "6.6", "u-2-1": "0.02"}  # fmt: skip
    for field, text in fields.items():
        page.locator(f"#{field}").fill(text)
    page.get_by_label("with the flash").check()
    page.locator("button.main").click()
    page.wait_for_url(re.compile("/lots/drafts/"))


def _draft_with_photo(page: Any, live: Live) -> None:
    _plan_lot(page, "UL-9002")
    page.locator("input[type=file]").first.set_input_files(SAMPLES / "line-good.jpg")
    page.locator("form[enctype] button.main").click()
    page.locator("ul.rows").wait_for(state="attached", timeout=1000 * ANSWER_S)


def _new_phone(page: Any, live: Live) -> None:
    page.goto("/people")
    page.locator("form[action='/people/pair'] button").click()
    page.locator("svg, img").first.wait_for()


def _pair(page: Any, live: Live) -> None:
    people = People(live.folder)
    code = people.pairing_code(now=datetime.now().astimezone())
    people.close()
    page.goto(f"/pair/{code}")


def _phones(page: Any, live: Live) -> None:
    people, now = People(live.folder), datetime.now().astimezone()
    if not people.phones(now=now):
        people.pair(people.pairing_code(now=now, name="Potting shed"), now=now)
        people.pair(people.pairing_code(now=now), now=now)
    people.close()
    page.goto("/people")


def _event(page: Any, live: Live) -> None:
    page.goto("/events")
    if not page.locator("section.alarm").count():
        page.locator("#type").select_option("shock")
        page.locator("#what").fill("50 mg/L for an hour")
        page.locator("form[action='/events'] button").click()
        page.locator("section.alarm").wait_for()


def _action(page: Any, live: Live) -> None:
    page.goto("/actions")
    if page.locator("ul.due li").count():
        return
    page.goto("/measure?point=bench 1")
    page.locator("#analyte").select_option("chlorine dioxide")
    page.locator("#value").fill("3 mg/L u 0.1")
    page.locator("form[action='/measure'] button").click()
    page.locator("summary", has_text="corrective").first.click()
    page.locator("#what-1").fill("flush the line")
    page.locator("#by-1").fill("2099-01-01")
    page.locator("form[action$='/actions'] button").first.click()
    page.wait_for_url(re.compile("/actions$"))


def _tanks(page: Any, live: Live) -> None:
    page.goto("/tanks")
    if page.locator("section dl").count():
        return
    page.goto(GENERATE)
    page.locator("#id").fill("C-9")
    page.locator("#tank").fill("blue pail")
    page.locator("form[method=post] button.main").click()
    page.wait_for_url(re.compile("/batches/made/"))
    page.goto("/tanks")


def _stores(page: Any, live: Live) -> None:
    page.goto("/stores")
    if page.locator("section dl").count():
        return
    page.locator("#name").fill("box 7")
    page.locator("#count").fill("20")
    page.locator("#expires").fill("2099-01-01")
    page.locator("form[action='/stores'] button").click()
    page.locator("section dl").wait_for()


GENERATE = "/batches/generate?water=20+L&sachets=1&after=12+h"
INJECTION = "/injector/plan?injector=main&stock=220+mg/L+u+11&demand=0.45+mg/L&residual=0.35+mg/L"
STOCK = "/batches/stock?make=40+L&strength=435+mg%2FL,+400+to+470"

SCREENS = (
    Screen("sign-in", "/sign-in", None, "/sign-in"),
    Screen("sign-in-wrong", "/sign-in", None, _wrong_pin),
    Screen("not-paired", "/pair/{code}", None, "/pair/no-such-code"),
    Screen("pair", "/pair/{code}", None, _pair),
    Screen("points", "/read", "Ines", "/read"),
    Screen("guide", "/read/{point}", "Ines", "/read/bench 1"),
    Screen("guide-flush", "/read/{point}", "Ines", _step("flush")),
    Screen("guide-flushing", "/read/{point}", "Ines", _flushing),
    Screen("guide-dip", "/read/{point}", "Ines", _step("dip")),
    Screen("guide-dipping", "/read/{point}", "Ines", _dipping),
    Screen("guide-photo-now", "/read/{point}", "Ines", _photo_now),
    Screen("guide-photo", "/read/{point}", "Ines", _step("photo")),
    Screen("guide-strong", "/read/{point}", "Ines", "/read/tank"),
    Screen("guide-looking-on", "/read/{point}", "Gus", "/read/bench 1"),
    Screen("being-read", "/jobs/{job}", "Ines", _waiting),
    Screen("verdict-within", "/jobs/{job}", "Ines", _read("bench 1", "line-good")),
    Screen("verdict-low", "/jobs/{job}", "Ines", _read("bench 2", "line-low")),
    Screen("verdict-no-result", "/jobs/{job}", "Ines", _read("bench 1", "line-wrong-strip")),
    Screen("verdict-not-read", "/jobs/{job}", "Ines", _read("bench 2", "no-strip")),
    Screen("verdict-stock", "/jobs/{job}", "Ines", _read("tank", "stock-good")),
    Screen("refused", "/read/{point}/photo", "Ines", _refused),
    Screen("today", "/", "Ines", "/"),
    Screen("today-grower", "/", "Gus", "/"),
    Screen("log-entry", "/log/{entry:int}", "Ines", _log_entry),
    Screen("correct", "/log/{entry:int}/correct", "Ines", _correct),
    Screen("log", "/log", "Gus", "/log"),
    Screen("log-findings", "/log", "Gus", "/log?serious=yes"),
    Screen("batches", "/batches", "Ines", "/batches"),
    Screen("batch-generate", "/batches/generate", "Ines", "/batches/generate"),
    Screen("batch-generate-plan", "/batches/generate", "Ines", GENERATE),
    Screen("batch", "/batches/made/{id:path}", "Ines", _batch),
    Screen("batch-correct", "/batches/correct/{id:path}", "Ines", _correct_batch),
    Screen("batch-withdraw", "/batches/withdraw/{id:path}", "Ines", _withdraw),
    Screen("batch-stock-plan", "/batches/stock", "Ines", STOCK),
    Screen("batch-stock-refused", "/batches/stock", "Ines", "/batches/stock?make=much&strength=435"),
    Screen("batch-stock", "/batches/stock", "Ines", "/batches/stock"),
    Screen("batch-top-up", "/batches/top-up", "Ines", "/batches/top-up"),
    Screen("injector", "/injector", "Ines", "/injector"),
    Screen("injector-plan", "/injector/plan", "Ines", INJECTION),
    Screen("sums", "/sums", "Ines", "/sums"),
    Screen("sum-contact", "/sums/{what}", "Ines", "/sums/contact?strength=2+mg/L&time=10+min"),
    Screen("sum-line", "/sums/{what}", "Ines", "/sums/line"),
    Screen("measure", "/measure", "Ines", "/measure?point=bench 1"),
    Screen("tanks", "/tanks", "Ines", _tanks),
    Screen("stores", "/stores", "Ines", _stores),
    Screen("batch-label", "/batches/label/{id:path}", "Ines", "/batches/label/C-1?address=https://192.0.2.7:8443"),
    Screen("events", "/events", "Ines", _event),
    Screen("actions", "/actions", "Ines", _action),
    Screen("trend", "/points/{name:path}", "Gus", "/points/bench 1"),
    Screen("more", "/more", "Gus", "/more"),
    Screen("lots", "/lots", "Sol", "/lots"),
    Screen("lot", "/lots/{lot}", "Sol", "/lots/UL-2603"),
    Screen("lot-new", "/lots/new", "Sol", "/lots/new"),
    Screen("lot-known-kind", "/lots/new/known", "Sol", "/lots/new/known"),
    Screen("lot-known", "/lots/new/known", "Sol", "/lots/new/known?kind=chlorine-ph-duo&levels=5"),
    Screen("draft-known", "/lots/drafts/{draft}", "Sol", _draft_known),
    Screen("draft", "/lots/drafts/{draft}", "Sol", _draft),
    Screen("draft-with-photo", "/lots/drafts/{draft}", "Sol", _draft_with_photo),
    Screen("drafts", "/lots/drafts", "Sol", "/lots/drafts"),
    Screen("studies", "/studies", "Sol", "/studies"),
    Screen("study-new", "/studies/new", "Sol", "/studies/new"),
    Screen("study", "/studies/{study}", "Sol", _study),
    Screen("point-admin", "/points-admin/{point}", "Sol", "/points-admin/bench 1"),
    Screen("new-phone", "/people/pair", "Sol", _new_phone),
    Screen("labels-made", "/labels", "Sol", "/labels?address=http%3A%2F%2F192.0.2.10%3A8471"),
    Screen("points-admin", "/points-admin", "Sol", "/points-admin"),
    Screen("labels", "/labels", "Sol", "/labels"),
    Screen("people", "/people", "Sol", _phones),
    Screen("card", "/card", "Sol", "/card"),
    Screen("checks", "/checks/{lot}", "Sol", "/checks/UL-2603"),
    Screen("no-such-page", "", "Ines", "/no-such-page"),
)
# Pictures, files and what a script asks for; the report has a look of its own.
NO_SCREEN = {
    "/app.webmanifest",
    "/favicon.ico",
    "/worker.js",
    "/card/card.pdf",
    "/jobs/{job}/picture",
    "/jobs/{job}/state",
    "/log/{entry:int}/photos/{sha256}",
    "/lots/drafts/{draft}/state",
    "/more/export.zip",
    "/more/report",
    "/points/{name:path}/figure.png",
    "/studies/{study}/report",
    "/studies/{study}/sheet",
}
