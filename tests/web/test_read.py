"""The guided reading, from the point to the verdict, over HTTP. The photo is a simulated sample."""

import json
import re
import time

from stripread.records import ReadingFilter, open_records
from stripread.units import kept_shown
from tests.web.conftest import ROOT, SAMPLE, csrf_of


def upload(client, point="bench 1", *, data=None, key="a" * 32, lot="UL-2603", **more):
    token = csrf_of(client.get(f"/read/{point}").text)
    return client.post(
        f"/read/{point}/photo",
        data={"csrf": token, "key": key, "lot": lot, "flushed_s": "70", "waited_s": "20", **more},
        files={"photo": ("../../etc/passwd.jpg", SAMPLE.read_bytes() if data is None else data, "image/jpeg")},
    )


def answer(client, where: str, patience: float = 180.0) -> str:
    until = time.monotonic() + patience
    while time.monotonic() < until:
        if client.get(f"{where}/state").json()["done"]:
            return client.get(where).text
        time.sleep(0.2)
    raise AssertionError("not read in time")


def test_the_guide_says_which_strip_and_how_to_dip(signed_in):
    client = signed_in("Ines")
    assert "bench 1" in client.get("/read").text
    page = client.get("/read/bench 1").text
    assert "UL-2603" in page
    assert "WR-2601" not in page  # the wide strips are not for the line
    assert "60 seconds" in page
    assert "swirl it gently" in page
    tank = client.get("/read/tank").text
    assert "hold it still" in tank
    assert "gas irritates" in tank


def test_a_photo_becomes_a_verdict_and_an_entry(signed_in, site):
    client = signed_in("Ines")
    sent = upload(client)
    assert sent.status_code == 303
    page = answer(client, sent.headers["location"])
    assert "WITHIN RANGE" in page
    assert "0.37 mg/L" in page
    assert "95 % interval" in page
    assert client.get(f"{sent.headers['location']}/picture").headers["content-type"] == "image/jpeg"
    with open_records(site) as records:
        (reading,) = records.readings(ReadingFilter(point="bench 1"))
    assert reading.entry.who == "Ines"
    assert reading.entry.payload["how"]["flushed_s"] == 70
    assert "passwd" not in reading.entry.files[0].name


def test_the_same_upload_sent_twice_is_one_reading(signed_in, site):
    client = signed_in("Ines")
    first, second = upload(client), upload(client)
    assert first.headers["location"] == second.headers["location"]
    answer(client, first.headers["location"])
    third = upload(client)
    assert third.headers["location"] == first.headers["location"]
    with open_records(site) as records:
        assert len(records.readings(ReadingFilter(point="bench 1"))) == 1


def test_another_photo_from_the_same_form_is_another_reading(signed_in, site):
    """Whoever goes back in the browser and chooses a better photo sends it with the key of the first."""
    client = signed_in("Ines")
    first, second = upload(client), upload(client, data=(SAMPLE.parent / "line-low.jpg").read_bytes())
    assert first.headers["location"] != second.headers["location"]
    assert "0.37 mg/L" in answer(client, first.headers["location"])
    assert "0.11 mg/L" in answer(client, second.headers["location"])
    with open_records(site) as records:
        assert len(records.readings(ReadingFilter(point="bench 1"))) == 2


def test_a_bad_photo_says_what_to_change_and_is_not_recorded(signed_in, site):
    client = signed_in("Ines")
    page = answer(client, upload(client, data=b"no photo at all").headers["location"])
    assert "NOT READ" in page
    assert "Read again here" in page
    with open_records(site) as records:
        assert records.readings() == []


def test_a_lot_is_a_name_of_the_site_and_never_a_path(signed_in):
    client = signed_in("Ines")
    assert upload(client, lot="../site/UL-2603/lot.json").status_code == 400


def test_another_technician_cannot_see_the_job_and_a_supervisor_can(signed_in, client):
    where = upload(signed_in("Ines")).headers["location"]
    answer(client, where)
    people = client.app.state.people
    people.add("Ola", "technician", "other-582")
    client.cookies.clear()
    from tests.web.conftest import sign_in

    sign_in(client, "Ola", "other-582")
    assert client.get(where).status_code == 404
    client.cookies.clear()
    sign_in(client, "Sol")
    assert client.get(where).status_code == 200


def test_a_restart_finishes_what_was_accepted(site):
    from starlette.testclient import TestClient

    from stripread.web import Settings, create_app
    from tests.web.conftest import sign_in

    first = create_app(Settings(folder=site, workers=1))
    with TestClient(first, follow_redirects=False) as client:
        sign_in(client, "Ines")
        first.state.queue._tasks[0].cancel()  # nothing is read any more, as if the machine were about to go down
        where = upload(client).headers["location"]
        assert not client.get(f"{where}/state").json()["done"]
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        assert "WITHIN RANGE" in answer(client, where)


def test_a_flash_pair_is_read_as_one(signed_in, site):
    """With the same photo twice there is no flash in the difference: told, and nothing is recorded."""
    client = signed_in("Ines")
    token = csrf_of(client.get("/read/bench 1").text)
    photo = SAMPLE.read_bytes()
    sent = client.post(
        "/read/bench 1/photo",
        data={"csrf": token, "key": "f" * 32, "lot": "UL-2603"},
        files={"photo": ("a.jpg", photo, "image/jpeg"), "flash": ("b.jpg", photo, "image/jpeg")},
    )
    page = answer(client, sent.headers["location"])
    assert "NOT READ" in page
    assert "flash" in page
    with open_records(site) as records:
        assert records.readings() == []


def test_a_second_strip_is_held_against_the_first(signed_in, site):
    client = signed_in("Ines")
    first = upload(client).headers["location"]
    page = answer(client, first)
    assert f"?beside={first.rsplit('/', 1)[1]}" in page
    assert "both must agree" in client.get(f"/read/bench 1?beside={first.rsplit('/', 1)[1]}").text
    low = (SAMPLE.parent / "line-low.jpg").read_bytes()  # of water with 0.12 mg/L, where the first has 0.35
    second = upload(client, key="b" * 32, data=low, beside=first.rsplit("/", 1)[1])
    page = answer(client, second.headers["location"])
    assert "replicates_disagree" in page
    assert "DOUBTFUL" in page
    alone = answer(client, upload(client, key="c" * 32, data=low, beside="0" * 32).headers["location"])
    assert "replicates_disagree" not in alone


def test_two_strips_that_agree_are_read_together(signed_in, site):
    client = signed_in("Ines")
    series = ROOT / "calibration" / "UL-2603"
    strips = [(series / f"level03-strip{strip}-light1.jpg").read_bytes() for strip in (1, 2)]
    first = upload(client, data=strips[0]).headers["location"]
    answer(client, first)
    second = upload(client, key="b" * 32, data=strips[1], beside=first.rsplit("/", 1)[1]).headers["location"]
    page = answer(client, second)
    assert "Both together" in page
    said = json.loads((site / "inbox" / f"{second.rsplit('/', 1)[1]}.answer.json").read_text("utf-8"))
    one, both = said["both"]

    def width(words):
        low, high = re.search(r"interval ([\d.]+) to ([\d.]+)", str(kept_shown(words))).groups()
        return float(high) - float(low)

    assert width(both["pads"][0]) < width(one["pads"][0])
    assert str(kept_shown(both["words"])) == "WITHIN RANGE"
