"""The queue: a reader that dies takes nothing else with it, old answers go, half-written jobs are none."""

import os
import time

from starlette.testclient import TestClient

import stripread.web.reading_queue as reading_queue
from stripread.records import open_records
from stripread.web.app import create_app
from stripread.web.inbox import Inbox, Job
from stripread.web.settings import Settings
from tests.web.conftest import sign_in
from tests.web.crashing import answer_or_die
from tests.web.test_read import answer, upload


def job(number: int) -> Job:
    return Job(id=f"{number:032x}", who="Ines", at=f"2026-04-14T06:00:{number:02d}+00:00", point=None, sample="line",
               lot="UL-2603", name="x")  # fmt: skip


def test_a_photo_on_which_the_reader_dies_is_refused_and_the_others_are_read(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "answer_job", answer_or_die)
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        bad = upload(client, data=b"die", key="d" * 32).headers["location"]
        good = upload(client, key="g" * 32).headers["location"]
        assert "the reader failed on this photo" in answer(client, bad)
        assert "WITHIN RANGE" in answer(client, good)
        assert client.get("/read").status_code == 200
    with open_records(site) as records:
        assert len(records.readings()) == 1


def test_a_job_recorded_but_not_answered_is_not_recorded_twice(site):
    """The worker was killed between recording and answering."""
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        where = upload(client).headers["location"]
        first = answer(client, where)
    inbox = Inbox(site)
    (inbox.folder / f"{where.rsplit('/', 1)[1]}.answer.json").unlink()
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        again = answer(client, where)
    assert "entry 4" in first or "entry" in first
    with open_records(site) as records:
        assert len(records.readings()) == 1
    assert "WITHIN RANGE" in again


def test_jobs_wait_in_the_order_in_which_they_came(tmp_path):
    inbox = Inbox(tmp_path)
    for number in (3, 1, 2):
        inbox.accept(job(number), b"photo")
    assert inbox.waiting() == [job(n).id for n in (1, 2, 3)]
    inbox.answer(job(2).id, {"read": False})
    assert inbox.waiting() == [job(n).id for n in (1, 3)]


def test_what_was_cut_off_while_it_was_written_is_no_job(tmp_path):
    inbox = Inbox(tmp_path)
    inbox.accept(job(1), b"photo")
    (inbox.folder / f"{2:032x}.photo").write_bytes(b"photo without a job")
    (inbox.folder / f"{3:032x}.job.json.part").write_bytes(b'{"id": ')
    (inbox.folder / f"{4:032x}.job.json").write_bytes(b'{"id": ')
    assert inbox.waiting() == [job(1).id]
    assert inbox.job(f"{4:032x}") is None


def test_old_answers_go_and_what_waits_stays(tmp_path):
    inbox = Inbox(tmp_path)
    for number in (1, 2, 3):
        inbox.accept(job(number), b"photo")
    for number in (1, 2):
        inbox.answer(job(number).id, {"read": False})
    month_ago = time.time() - 31 * 86_400
    for number in (1, 3):
        for path in inbox.folder.glob(f"{number:032x}.*"):
            os.utime(path, (month_ago, month_ago))
    assert inbox.tidy(now=time.time()) == 1
    assert inbox.job(job(1).id) is None
    assert inbox.answered(job(2).id) == {"read": False}
    assert inbox.waiting() == [job(3).id]
