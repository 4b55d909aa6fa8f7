"""A study on the page: planned and sealed, led strip by strip, judged once all is done; nothing shown before."""

import re
from io import BytesIO

import pytest
from pypdf import PdfReader

from stripread.records import open_records, study_standing
from stripread.study import find_study
from tests.web.conftest import SAMPLE, csrf_of

PLAN = {
    "study": "may",
    "lot": "UL-2603",
    "stock": "second sachet",
    "strength": "100",
    "method": "titration",
    "people": "Ada, Ben",
    "phones": "A, B",
    "lights": "window, bench",
    "sessions": "1",
    "bias": "12",
    "sample": "line",
    "form": "short",
}


@pytest.fixture
def sol(signed_in):
    return signed_in("Sol")


def post(client, path, page="/studies/new", **fields):
    files = fields.pop("files", None)
    return client.post(path, data={"csrf": csrf_of(client.get(page).text), **fields}, files=files)


def enter(client, **fields):
    return post(client, "/studies/may/enter", page="/studies/may", **fields)


@pytest.fixture
def planned(sol):
    answer = post(sol, "/studies/new", **PLAN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/studies/may")
    return sol


def strips(site):
    return find_study(site, "may").plan().strips


def entered(site):
    with open_records(site) as records:
        return [entry.payload for entry in records.entries(kind="study", limit=1000)]


def test_a_plan_is_sealed_and_in_the_record_before_anything_is_dipped(planned, site):
    (payload,) = entered(site)
    plan = find_study(site, "may").plan()
    assert payload["event"] == "planned"
    assert payload["truth_sha256"] == plan.truth_sha256
    assert (plan.aims.low, plan.aims.high) == (0.22, 0.5)
    page = planned.get("/studies/may").text
    assert f"<strong>{plan.strips[0].code}</strong>" in page
    assert "15 strips cannot show" in page
    assert "may" in planned.get("/studies").text


def test_the_sheets_are_printed_and_only_the_sealed_one_tells_strengths(planned, site):
    codes = [strip.code for strip in strips(site)]

    def words(which):
        answer = planned.get(f"/studies/may/sheet?which={which}")
        assert answer.headers["content-type"] == "application/pdf"
        return " ".join(page.extract_text() for page in PdfReader(BytesIO(answer.content)).pages)

    assert all(code in words("strips") for code in codes)
    assert "blank" not in words("strips").split("What the study must show")[0]
    assert "blank" in words("mixing")
    assert "SEALED" in words("mixing")


def test_it_leads_from_the_dip_to_the_eyes_to_the_photos(planned, site):
    code = strips(site)[0].code
    page = planned.get("/studies/may").text
    assert "Dipped now" in page
    assert 'name="photo"' not in page
    assert enter(planned, what="dipped", code=code).status_code == 303
    page = planned.get("/studies/may").text
    assert "Ada reads" in page
    assert "Ben reads" in page
    assert 'name="photo"' not in page
    enter(planned, what="eye", code=code, who="Ada", value="0.5")
    page = planned.get("/studies/may").text
    assert "Ada reads" not in page
    assert "Ben reads" in page
    assert 'value="0.5"' not in page  # what the one reads is shown to nobody
    enter(planned, what="eye", code=code, who="Ben", value="0,3")
    page = planned.get("/studies/may").text
    assert 'name="photo"' in page
    assert [e.value for e in find_study(site, "may").state().events if e.kind == "eye"] == [0.5, 0.3]
    assert [p["event"] for p in entered(site)] == ["eye", "eye", "dipped", "planned"]


def test_a_photo_is_read_and_its_value_shown_to_nobody(planned, site):
    code = strips(site)[0].code
    for fields in (
        {"what": "dipped"},
        {"what": "eye", "who": "Ada", "value": "1"},
        {"what": "eye", "who": "Ben", "value": "1"},
    ):
        enter(planned, code=code, **fields)
    sent = {"photo": ("a.jpg", SAMPLE.read_bytes(), "image/jpeg")}
    answer = post(planned, "/studies/may/photo", page="/studies/may", code=code, number="1", files=sent)
    assert answer.status_code == 303
    (event,) = (e for e in find_study(site, "may").state().events if e.kind == "photo")
    assert event.result.estimate == pytest.approx(0.37, abs=0.01)
    assert (find_study(site, "may").photos / event.file).read_bytes() == SAMPLE.read_bytes()
    assert "0.37" not in planned.get("/studies/may").text
    again = post(planned, "/studies/may/photo", page="/studies/may", code=code, number="2", files=sent)
    assert again.status_code == 400
    assert "has already" in again.text


def test_a_photo_before_the_eyes_is_not_taken(planned, site):
    code = strips(site)[0].code
    enter(planned, what="dipped", code=code)
    sent = {"photo": ("a.jpg", SAMPLE.read_bytes(), "image/jpeg")}
    answer = post(planned, "/studies/may/photo", page="/studies/may", code=code, number="1", files=sent)
    assert answer.status_code == 400
    assert "nothing from Ada, Ben" in answer.text
    assert len(find_study(site, "may").state().events) == 1


def test_it_is_judged_once_all_is_done_and_the_lot_says_so(planned, site):
    assert post(planned, "/studies/may/close", page="/studies/may").status_code == 400
    assert planned.get("/studies/may/report").status_code == 404
    first, *others = strips(site)
    enter(planned, what="dipped", code=first.code)
    for who in ("Ada", "Ben"):
        enter(planned, what="eye", code=first.code, who=who, value="0.4")
    sent = {"photo": ("a.jpg", SAMPLE.read_bytes(), "image/jpeg")}
    post(planned, "/studies/may/photo", page="/studies/may", code=first.code, number="1", files=sent)
    for photo in first.photos[1:]:
        enter(planned, what="skipped", code=first.code, number=str(photo.number), why="enough")
    for strip in others:
        enter(planned, what="skipped", code=strip.code, why="spilt")
    assert "All strips are done" in planned.get("/studies/may").text
    for which in ("start", "middle", "end"):
        enter(planned, what="assay", which=which, value="100", u="1.5")
    page = planned.get("/studies/may").text
    assert "Open the truth and judge" in page
    assert post(planned, "/studies/may/close", page="/studies/may").status_code == 303
    page = planned.get("/studies/may").text
    assert re.search(r"✘ FAIL|\? TOO FEW", page)
    report = planned.get("/studies/may/report?form=html")
    assert report.status_code == 200
    assert "spilt" in report.text
    assert planned.get("/studies/may/report").headers["content-type"] == "application/pdf"
    assert "the study of" in planned.get("/lots/UL-2603").text
    with open_records(site) as records:
        assert study_standing(records, "UL-2603", find_study(site, "may").plan().lot_sha256).outcome != "pass"


def test_a_lot_without_a_study_says_so(sol):
    assert "Not proven here" in sol.get("/lots/UL-2603").text


def test_what_is_wrong_with_a_plan_is_said(sol, site):
    for field, wrong in (("people", "Ada"), ("study", "a b"), ("lot", "CP-2602"), ("strength", "none")):
        answer = post(sol, "/studies/new", **{**PLAN, field: wrong})
        assert answer.status_code == 400, field
    assert not (site / "studies").exists() or not list((site / "studies").glob("*/plan.json"))


def test_unknown_studies_are_not_found(sol):
    for path in ("/studies/none", "/studies/none/sheet", "/studies/..%2F..", "/studies/sealed"):
        assert sol.get(path).status_code == 404, path
