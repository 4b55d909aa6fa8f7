"""Today's page and a point's trend: what they show to whom, from readings entered straight into the record."""

import json
import re
import shutil
from datetime import datetime, timedelta

from starlette.testclient import TestClient

from stripread.records import Point, Stamp, open_records
from stripread.web import Settings, create_app
from tests.unit.made_records import made_pad, made_payload
from tests.web.conftest import sign_in


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
    enter(site, 220.0, point="tank", sample="stock")
    page = signed_in("Ines").get("/").text
    assert due_in(page) == []
    assert "✔ Nothing is due." in page


def test_points_stand_with_their_latest_reading_its_interval_and_verdict(signed_in, site):
    enter(site, 0.30, days=1)
    enter(site, 0.26)
    page = signed_in("Ines").get("/").text
    assert "0.26 mg/L" in page
    assert re.findall(r"<b>(0\.\d+ mg/L)</b>", page) == ["0.26 mg/L"]
    assert page.count("0.30 mg/L") == 1  # small, among the latest
    assert "95 % interval 0.20 to 0.32" in page
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


def test_a_trend_is_a_picture_and_the_same_in_a_table(signed_in, site):
    enter(site, 0.31, days=40)
    entries = [enter(site, 0.20 + 0.02 * day, days=5 - day) for day in range(5)]
    client = signed_in("Gus")
    page = client.get("/points/bench 1").text
    rows = re.findall(r"<td>(0\.\d+ mg/L)</td><td>(.*?)</td>", page)
    assert rows[0] == ("0.28 mg/L", "0.22 to 0.34")
    assert len(rows) == 5  # not the one of forty days ago
    assert f'href="/log/{entries[0].seq}"' in page
    assert "0.22 to 0.5 mg/L" in page
    assert 'href="/read' not in page  # a grower looks on
    picture = client.get("/points/bench 1/figure.png")
    assert picture.headers["content-type"] == "image/png"
    assert picture.content.startswith(b"\x89PNG")
    assert picture.content != client.get("/points/bench 1/figure.png?days=90").content
    assert "0.31 mg/L" in client.get("/points/bench 1?days=90").text


def test_a_point_without_readings_says_so_and_an_unknown_one_is_none(signed_in, site):
    enter(site, point="house/2 bench", days=60)
    client = signed_in("Ines")
    assert "Nothing was ever read here." in client.get("/points/tank").text
    assert 'href="/read/tank"' in client.get("/points/tank").text
    assert "The last reading:" in client.get("/points/house/2 bench").text
    for path in ("/points/nowhere", "/points/tank/figure.png", "/points/house/2 bench/figure.png"):
        assert client.get(path).status_code == 404, path
    assert client.get("/points/tank?days=1000000000").status_code == 400


def test_where_a_point_goes_is_told_where_its_readings_show_it(signed_in, site):
    for day in range(8):
        enter(site, 0.20 + 0.05 * day, days=8 - day)
    page = signed_in("Gus").get("/").text
    assert "↗" in page
    assert re.search(r"rising, by about 0\.35 mg/L \(0\.\d+ to 0\.\d+\)", page)
    assert "8 readings since" in page
    assert "The latest:" not in page


def test_readings_that_tell_no_course_are_shown_by_themselves(signed_in, site):
    for day, value in enumerate((0.20, 0.31, 0.22)):
        enter(site, value, days=3 - day)
    page = signed_in("Gus").get("/").text
    found = re.search(r"The latest:(.*?)</small>", page, re.DOTALL)[1]
    assert re.findall(r"0\.\d+ mg/L", found) == ["0.20 mg/L", "0.31 mg/L", "0.22 mg/L"]
    assert len(re.findall(r"mg/L \(0\.\d+ to 0\.\d+\)", found)) == 3  # each with its interval
    assert "rising" not in page
    assert "steady" not in page


def test_an_empty_trend_tells_the_last_reading_whole(signed_in, site):
    enter(site, 0.26, days=60)
    page = signed_in("Gus").get("/points/bench 1").text
    assert "The last reading:" in page
    assert "0.26 mg/L" in page
    assert "95 % interval 0.20 to 0.32" in page
    assert "WITHIN RANGE" in page


def test_whoever_looks_after_several_sites_sees_them_in_one_view(site, tmp_path):
    south = shutil.copytree(site, tmp_path / "south")
    (south / "site.toml").write_text((south / "site.toml").read_text().replace('name = "', 'name = "South of ', 1))
    enter(south, 0.05, state="below")
    gone = shutil.copytree(site, tmp_path / "gone")
    settings = Settings(folder=site, also=(south, gone), workers=1)
    with TestClient(create_app(settings), follow_redirects=False) as client:
        (gone / "site.toml").write_text("name = ")
        for name, sees in (("Sol", True), ("Gus", True), ("Ines", False)):
            client.cookies.clear()
            sign_in(client, name)
            page = client.get("/").text
            assert ("South of" in page) == sees
            assert ("CANNOT BE READ" in page) == sees  # and the others are shown
        client.cookies.clear()
        sign_in(client, "Sol")
        page = client.get("/").text
        assert "bench 1" in page[page.index("South of") :]


def test_one_sentence_tells_how_the_points_stand_and_the_worst_comes_first(signed_in, site):
    enter(site, 220.0, point="tank", sample="stock")
    enter(site, 0.30, days=3)
    enter(site, 0.06, state="below", days=2)
    enter(site, 0.05, state="below")
    since = (datetime.now().astimezone() - timedelta(days=2)).strftime("%Y-%m-%d")
    for name in ("Gus", "Ines"):
        page = signed_in(name).get("/").text
        sentence = re.search(r'<p class="sentence">(.*?)</p>', page, re.DOTALL)[1]
        assert f"1 of 2 in order; bench 1 too low since {since}" in sentence
        assert page.index('href="/points/bench%201"') < page.index('href="/points/tank"')
    assert page.count('class="spark"') == 1  # of one reading no line is drawn


def test_a_point_that_nobody_read_for_days_is_not_in_order(signed_in, site):
    enter(site, 0.30, days=5)
    enter(site, 220.0, point="tank", sample="stock")
    page = signed_in("Gus").get("/").text
    assert "1 of 2 in order; bench 1 not read since" in page
    enter(site, 0.30)
    assert "All 2 points are in order." in signed_in("Gus").get("/").text


def test_forty_points_are_a_short_page(signed_in, site):
    with open_records(site) as records:
        for order in range(38):
            point = Point(name=f"outlet {order}", sample="line", line="west", order=order, flush_min=1.0)
            records.add_point(point, Stamp(at=datetime.now().astimezone(), who="Sol"))
    for order in range(38):
        for days in (2, 1, 0):
            enter(site, 0.30, point=f"outlet {order}", days=days)
    answer = signed_in("Gus").get("/")
    assert "38 of 40 in order;" in answer.text
    assert "bench 1 never read" in answer.text
    assert answer.text.count('class="spark"') == 38
    assert len(answer.content) < 60_000
