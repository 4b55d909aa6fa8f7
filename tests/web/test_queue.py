"""The queue: a reader that dies takes nothing else with it, old answers go, half-written jobs are none."""

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from pathlib import Path

import pytest
from starlette.testclient import TestClient

import stripread.web.queue.jobs as work
import stripread.web.queue.reading_queue as reading_queue
from stripread.errors import RecordsError
from stripread.records import open_records
from stripread.web import Settings, create_app
from stripread.web.queue.inbox import Inbox, Job
from stripread.web.queue.worker import begin_worker
from stripread.workflow import read_and_record
from tests.web import crashing, test_lots
from tests.web.conftest import ROOT, SAMPLE, csrf_of, sign_in
from tests.web.test_read import answer, upload


def job(number: int) -> Job:
    return Job(id=f"{number:032x}", who="Ines", at=f"2026-04-14T06:00:{number:02d}+00:00", point=None, sample="line",
               lot="UL-2603", name="x")  # fmt: skip


def test_a_photo_on_which_the_reader_dies_is_refused_and_the_others_are_read(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "answer_job", crashing.answer_or_die)
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        bad = upload(client, data=b"die", key="d" * 32).headers["location"]
        good = upload(client, key="g" * 32).headers["location"]
        assert "the reader failed on this photo" in answer(client, bad)
        assert "WITHIN RANGE" in answer(client, good)
        assert client.get("/read").status_code == 200
    with open_records(site) as records:
        assert len(records.readings()) == 1


def test_a_photo_read_beside_one_on_which_the_reader_dies_is_not_lost(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "answer_job", crashing.answer_slowly_or_die)
    with TestClient(create_app(Settings(folder=site, workers=2)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        bad = upload(client, data=b"die", key="d" * 32).headers["location"]
        good = upload(client, key="g" * 32).headers["location"]
        assert "the reader failed on this photo" in answer(client, bad)
        assert "WITHIN RANGE" in answer(client, good)


def test_a_header_that_kills_its_reader_leaves_the_server_alone(signed_in, monkeypatch):
    """Those of check standards and calibrations are opened before they are kept."""
    client = signed_in("Sol")
    draft = test_lots.TestCalibration().begin(client).headers["location"]
    for name in ("checks.open_photo_bytes", "calibrate._opened"):
        monkeypatch.setattr(f"stripread.web.pages.{name}", crashing.open_or_die)
    form = {"known": "0.2", "u_known": "0.01", "level": "1", "strip": "1"}
    for where in ("/checks/UL-2603", f"{draft}/photo"):
        form["csrf"] = csrf_of(client.get("/more").text)
        answered = client.post(where, data=form, files={"photo": ("x.jpg", b"x", "image/jpeg")})
        assert answered.status_code == 400
        assert "one on which the reader stopped" in answered.text


def test_a_photo_on_which_the_reader_hangs_is_given_up(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "answer_job", crashing.answer_or_die)
    monkeypatch.setattr(reading_queue, "_LONGEST_S", 0.5)
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        assert "the reader failed" in answer(client, upload(client, data=b"hang").headers["location"])


def test_a_photo_waits_while_the_record_is_held_or_the_disk_is_full(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "answer_job", crashing.answer_when_free)
    monkeypatch.setattr(reading_queue, "_LATER_S", 0.1)
    (site / "held").touch()
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        sign_in(client, "Ines")
        client.app.state.queue._pool.submit(crashing.eat_memory, 0).result()  # a reader is there
        where = upload(client).headers["location"]
        until = time.monotonic() + 180
        while (state := client.get(f"{where}/state").json()) != {"done": False, "ahead": 0, "put_off": True}:
            assert time.monotonic() < until, state
            time.sleep(0.1)
        assert "cannot enter readings at the moment" in client.get(where).text
        (site / "full").touch()
        (site / "held").unlink()
        time.sleep(0.5)
        assert not client.get(f"{where}/state").json()["done"]
        (site / "full").unlink()
        assert "WITHIN RANGE" in answer(client, where)


class Killed(BaseException):
    """As a kill: nothing in between catches it."""


def steps_of_a_job(monkeypatch):
    """Let a job be killed before or after each thing that it leaves; yield the name of the step."""
    for name in ("record_reading", "save_picture", "Inbox.answer"):
        for when in ("before", "after"):
            owners = {"record_reading": read_and_record, "save_picture": work, "Inbox.answer": work.Inbox}
            owner, last = owners[name], name.split(".")[-1]
            real = getattr(owner, last)

            def killed(*args, real=real, when=when, **more):
                if when == "after":
                    real(*args, **more)
                raise Killed

            with monkeypatch.context() as patch:
                patch.setattr(owner, last, killed)
                yield f"{when} {name}"


def test_a_reader_killed_at_any_step_leaves_one_reading_and_one_answer_in_the_end(site, monkeypatch):
    inbox = Inbox(site)
    for number, step in enumerate(steps_of_a_job(monkeypatch), start=1):
        new = Job(id=f"{number:032x}", who="Ines", at="2026-04-14T06:00:00+00:00", point="bench 1", sample="line",
                  lot="UL-2603", name="x")  # fmt: skip
        inbox.accept(new, SAMPLE.read_bytes())
        with pytest.raises(Killed):
            work.answer_job(str(site), new.id)
        assert (new.id in inbox.waiting()) is (step != "after Inbox.answer"), step
    for job_id in inbox.waiting():
        work.answer_job(str(site), job_id)
    assert inbox.waiting() == []
    with open_records(site) as records:
        assert sorted(r.entry.payload["how"]["job"] for r in records.readings()) == [f"{n:032x}" for n in range(1, 7)]


def test_what_the_record_refuses_is_no_answer_to_the_photo(site, monkeypatch):
    def held(*_, **__):
        raise RecordsError(expected="a free record", found="one that is held", remedy="Wait.")

    inbox = Inbox(site)
    inbox.accept(job(1), SAMPLE.read_bytes())
    monkeypatch.setattr(read_and_record, "record_reading", held)
    with pytest.raises(RecordsError):
        work.answer_job(str(site), job(1).id)
    assert inbox.waiting() == [job(1).id]


def test_where_the_disk_is_full_a_photo_stays_on_the_phone(signed_in, site, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    client = signed_in("Ines")
    with monkeypatch.context() as patch:
        patch.setattr(Inbox, "accept", full)
        assert upload(client).status_code == 503
    with monkeypatch.context() as patch:
        patch.setattr(Inbox, "room", lambda self: 1_000_000)
        assert upload(client).status_code == 503
    assert list((site / "inbox").iterdir()) == []
    assert upload(client).status_code == 303


def gone(pid: int, patience: float) -> bool:
    until = time.monotonic() + patience
    while time.monotonic() < until:
        with suppress(OSError):
            if Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0] != "Z":
                time.sleep(0.05)
                continue
        return True
    return False


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_reader_ends_with_a_server_that_is_killed(tmp_path):
    """Else it would go on with a photo that the next server reads anew, and both would record it."""
    file = tmp_path / "pid"
    program = (
        "from concurrent.futures import ProcessPoolExecutor\n"
        "from multiprocessing import get_context\n"
        "from stripread.web.queue.worker import begin_worker\n"
        "from tests.web.crashing import name_itself_and_wait\n"
        "if __name__ == '__main__':\n"
        "    pool = ProcessPoolExecutor(1, mp_context=get_context('spawn'), initializer=begin_worker)\n"
        f"    pool.submit(name_itself_and_wait, {str(file)!r}).result()\n"
    )
    (tmp_path / "server.py").write_text(program, encoding="utf-8")
    server = subprocess.Popen([sys.executable, tmp_path / "server.py"], env={**os.environ, "PYTHONPATH": str(ROOT)})
    try:
        until = time.monotonic() + 180
        while not (file.exists() and file.read_text("ascii")):
            assert time.monotonic() < until
            time.sleep(0.1)
        reader = int(file.read_text("ascii"))
        assert not gone(reader, 0.2)
    finally:
        server.send_signal(signal.SIGKILL)
        server.wait()
    assert gone(reader, 180)


@pytest.mark.skipif(sys.platform != "linux", reason="limits of this kind are Linux's")
def test_a_reader_cannot_take_all_memory_and_goes_before_the_server_does():
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=begin_worker) as pool:
        with pytest.raises(MemoryError):
            pool.submit(crashing.eat_memory, 5).result()
        assert pool.submit(crashing.priority).result() == "500"


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
    (inbox.folder / f"{5:032x}.job.json").write_bytes(b"[]")
    (inbox.folder / f"{6:032x}.job.json").write_bytes(b'{"id": 1}')
    assert inbox.waiting() == [job(1).id]
    assert all(inbox.job(f"{number:032x}") is None for number in (4, 5, 6))


def test_what_a_kill_left_half_written_goes_after_a_day(tmp_path):
    inbox = Inbox(tmp_path)
    inbox.accept(job(1), b"photo", b"flash")
    left = [inbox.folder / ".unfinished-x1y2", inbox.photo(job(2).id), inbox.flash(job(2).id)]
    for path in left:
        path.write_bytes(b"half")
    kept = set(inbox.folder.iterdir()) - set(left)
    inbox.tidy(now=time.time())
    assert set(inbox.folder.iterdir()) == kept | set(left)  # one of them may be arriving just now
    inbox.tidy(now=time.time() + 86_401)
    assert set(inbox.folder.iterdir()) == kept


def test_a_server_that_runs_for_weeks_removes_old_answers_each_day(site, monkeypatch):
    monkeypatch.setattr(reading_queue, "_TIDY_S", 0.1, raising=False)
    with TestClient(create_app(Settings(folder=site, workers=1))) as client:
        inbox = client.app.state.queue.inbox
        for _ in range(2):
            inbox.accept(job(1), b"photo")
            inbox.answer(job(1).id, {"read": False})
            for path in inbox.folder.glob(f"{1:032x}.*"):
                os.utime(path, (0, 0))
            until = time.monotonic() + 180
            while inbox.job(job(1).id) is not None:
                assert time.monotonic() < until, "it is still there"
                time.sleep(0.05)


def test_what_goes_while_the_inbox_is_tidied_stops_nothing(tmp_path, monkeypatch):
    inbox = Inbox(tmp_path)
    inbox.accept(job(1), b"photo")
    inbox.answer(job(1).id, {"read": False})
    for path in inbox.folder.iterdir():
        os.utime(path, (0, 0))
    monkeypatch.setattr("stripread.web.queue.inbox.unfinished_files", lambda folder: [folder / ".unfinished-gone"])
    assert inbox.tidy(now=time.time()) == 1


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
