"""Today's page and a point's trend: what they show to whom, from readings entered straight into the record."""

import json
import re
from datetime import datetime, timedelta

from stripread.records import Stamp, open_records
from tests.unit.made_records import made_pad, made_payload


def enter(site, value=0.26, *, point="bench 1", state="within", validity="valid", sample="line", days=0.0, **more):
    """Enter a reading as if it was taken so many days ago; return its entry."""
    at = datetime.now().astimezone() - timedelta(days=days)
    pad = {**made_pad(value), "range_state": state}
    payload = {**made_payload(point=point, sample=sample, taken=at, validity=validity, pads=[pad]), **more}
    with open_records(site) as records:
        return records.add_reading(payload, files=(), stamp=Stamp(at=at, who="Ines"))


def due_in(page):
    return re.findall(r'<p class="urgency">(.*?)</p>', page)


def test_today_says_what_is_due_in_word_and_sign_and_leads_to_it(signed_in, site):
    enter(site, 0.05, state="below")
    page = signed_in("Ines").get("/").text
    first, *others = due_in(page)
    assert "▲" in first
    assert "NOW: bench 1" in first
    assert any("○" in one and "TODAY: tank" in one for one in others)
    assert 'href="/read/tank"' in page
    assert 'href="/read/bench%201"' in page
    assert 'href="/read"' in page


def test_the_entry_that_is_wrong_is_linked(signed_in, site):
    entry = enter(site, 0.05, state="below")
    assert f'href="/log/{entry.seq}"' in signed_in("Ines").get("/").text


def test_nothing_is_due_where_all_was_read_well_today(signed_in, site):
    enter(site)
    enter(site, 300.0, point="tank", sample="stock")
    page = signed_in("Ines").get("/").text
    assert due_in(page) == []
    assert "✔ Nothing is due." in page


def test_points_stand_with_their_latest_reading_its_interval_and_verdict(signed_in, site):
    enter(site, 0.30, days=1)
    enter(site, 0.26)
    page = signed_in("Ines").get("/").text
    assert "0.26 mg/L" in page
    assert "0.30 mg/L" not in page
    assert "95 % interval 0.21 to 0.31" in page
    assert "WITHIN RANGE" in page
    assert "never read" in page  # the tank
    assert 'href="/points/bench%201"' in page


def test_a_lot_is_the_supervisors_to_look_after(signed_in, site, client):
    lot = site / "UL-2603" / "lot.json"
    said = json.loads(lot.read_text(encoding="utf-8"))
    lot.write_text(json.dumps({**said, "expires": "2026-01-01"}), encoding="utf-8")
    enter(site, lot=said["number"])
    page = signed_in("Ines").get("/").text
    assert "NOW: lot UL-2603" in due_in(page)[0]
    assert "Tell your supervisor." in page
    client.cookies.clear()
    page = signed_in("Sol").get("/").text
    assert "Tell your supervisor." not in page
    assert page.count('href="/lots"') > 1  # not only among the pages


def test_what_a_point_is_called_is_shown_as_text(signed_in, site):
    enter(site, point="<script>x</script>", days=0.01)
    page = signed_in("Ines").get("/").text
    assert "<script>x" not in page
    assert "&lt;script&gt;x" in page


def test_a_grower_sees_the_points_and_nothing_to_do(signed_in, site):
    enter(site, 0.05, state="below")
    page = signed_in("Gus").get("/").text
    assert "0.050 mg/L" in page
    assert "TOO LOW" in page
    assert due_in(page) == []
    assert 'href="/read' not in page


def test_nobody_sees_it_without_signing_in(client):
    answer = client.get("/")
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")
