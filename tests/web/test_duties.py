"""Actions, events and tanks on the page."""

from datetime import datetime, timedelta

import pytest

from stripread.records import Point, Stamp, open_records
from tests.web.test_batches import make, post

NOW = datetime.now().astimezone()


@pytest.fixture
def wrong(signed_in, site):
    """Enter a reading that is out of range; return the page's client and the entry's number."""
    with open_records(site) as records:
        records.add_point(Point(name="bench-7", sample="line", line="east", order=1), Stamp(at=NOW, who="Sol"))
    client = signed_in("Ines")
    sent = post(client, "/measure", point="bench-7", analyte="chlorine dioxide", value="0.05 mg/L u 0.01")
    return client, sent.headers["location"].split("/")[-1]


def test_an_action_is_opened_at_a_finding_and_closed_by_a_good_reading(wrong):
    client, entry = wrong
    assert "Open a corrective action" in client.get(f"/log/{entry}").text
    by = (NOW + timedelta(days=1)).date().isoformat()
    said = {"code": "out_of_range", "what": "clean the injector", "owner": "Ines", "by": by}
    for _ in range(2):  # sent twice, entered once
        assert post(client, f"/log/{entry}/actions", **said).headers["location"] == "/actions"
    page = client.get("/actions").text
    assert page.count("clean the injector") == 1
    assert "OPEN" in page
    assert "clean the injector" in client.get("/").text
    number = page.split('action="/actions/')[1].split("/")[0]
    refused = post(client, f"/actions/{number}/done", what="done", reading=entry)
    assert refused.status_code == 400
    assert "not later" in refused.text
    sent = post(client, "/measure", point="bench-7", analyte="chlorine dioxide", value="0.35 mg/L u 0.01")
    good = sent.headers["location"].split("/")[-1]
    assert post(client, f"/actions/{number}/done", what="cleaned", reading=good).status_code == 303
    assert "DONE" in client.get("/actions").text
    assert "clean the injector" not in client.get("/").text


def test_a_shock_treatment_is_not_over_until_all_is_ticked(wrong):
    client, _ = wrong
    said = {"type": "shock", "what": "50 mg/L for an hour", "line": "east"}
    for _ in range(2):
        assert post(client, "/events", **said).status_code == 303
    page = client.get("/events").text
    assert page.count("Not over") == 1
    assert "licensed practice" in page
    assert "Let no crop have this water" in client.get("/").text
    number = page.split('action="/events/')[1].split("/")[0]
    for check in ("line rinsed", "crop off the line"):
        assert post(client, f"/events/{number}/tick", check=check).status_code == 303
    assert "Not over" not in client.get("/events").text
    assert post(client, f"/events/{number}/tick", check="line rinsed").status_code == 400


def test_a_tank_tells_its_batch_what_is_left_and_that_it_was_emptied(signed_in, site):
    make(site)
    client = signed_in("Ines")
    made = {"id": "S-1", "concentrate": "C-14", "add": "20 L", "water": "17 L", "tank": "blue tank"}
    assert post(client, "/batches/stock", **made).status_code == 303
    page = client.get("/tanks").text
    assert "blue tank" in page
    assert "S-1" in page
    assert "37 L" in page  # 20 + 17
    assert post(client, "/tanks", tank="blue tank", what="discarded", volume="7 L").status_code == 303
    assert "30 L" in client.get("/tanks").text
    assert post(client, "/tanks", tank="blue tank", what="emptied").status_code == 303
    assert "Empty." in client.get("/tanks").text


def test_a_grower_looks_on(signed_in):
    client = signed_in("Gus")
    assert client.get("/actions").status_code == 200
    assert '<form method="post" action="/events">' not in client.get("/events").text
    assert client.get("/tanks").status_code == 403
