"""The log: pages, filters, one reading whole, its kept photo, notes; with readings entered straight into the record."""

import re
from datetime import datetime, timedelta

from stripread.records import Stamp, open_records
from stripread.web.security import SESSION_COOKIE
from tests.unit.made_records import made_pad, made_payload
from tests.web.conftest import SAMPLE, csrf_of

NOW = datetime(2026, 5, 20, 9, 0).astimezone()


def enter(site, count=1, *, point="bench 1", sample="line", photo=False, findings=(), validity="valid", state="within"):
    """Enter readings, an hour apart, the latest last; return their entries."""
    entries = []
    with open_records(site) as records:
        for number in range(count):
            at = NOW + timedelta(hours=number)
            pads = [{**made_pad(0.2 + 0.01 * number), "range_state": state}]
            payload = made_payload(point=point, sample=sample, taken=at, validity=validity, pads=pads)
            files = ()
            if photo:
                files = (records.keep("photo", SAMPLE.read_bytes(), "../../evil.jpg", suffix=".jpg"),)
            stamp = Stamp(at=at, who="Ines")
            entries.append(records.add_reading({**payload, "findings": list(findings)}, files=files, stamp=stamp))
    return entries


def entries_in(page):
    return [int(seq) for seq in re.findall(r'class="choice" href="/log/(\d+)"', page)]


def test_pages_go_on_from_the_last_entry_and_keep_the_filter(signed_in, site):
    seqs = [entry.seq for entry in enter(site, 45)]
    enter(site, 2, point="tank", sample="stock")
    client = signed_in("Gus")
    where, seen = "/log?point=bench+1", []
    for _ in range(3):
        page = client.get(where).text
        seen += entries_in(page)
        older = re.search(r'href="([^"]+)" rel="next"', page)
        where = older[1].replace("&amp;", "&") if older else None
    assert where is None
    assert seen == seqs[::-1]


def test_filters_leave_the_rest_out(signed_in, site):
    (good,), (bad,) = enter(site), enter(site, point="tank", sample="stock", validity="doubtful")
    client = signed_in("Ines")
    assert set(entries_in(client.get("/log").text)) == {good.seq, bad.seq}
    for only in ("point=tank", "sample=stock", "validity=doubtful", "point=tank&from=2026-05-20&to=2026-05-20"):
        assert entries_in(client.get(f"/log?{only}").text) == [bad.seq], only
    for none in ("from=2026-05-21", "to=2026-05-19", "point=nowhere"):
        assert entries_in(client.get(f"/log?{none}").text) == [], none


def test_readings_with_findings_are_found_by_weight_and_by_what_they_are(signed_in, site):
    bad = {"code": "off_curve", "severity": "error", "message": "x", "advice": "y"}
    low = {"code": "below_lod", "severity": "info", "message": "x", "advice": "y"}
    (plain,), (wrong,), (little,) = enter(site), enter(site, findings=[low, bad, bad]), enter(site, findings=[low])
    with open_records(site) as records:
        (gone,) = enter(site, findings=[bad])
        records.correct(gone.seq, why="not ours", withdraw=True, stamp=Stamp(at=NOW, who="Sol"))
    client = signed_in("Gus")
    assert "/log?serious=yes" in client.get("/").text
    page = client.get("/log").text
    assert set(entries_in(page)) == {plain.seq, wrong.seq, little.seq}
    assert re.findall(r'<option value="(below_lod|off_curve)">(.*?)</option>', page) == [
        ("below_lod", "The colour cannot be told from a blank."),
        ("off_curve", "The pad&#39;s colour is none that this lot shows at any concentration."),
    ]
    assert 'value="photo_dark"' not in page  # none was ever found
    page = client.get("/log?serious=yes").text
    assert entries_in(page) == [wrong.seq]
    assert page.count("▲ The pad&#39;s colour is none") == 1
    assert entries_in(client.get("/log?finding=below_lod").text) == [little.seq, wrong.seq]
    assert entries_in(client.get("/log?finding=below_lod&serious=yes").text) == [wrong.seq]
    assert entries_in(client.get("/log?finding=photo_dark").text) == []
    for wrong in ("finding=none_such", "serious=no"):
        assert client.get(f"/log?{wrong}").status_code == 400


def test_what_cannot_be_a_filter_is_refused(signed_in, site):
    enter(site)
    client = signed_in("Ines")
    for wrong in ("validity=fine", "from=31/05/2026", "to=0001-01-01", "before=0", "before=99", "point=%00",
                  "before=99999999999999999999", "point=" + 300 * "a"):  # fmt: skip
        assert client.get(f"/log?{wrong}").status_code == 400, wrong
    for nowhere in ("/log/0", "/log/1", "/log/99", "/log/99999999999999999999", "/log/x"):  # 1 is the site's own entry
        assert client.get(nowhere).status_code == 404, nowhere


def test_a_reading_shows_its_findings_and_what_to_do(signed_in, site):
    said = {"code": "out_of_range", "severity": "warning", "message": "95 % <b>low</b>.", "advice": "Read another."}
    (entry,) = enter(site, findings=[said], state="below")
    page = signed_in("Gus").get(f"/log/{entry.seq}").text
    assert "TOO LOW" in page
    assert "0.20 mg/L" in page
    assert "▲ Warning" in page
    assert "95 % &lt;b&gt;low&lt;/b&gt;." in page
    assert "Read another." in page
    assert 'href="/points/bench%201"' in page


def test_the_chain_of_corrections_is_shown_at_each_of_its_entries(signed_in, site):
    (first,) = enter(site)
    with open_records(site) as records:
        second = records.correct(
            first.seq, why="wrong bench", changes={"point": "tank"}, stamp=Stamp(at=NOW, who="Sol")
        )
        last = records.correct(second.seq, why="not ours", withdraw=True, stamp=Stamp(at=NOW, who="Sol"))
    client = signed_in("Ines")
    for seq in (first.seq, second.seq, last.seq):
        page = client.get(f"/log/{seq}").text
        assert "wrong bench" in page, seq
        assert "not ours" in page, seq
    assert "It holds no longer." in client.get(f"/log/{first.seq}").text
    assert "takes back" in client.get(f"/log/{last.seq}").text
    assert entries_in(client.get("/log").text) == []


def test_the_photo_comes_from_the_record_and_only_as_it_was_kept(signed_in, site):
    (entry,) = enter(site, photo=True)
    client, (file,) = signed_in("Gus"), entry.files
    where = f"/log/{entry.seq}/photos/{file.sha256}"
    assert where in client.get(f"/log/{entry.seq}").text
    answer = client.get(where)
    assert answer.content == SAMPLE.read_bytes()
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "evil" not in str(answer.headers)
    other = enter(site)[0].seq
    for wrong in (f"/log/{other}/photos/{file.sha256}", f"/log/{entry.seq}/photos/{64 * '0'}",
                  f"/log/{entry.seq}/photos/..%2F..%2Fsite.toml"):  # fmt: skip
        assert client.get(wrong).status_code == 404, wrong
    (site / file.path).write_bytes(b"another")
    answer = client.get(where)
    assert answer.status_code == 400
    assert str(site) not in answer.text


def test_a_note_is_entered_once_by_whoever_wrote_it(signed_in, site):
    (entry,) = enter(site)
    client, where = signed_in("Ines"), f"/log/{entry.seq}/notes"
    csrf = csrf_of(client.get(f"/log/{entry.seq}").text)
    for _ in range(2):
        assert client.post(where, data={"csrf": csrf, "text": "valve <stuck>\nopened"}).status_code == 303
    with open_records(site) as records:
        (noted,) = records.notes(about=entry.seq)
    assert (noted.said.text, noted.entry.who) == ("valve <stuck>\nopened", "Ines")
    assert "valve &lt;stuck&gt;" in client.get(f"/log/{entry.seq}").text
    assert client.post(where, data={"csrf": csrf, "text": "  "}).status_code == 400
    assert client.post(where, data={"csrf": csrf, "text": 2001 * "a"}).status_code == 400
    assert client.post(where, data={"text": "no token"}).status_code == 403
    assert client.post("/log/99/notes", data={"csrf": csrf, "text": "a"}).status_code == 404


def test_a_grower_writes_no_notes(signed_in, site):
    (entry,) = enter(site)
    client = signed_in("Gus")
    assert "<form" not in client.get(f"/log/{entry.seq}").text
    session = client.app.state.people.session(client.cookies[SESSION_COOKIE], now=datetime.now().astimezone())
    csrf = session.csrf  # the right one: it is the role that is refused
    assert client.post(f"/log/{entry.seq}/notes", data={"csrf": csrf, "text": "a"}).status_code == 403
