"""The card is printed and enrolled on the page; check standards are read there and charted."""

import time
from datetime import date, datetime, timedelta, timezone

from starlette.testclient import TestClient

from stripread.lot import load_record
from stripread.photo import open_photo_bytes
from stripread.records import open_records, verify_records
from stripread.report import check_cells
from stripread.site import load_site, resolve_card
from stripread.web import Settings, create_app
from stripread.web.calibration import measuring
from stripread.workflow import KnownDilution, check_standard
from tests.web.conftest import ROOT, SAMPLE, csrf_of, sign_in

MEASURED = (ROOT / "calibration" / "card-print-a-measured.csv").read_bytes()


def enrol(client, data=MEASURED, **fields):
    said = {"csrf": csrf_of(client.get("/card").text), "name": "print-b", "measured_on": "2026-03-01", **fields}
    return client.post("/card/enrol", data=said, files={"measured": ("../../../evil.csv", data, "text/csv")})


def check(client, lot="UL-2603", photo=SAMPLE, **fields):
    token = csrf_of(client.get(f"/checks/{lot}").text)
    said = {"csrf": token, "known": "0.35", "u_known": "0.005", **fields}
    return client.post(f"/checks/{lot}", data=said, files={"photo": ("../x.jpg", photo.read_bytes(), "image/jpeg")})


def test_the_card_is_a_pdf_of_either_size(signed_in):
    client = signed_in("Sol")
    for page in ("a4", "letter"):
        answer = client.get(f"/card/card.pdf?page={page}")
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF-")


def test_a_print_is_enrolled_from_what_was_measured(signed_in, site):
    client = signed_in("Sol")
    for wrong in ({"name": "../x"}, {"name": "card-print-a"}, {"measured_on": "yesterday"}, {"data": b""}):
        assert enrol(client, **wrong).status_code == 400, wrong
    refused = enrol(client, data=MEASURED.replace(b"\n", b"\nZ9,1,1,1\n", 1))
    assert refused.status_code == 400
    assert "unknown Z9" in refused.text
    assert not (site / "cards" / "print-b").exists()

    assert enrol(client).status_code == 303
    page = client.get("/card").text
    assert "print-b" in page
    assert "measured on 2026-03-01" in page
    here = load_site(site)
    card, known = resolve_card("print-b", here), resolve_card("card-print-a", here)
    assert [p.lab for p in card.patches] == [p.lab for p in known.patches]
    assert card.enrolment.source == "print-b-measured.txt"
    assert (site / "cards" / "print-b" / "measured.txt").read_bytes() == MEASURED
    with open_records(site) as records:
        (entry,) = records.entries(kind="card_print")
    assert (entry.who, entry.subject, entry.payload["enrolled_by"]) == ("Sol", "print-b", "Sol")
    assert enrol(client).status_code == 400  # the name is taken


def test_a_check_standard_is_read_charted_and_recorded_once(signed_in, site):
    client = signed_in("Sol")
    assert "No check standard was read" in client.get("/checks/UL-2603").text
    done = check(client)
    assert done.status_code == 303
    page = client.get(done.headers["location"]).text
    assert "AGREES with the known value" in page
    assert "95 % interval" in page
    assert "Control chart: no rule is broken; checks that count: 1" in page
    assert "Check standards: no rule is broken; checks that count: 1" in client.get("/lots").text
    assert check(client).headers["location"] == done.headers["location"]  # the same photo is the same check
    (row,) = load_record(site / "UL-2603" / "verification.csv")
    assert row.known == 0.35
    assert row.photo.startswith("check-")
    off = check(client, photo=ROOT / "sample_images" / "line-low.jpg", known="0.8")
    page = client.get(off.headers["location"]).text
    assert "DIFFERS from the known value" in page
    assert "▲ Control chart:" in page
    with open_records(site) as records:
        assert [one.entry.who for one in records.check_standards(lot="UL-2603")] == ["Sol", "Sol"]
        assert verify_records(records).problems == ()


def test_a_check_is_of_the_day_of_the_place_and_not_of_utc(site, monkeypatch):
    monkeypatch.setenv("TZ", "<-13>13")  # another day than UTC's for the most of it
    time.tzset()
    try:
        with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
            sign_in(client, "Sol")
            assert check(client).status_code == 303
            today = datetime.now().astimezone().date().isoformat()
            (row,) = load_record(site / "UL-2603" / "verification.csv")
            assert row.when.utcoffset() == timedelta(hours=-13)
            assert check_cells(row)[0] == today
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_check_is_judged_on_the_day_of_the_place(site, monkeypatch):
    seen = []
    real = check_standard.check_standard
    monkeypatch.setattr(
        check_standard, "check_standard", lambda *a, today, **more: seen.append(today) or real(*a, today=today, **more)
    )
    evening = datetime(2026, 5, 4, 21, 30, 0, 5, tzinfo=timezone(timedelta(hours=-5)))
    photo = open_photo_bytes(SAMPLE.read_bytes(), "x")
    known = KnownDilution(pad="clo2", value=0.35, u=0.005)
    row = measuring.read_check_row(str(site), photo, "UL-2603", known, evening)
    assert seen == [date(2026, 5, 4)]
    assert row.when.isoformat() == "2026-05-04T21:30:00-05:00"


def test_a_check_that_cannot_be_read_says_why_and_is_not_kept(signed_in, site, tmp_path):
    client = signed_in("Sol")
    junk = tmp_path / "junk.jpg"
    junk.write_bytes(b"no photo")
    for photo in (junk, ROOT / "sample_images" / "no-strip.jpg"):
        answer = check(client, photo=photo)
        assert answer.status_code == 400
        assert "What to do" in answer.text
    calibrator = check(client, photo=ROOT / "calibration" / "UL-2603" / "level02-strip1-light1.jpg")
    assert "would agree with itself" in calibrator.text
    for wrong in ({"known": ""}, {"known": "-1"}, {"known": "nan"}, {"u_known": "x"}, {"pad": "ph"}):
        assert check(client, **wrong).status_code == 400, wrong
    assert check(client, lot="CP-2602").status_code == 400  # two pads, and none was named
    assert not list(site.rglob("verification.csv"))
    assert client.get("/checks/..%2Fsite").status_code == 404


def test_they_are_the_supervisors(signed_in, client):
    for name in ("Ines", "Gus"):
        client.cookies.clear()
        sign_in(client, name)
        for path in ("/card", "/card/card.pdf", "/checks/UL-2603"):
            assert client.get(path).status_code == 403
