"""No change without its entry: where the record takes none, nothing has changed, and the same can be tried again."""

from contextlib import contextmanager
from datetime import datetime, timedelta

import pytest

from stripread.errors import RecordsError, StripReadError
from stripread.lot import load_lot
from stripread.records import Records, Stamp, open_records
from stripread.web import People
from stripread.web.calibration.accept import accept_lot
from stripread.web.calibration.drafts import Drafts
from stripread.web.calibration.fits import Fit
from stripread.web.people.accounts import pair_phone
from tests.web import test_lots

NOW = datetime.now().astimezone()
SOL = Stamp(at=NOW, who="Sol")
pages = test_lots.TestCalibration()


@contextmanager
def held(monkeypatch):
    def refuse(*_, **__):
        raise RecordsError(expected="a free record", found="one that is held", remedy="Try again.")

    with monkeypatch.context() as patch:
        patch.setattr(Records, "append", refuse)
        yield


def changes(site):
    with open_records(site) as records:
        return [entry.payload["change"] for entry in reversed(records.entries(kind="calibration"))]


def test_of_a_calibration_each_change_can_be_tried_again(signed_in, site, monkeypatch):
    client = signed_in("Sol")
    with held(monkeypatch):
        assert pages.begin(client).status_code == 400
    assert Drafts(site).every() == []
    where = pages.begin(client).headers["location"]

    def now():
        return Drafts(site).every()[0]

    def post(what, **said):
        return client.post(f"{where}/{what}", data={"csrf": pages.token(client), **said})

    with held(monkeypatch):
        assert "one that is held" in pages.send(client, where, 0, 1).text
    assert now().photos == ()
    assert pages.send(client, where, 0, 1).status_code == 303
    (photo,) = now().photos
    assert pages.send(client, where, 0, 1).status_code == 400  # twice
    with held(monkeypatch):
        assert post("leave-out", photo=photo.sha256, out="yes").status_code == 400
    assert now().photos == (photo,)
    assert post("leave-out", photo="0" * 64, out="yes").status_code == 400
    assert post("leave-out", photo=photo.sha256, out="yes").status_code == 303
    with held(monkeypatch):
        assert post("reject", why="a test").status_code == 400
    assert now().state == "open"
    assert post("reject", why="a test").status_code == 303
    assert post("reject", why="again").status_code == 400
    assert changes(site) == ["begun", "photo added", "photo left out", "rejected"]


def test_a_draft_that_was_closed_or_changed_meanwhile_becomes_no_lot(signed_in, site):
    client = signed_in("Sol")
    where = pages.begin(client).headers["location"]
    drafts = Drafts(site)
    looked_at = drafts.every()[0]
    file = site / "UL-2603" / "lot.json"
    fit = Fit(lot=load_lot(file), file=file)

    def refused():
        with open_records(site) as records, pytest.raises(StripReadError):
            accept_lot(records, drafts, looked_at, fit, SOL)
        assert not (site / "lots").exists()

    assert pages.send(client, where, 0, 1).status_code == 303
    refused()
    drafts.close(looked_at.id, "rejected", who="Sol", at=NOW.isoformat())
    refused()


def test_a_code_for_a_phone_outlasts_a_record_that_takes_no_entry(site, monkeypatch):
    people = People(site)
    code = people.pairing_code(now=NOW)
    with open_records(site) as records:
        with held(monkeypatch), pytest.raises(RecordsError):
            pair_phone(records, people, code, "192.0.2.7", SOL)
        assert pair_phone(records, people, "another", "192.0.2.7", SOL) is None
        assert pair_phone(records, people, code, "192.0.2.7", Stamp(at=NOW + timedelta(hours=1), who="Sol")) is None
        token = pair_phone(records, people, code, "192.0.2.7", SOL)
        assert token is not None
        assert people.is_paired(token, now=NOW)
        assert pair_phone(records, people, code, "192.0.2.7", SOL) is None
        assert len(records.entries(kind="account")) == 1
    people.close()
