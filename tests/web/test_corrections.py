"""Corrections on the page: who may, what may be changed, and that the wrong entry stays with the reason."""

from datetime import datetime

import pytest

from stripread.records import Batch, Stamp, open_records, verify_records
from stripread.web.security import SESSION_COOKIE
from tests.listed import each
from tests.web.conftest import csrf_of
from tests.web.test_log import NOW, enter, entries_in


def correct(client, seq, **fields):
    csrf = csrf_of(client.get(f"/log/{seq}/correct").text)
    return client.post(f"/log/{seq}/correct", data={"csrf": csrf, **fields})


def test_a_wrong_point_is_corrected_and_the_entry_stays(signed_in, site):
    (entry,) = enter(site)
    client = signed_in("Ines")
    assert f'href="/log/{entry.seq}/correct"' in client.get(f"/log/{entry.seq}").text
    answer = correct(client, entry.seq, point="tank", validity="valid", why="read at the tank")
    assert answer.status_code == 303
    with open_records(site) as records:
        (reading,) = records.readings()
        assert records.entry(entry.seq).payload["point"] == "bench 1"
    assert (reading.point, reading.entry.who, reading.entry.supersedes) == ("tank", "Ines", entry.seq)
    assert reading.entry.why == "read at the tank"
    page = client.get(f"/log/{entry.seq}").text
    assert "It holds no longer." in page
    assert "read at the tank" in page
    assert f'href="/log/{entry.seq}/correct"' not in page


def test_a_reading_is_taken_back(signed_in, site):
    (entry,) = enter(site)
    client = signed_in("Sol")
    assert correct(client, entry.seq, withdraw="yes", why="another strip").status_code == 303
    assert entries_in(client.get("/log").text) == []
    with open_records(site) as records:
        assert records.readings() == []


@each(
    "fields",
    [
        {"why": "nothing is changed", "point": "bench 1"},
        {"why": "", "point": "tank"},
        {"why": "no such point", "point": "bench 99"},
        {"why": "no such validity", "validity": "perfect"},
    ],
)
def test_what_is_no_correction_is_refused_and_nothing_is_entered(signed_in, site, fields):
    (entry,) = enter(site)
    client = signed_in("Ines")
    before = _last(site)
    assert correct(client, entry.seq, **fields).status_code == 400
    assert _last(site) == before


def test_a_reading_does_not_get_better_by_a_word(signed_in, site):
    (entry,) = enter(site, validity="doubtful")
    client = signed_in("Sol")
    assert 'value="valid"' not in client.get(f"/log/{entry.seq}/correct").text
    assert correct(client, entry.seq, validity="valid", why="I say so").status_code == 400
    assert correct(client, entry.seq, validity="invalid", why="the strip was wet before").status_code == 303


def test_it_cannot_be_corrected_twice(signed_in, site):
    (entry,) = enter(site)
    client = signed_in("Sol")
    assert correct(client, entry.seq, point="tank", why="wrong").status_code == 303
    assert correct(client, entry.seq, point="bench 1", why="wrong again").status_code == 400


@pytest.mark.parametrize(("name", "status"), [("Ines", 403), ("Sol", 200), ("Gus", 403)])
def test_a_technician_corrects_what_they_entered_and_a_supervisor_any(signed_in, site, name, status):
    (entry,) = enter(site)  # of Ines
    with open_records(site) as records:
        other = records.correct(entry.seq, why="a", changes={"point": "tank"}, stamp=Stamp(at=NOW, who="Sol"))
    client = signed_in(name)
    assert client.get(f"/log/{other.seq}/correct").status_code == status
    session = client.app.state.people.session(client.cookies[SESSION_COOKIE], now=datetime.now().astimezone())
    data = {"csrf": session.csrf, "why": "mine now", "withdraw": "yes"}
    assert client.post(f"/log/{other.seq}/correct", data=data).status_code == (303 if status == 200 else 403)
    assert client.get("/log/99/correct").status_code == (403 if name == "Gus" else 404)


def test_a_batch_entered_wrongly_is_taken_back_with_its_reason(signed_in, site):
    with open_records(site) as records:
        records.add_batch(
            Batch(id="C/1", kind="concentrate", made_at=NOW, made_by="Ines", water_l=200.0), Stamp(at=NOW, who="Ines")
        )
    client = signed_in("Ines")
    page = client.get("/batches/made/C/1").text
    assert 'href="/batches/correct/C/1"' in page
    assert 'href="/batches/withdraw/C/1"' in client.get("/batches/correct/C/1").text
    csrf = csrf_of(client.get("/batches/withdraw/C/1").text)
    assert client.post("/batches/withdraw/C/1", data={"csrf": csrf, "why": " "}).status_code == 400
    assert client.post("/batches/withdraw/C/1", data={"csrf": csrf, "why": "20 L, not 200 L"}).status_code == 303
    assert client.get("/batches/made/C/1").status_code == 404
    assert "C/1" not in client.get("/batches").text
    with open_records(site) as records:
        assert records.entries(kind="batch", subject="C/1", limit=1)[0].why == "20 L, not 200 L"
        assert not verify_records(records).problems


def _last(site):
    with open_records(site) as records:
        return records.head()
