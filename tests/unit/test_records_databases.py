"""The record on SQLite and on PostgreSQL: one set of tests for both; the server is started by them."""

import os
import random
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.errors import RecordsError
from stripread.records import (
    Batch,
    Draft,
    InjectorSetting,
    Note,
    Part,
    Point,
    ReadingFilter,
    Records,
    accepted_files,
    back_up,
    open_records,
    restore,
    verify_records,
)
from tests.unit.made_records import POINTS, START, fill, made_pad, made_payload, made_photo, made_stamp, utc
from tests.unit.postgres_server import MISSING, programs, server

KILLS = 12  # each database; `python -m tests.unit.test_records_databases 200` kills as often as it is told


@dataclass(frozen=True)
class Place:
    """Where a record is: a folder, and the URL of its database if that is not in it."""

    folder: Path
    url: str | None

    def open(self) -> Records:
        return open_records(self.folder, self.url, create=True)


def new_database(pattern: str, name: str) -> str:
    admin = create_engine(
        pattern.format(name="postgres").replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT"
    )
    with admin.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    admin.dispose()
    return pattern.format(name=name)


@pytest.fixture(scope="module")
def postgresql() -> Iterator[str]:
    if programs() is None:
        pytest.skip(MISSING)
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    with server() as pattern:
        yield pattern


_names = (f"place_{number}" for number in range(1000))


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    if request.param == "sqlite":
        return Place(tmp_path, None)
    return Place(tmp_path, new_database(request.getfixturevalue("postgresql"), next(_names)))


@pytest.fixture
def records(place: Place) -> Iterator[Records]:
    with place.open() as opened:
        yield opened


# --- what is written comes back --------------------------------------------------------------------------------------


def test_entries_come_back_as_they_were_entered(records: Records) -> None:
    payload = made_payload(0.1 + 0.2, taken=START)  # a float that needs all its digits
    photo = made_photo(records)
    entry = records.add_reading(payload, files=[photo], stamp=made_stamp(3))
    again = records.entry(entry.seq)
    assert again == entry
    assert again.payload == payload
    assert again.files == (photo,)
    assert (again.at, again.at.utcoffset(), again.zone_name) == (made_stamp(3).at, timedelta(hours=2), "CEST")
    (reading,) = records.readings()
    assert reading.main.value == 0.1 + 0.2
    assert reading.when == START


def test_batches_points_settings_and_notes_come_back(records: Records) -> None:
    concentrate = Batch(id="C-1", kind="concentrate", made_at=START, made_by="Ana", water_l=19.0, source="sachet")
    stock = Batch(id="S-1", kind="stock", made_at=START, made_by="Ben", water_l=30.0, u_water_l=0.2,
                  parts=(Part(batch="C-1", volume_l=19.0, u_volume_l=0.1),), expected_mg_per_l=156.0,
                  u_expected_mg_per_l=9.5, tank="blue tank", cover="floating lid")  # fmt: skip
    for batch in (concentrate, stock):
        records.add_batch(batch, made_stamp())
    assert [one.said for one in records.batches()] == [stock, concentrate]
    with pytest.raises(RecordsError, match="in the record"):
        records.add_batch(stock, made_stamp())
    with pytest.raises(RecordsError, match="parts"):
        records.add_batch(Batch(id="S-2", kind="stock", made_at=START, made_by="Ben", water_l=1.0,
                                parts=(Part(batch="C-9", volume_l=1.0),)), made_stamp())  # fmt: skip
    setting = InjectorSetting(injector="main", since=START, ratio=100.0, convention="to", batch="S-1")
    records.add_injector_setting(setting, made_stamp())
    assert records.injector_settings()[0].said == setting
    for flush in (2.0, 3.0):
        records.add_point(Point(name="far-end", sample="line", line="east", order=4, flush_min=flush), made_stamp())
    assert [one.said.flush_min for one in records.points()] == [3.0]
    note = Note(text="the lid was off", about=1, tags=("stock",))
    records.add_note(note, made_stamp())
    assert records.notes(about=1)[0].said == note
    with pytest.raises(RecordsError, match="number of an entry"):
        records.add_note(Note(text="about nothing", about=99), made_stamp())
    assert verify_records(records).intact


def test_nothing_can_be_changed_or_deleted_through_the_database(records: Records) -> None:
    fill(records, 3)
    found = [{"code": "off_curve", "severity": "error"}]
    records.add_reading({**made_payload(), "findings": found}, files=[], stamp=made_stamp(40))
    refused = (
        "UPDATE entries SET who = 'Eve' WHERE seq = 1", "DELETE FROM entries WHERE seq = 3",
        "UPDATE readings SET value = 9", "DELETE FROM readings", "UPDATE findings SET code = 'x'",
        "DELETE FROM findings", "UPDATE files SET path = 'x'", "DELETE FROM files",
        "INSERT INTO entries SELECT 9, kind, at_utc, zone_offset, zone_name, who, software, subject, supersedes, "
        "origin, files, payload, previous_hash, 'x' FROM entries WHERE seq = 1",
    )  # fmt: skip
    for statement in refused:
        with (
            pytest.raises(RecordsError, match=r"append-only|at the end"),
            records.database.writing() as connection,
        ):
            connection.execute(text(statement))
    assert verify_records(records).intact


def test_an_entry_that_fails_leaves_nothing_behind(records: Records) -> None:
    fill(records, 1)
    with pytest.raises(RecordsError, match="finite"):
        records.add_reading(made_payload(float("nan")), files=[], stamp=made_stamp())
    broken = {**made_payload(), "pads": [{"pad": "clo2"}]}
    with pytest.raises(KeyError):
        records.add_reading(broken, files=[], stamp=made_stamp())
    assert records.head().count == 1
    assert verify_records(records).intact


# --- what is asked ---------------------------------------------------------------------------------------------------


def test_pages_join_without_gap_or_repeat(records: Records) -> None:
    fill(records, 23, photos=False)
    same_time = [records.add_reading(made_payload(point="x", taken=START), files=[], stamp=made_stamp()) for _ in "abc"]
    pages, before = [], None
    while page := records.readings(before=before, limit=5):
        pages += [one.entry.seq for one in page]
        before = pages[-1]
    assert len(same_time) == 3
    assert pages == [one.entry.seq for one in records.iterate_readings(page=100)]
    assert sorted(pages) == list(range(1, 27))
    assert pages[0] == 23
    assert pages[-4:] == [26, 25, 24, 1]  # of one time the last entered first


def test_filters_pick_what_they_say(records: Records) -> None:
    fill(records, 12, photos=False)
    duo = [made_pad(1.7, pad="chlorine", analyte="free chlorine"), made_pad(7.3, pad="ph", analyte="pH")]
    records.add_reading(made_payload(pads=duo, point=None, sample="tap", validity="doubtful", lot="CP-1"),
                        files=[], stamp=made_stamp(500, who="Cleo"))  # fmt: skip

    def seqs(**wanted: object) -> list[int]:
        return [one.entry.seq for one in records.readings(ReadingFilter(**wanted))]  # type: ignore[arg-type]  # names are checked by call

    assert seqs(point="bench-2") == [10, 6, 2]
    assert seqs(sample="tap") == seqs(validity="doubtful") == seqs(who="Cleo") == seqs(lot="CP-1") == [13]
    assert seqs(analyte="pH") == [13]
    assert [pad.analyte for pad in records.readings(ReadingFilter(analyte="pH"))[0].pads] == ["free chlorine", "pH"]
    assert seqs(since=utc(20), until=utc(40)) == [4, 3]
    assert seqs(point="nowhere") == []


def test_the_latest_of_each_point_is_by_the_photos_time_not_by_entry(records: Records) -> None:
    fill(records, 8, photos=False)
    records.add_reading(
        made_payload(9.0, point="bench-1", taken=START - timedelta(days=1)), files=[], stamp=made_stamp()
    )
    latest = records.latest_by_point()
    assert {point: one.entry.seq for point, one in latest.items()} == dict(zip(POINTS, (5, 6, 7, 8), strict=True))


def test_a_photo_used_twice_is_found(records: Records) -> None:
    first, *_, last = fill(records, 3)
    again = records.add_reading(made_payload(), files=first.files, stamp=made_stamp())
    assert [one.seq for one in records.with_file(first.files[0].sha256)] == [first.seq, again.seq]
    assert [one.seq for one in records.with_file(last.files[0].sha256)] == [last.seq]


# --- corrections -----------------------------------------------------------------------------------------------------


def test_a_correction_supersedes_and_keeps_the_first(records: Records) -> None:
    fill(records, 2, photos=False)
    new = records.correct(1, why="wrong bench", changes={"point": "bench-9"}, stamp=made_stamp(99, who="Ben"))
    assert records.entry(1).payload["point"] == "bench-1"
    assert (new.supersedes, new.why, new.who, new.subject) == (1, "wrong bench", "Ben", "bench-9")
    assert new.payload["correction"]["changed"] == {"point": ["bench-1", "bench-9"]}
    assert [one.entry.seq for one in records.readings()] == [2, 3]
    corrections = records.readings(ReadingFilter(corrections=True))
    assert {one.entry.seq: one.superseded_by for one in corrections} == {1: 3, 3: None}
    with pytest.raises(RecordsError, match="which entry 3 supersedes"):
        records.correct(1, why="again", changes={"point": "bench-8"}, stamp=made_stamp())
    records.correct(3, why="the strip fell on the floor", withdraw=True, stamp=made_stamp())
    assert [one.entry.seq for one in records.readings()] == [2]
    assert verify_records(records).intact


@pytest.mark.parametrize(
    ("changes", "withdraw", "why", "words"),
    [
        ({"value": 0.3}, False, "nicer", "a field that may be changed"),
        ({"validity": "valid"}, False, "nicer", "no better than 'doubtful'"),
        ({"taken_at": "yesterday"}, False, "late", "a time such as"),
        ({"point": "x"}, False, " ", "a reason"),
        ({}, False, "none", "fields to change"),
        ({"point": "x"}, True, "both", "both"),
    ],
)
def test_corrections_that_would_embellish_or_say_nothing_are_refused(
    tmp_path: Path, changes: dict[str, object], withdraw: bool, why: str, words: str
) -> None:
    with open_records(tmp_path, create=True) as records:
        records.add_reading(made_payload(validity="doubtful"), files=[], stamp=made_stamp())
        with pytest.raises(RecordsError, match=words):
            records.correct(1, why=why, changes=changes, withdraw=withdraw, stamp=made_stamp())
        assert records.head().count == 1


# --- a record of before ----------------------------------------------------------------------------------------------


def test_a_record_from_before_other_means_were_entered_gets_their_column(place: Place) -> None:
    with place.open() as records:
        (strip,) = fill(records, 1)
        with records.database.writing() as connection:
            connection.execute(text("ALTER TABLE readings DROP COLUMN method"))
            connection.execute(text("UPDATE alembic_version SET version_num = '0002'"))
    meter = {**made_payload(taken=START, lot=""), "how": {"method": {"by": "meter", "instrument": None}}}
    with open_records(place.folder, place.url) as records:
        entered = records.add_reading(meter, files=[], stamp=made_stamp(60))
        for method, seq in (("strip", strip.seq), ("meter", entered.seq)):
            (found,) = records.readings(ReadingFilter(method=method))
            assert (found.entry.seq, found.method.by) == (seq, method)
        assert verify_records(records).intact


# --- backup across databases -----------------------------------------------------------------------------------------


def test_a_backup_restores_into_either_database(place: Place, tmp_path: Path, postgresql: str) -> None:
    with place.open() as records:
        fill(records, 5)
        head = back_up(records, tmp_path / "backup.zip")
        entries = records.entries(superseded=True)
    for number, url in enumerate((None, new_database(postgresql, next(_names)))):
        assert restore(tmp_path / "backup.zip", tmp_path / f"there-{number}", url=url) == head
        with open_records(tmp_path / f"there-{number}", url) as there:
            assert there.entries(superseded=True) == entries
            found = verify_records(there, anchors=[head])
            assert (found.intact, found.files, found.orphan_count) == (True, 5, 0)


def test_a_backup_is_one_state_while_others_write(place: Place, tmp_path: Path) -> None:
    with place.open() as records, place.open() as other:
        fill(records, 5)
        with records.database.reading() as connection:
            assert connection.execute(text("SELECT count(*) FROM entries")).scalar() == 5
            other.add_note(Note(text="meanwhile"), made_stamp())
            assert connection.execute(text("SELECT count(*) FROM entries")).scalar() == 5
        assert back_up(records, tmp_path / "later.zip").count == 6


def test_a_site_names_its_server_and_the_commands_use_it(postgresql: str, tmp_path: Path) -> None:
    url = new_database(postgresql, next(_names))
    folder = tmp_path / "nursery"

    def run(*words: object) -> str:
        done = CliRunner().invoke(app, [str(word) for word in words], env={"STRIPREAD_WHO": "Ana"})
        assert done.exit_code == 0, done.output
        return done.output

    assert "postgresql+psycopg://tester@" in run("init", folder, "--database", url)
    with open_records(folder, url) as records:
        fill(records, 3)
    assert "far-end" not in run("log", "--limit", 1, "--site", folder)
    run("records", "correct", 2, "--why", "wrong bench", "--set", "point=far-end", "--site", folder)
    assert "far-end" in run("log", "--corrections", "--site", folder)
    assert "INTACT" in run("records", "verify", "--site", folder)
    run("records", "backup", tmp_path / "b.zip", "--site", folder)
    assert "take that table out" in run("records", "restore", tmp_path / "b.zip", tmp_path / "there")
    assert not (folder / "records.db").exists()


def test_a_trigger_that_is_gone_is_told(place: Place) -> None:
    with place.open() as records:
        records.add_note(Note(text="guarded"), made_stamp())
        assert verify_records(records).intact
        gone = "entries_no_change" if place.url else "entries_no_UPDATE"
        with records.database.writing() as connection:
            connection.execute(text(f"DROP TRIGGER {gone}{' ON entries' if place.url else ''}"))
        assert [str(p.where) for p in verify_records(records).problems] == [f"trigger {gone}"]


def test_acceptances_are_entries_of_either_database(place: Place) -> None:
    with place.open() as records:
        for number, (who, data) in enumerate((("Ana", b"1"), ("Ben", b"2"), ("Cleo", b"2"))):
            ref = records.keep("lot", data, "lot.json", suffix=".json")
            payload = {"sha256": ref.sha256, "file": None, "second_person": data == b"2"}
            records.append(
                [Draft(kind="lot_accepted", payload=payload, subject="UL-1", files=(ref,))],
                made_stamp(number, who=who),
            )
            standing = accepted_files(records, "lot")["UL-1"]
            assert standing.holds is not None
            assert standing.holds.by == (("Ana",), ("Ana",), ("Ben", "Cleo"))[number]
            assert (standing.waits is not None) is (number == 1)
        assert accepted_files(records, "card") == {}
        assert verify_records(records).intact


# --- several processes, killed processes -----------------------------------------------------------------------------


def write_on(place: Place, name: str, acknowledge: int, count: int) -> None:
    """Write readings with photos, and say each one's number and hash once it is recorded."""
    with place.open() as records:
        for number in range(count):
            photo = records.keep("photo", f"{name} {number}".encode(), "photo.jpg", suffix=".jpg")
            entry = records.add_reading(made_payload(point=name), files=[photo], stamp=made_stamp(number))
            os.write(acknowledge, f"{entry.seq} {entry.hash}\n".encode())


def fork_writer(place: Place, name: str, count: int, *, go: int | None = None) -> tuple[int, int]:
    """Start a process that writes, once told to by ``go``; returns its number and where it acknowledges."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(ours)
            if go is not None:
                os.read(go, 1)
            write_on(place, name, theirs, count)
            os._exit(0)
        finally:
            os._exit(1)
    os.close(theirs)
    return child, ours


def read_all(pipe: int) -> list[str]:
    data = b""
    while piece := os.read(pipe, 65536):
        data += piece
    os.close(pipe)
    return data.decode().splitlines()


def kill_many(place: Place, kills: int, seed: int) -> tuple[int, int, int]:
    """Kill writers at random moments; returns how many entries were acknowledged, lost, and left as orphans."""
    rng = random.Random(seed)
    acknowledged: dict[int, str] = {}
    for number in range(kills):
        child, pipe = fork_writer(place, f"point-{number}", 1000)
        if number % 3:  # two of three die while they write, the others while they open or, at first, make the tables
            select.select([pipe], [], [], 180)
        time.sleep(rng.uniform(0, 0.06))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        for line in read_all(pipe):
            seq, _, sha256 = line.partition(" ")
            acknowledged[int(seq)] = sha256
    with place.open() as records:
        found = verify_records(records)
        assert found.intact, found.problems
        lost = [seq for seq, sha256 in acknowledged.items() if records.entry(seq).hash != sha256]
    return len(acknowledged), len(lost), found.orphan_count


needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")


def run_apart(*words: object) -> list[str]:
    """Run this module in a process without threads, as it forks; returns its words."""
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-m", "tests.unit.test_records_databases", *map(str, words)], cwd=root, check=False,
        capture_output=True, text=True, timeout=1200, env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.slow
@needs_fork
def test_killing_writers_loses_no_acknowledged_entry(place: Place) -> None:
    acknowledged, lost, _ = map(int, run_apart(KILLS, place.folder, place.url or ""))
    assert acknowledged > KILLS / 3
    assert lost == 0


@pytest.mark.slow
@needs_fork
def test_two_processes_write_at_once(place: Place) -> None:
    """Whatever the turns they take, nothing is lost; that they take turns is seen once in some tries."""
    each, switches = 30, 0
    for tries in range(1, 31):
        assert len(run_apart("both", each, place.folder, place.url or "")) == 2 * each
        with place.open() as records:
            found = verify_records(records)
            assert (found.intact, found.entries, found.orphan_count) == (True, 2 * each * tries, 0)
            points = [entry.subject for entry in records.entries(limit=10_000)]
        assert points.count("one") == points.count("two") == each * tries
        switches = sum(a != b for a, b in pairwise(points[: 2 * each]))  # the latest first
        if switches > 1:
            break
    assert switches > 1  # they took turns, not one after the other


@pytest.mark.slow
@needs_fork
def test_processes_that_begin_a_record_at_once_all_get_it(place: Place) -> None:
    each = 4
    assert len(run_apart("many", each, place.folder, place.url or "")) == each
    with place.open() as records:
        assert verify_records(records).entries == each


def main(words: list[str]) -> None:
    """Kill writers: COUNT [FOLDER URL]; let two write at once: both COUNT FOLDER URL; many begin: many COUNT ..."""
    if words[0] == "both":
        place = Place(Path(words[2]), words[3] or None)
        go, start = os.pipe()
        writers = [fork_writer(place, name, int(words[1]), go=go) for name in ("one", "two")]
        os.write(start, b"12")  # both at once, however long the other took to be there
        for child, pipe in writers:
            print(*(line.partition(" ")[0] for line in read_all(pipe)))
            assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    elif words[0] == "many":
        place = Place(Path(words[2]), words[3] or None)
        for _, pipe in [fork_writer(place, f"process-{number}", 1) for number in range(int(words[1]))]:
            print(*(line.partition(" ")[0] for line in read_all(pipe)))
    elif len(words) > 1:
        print(*kill_many(Place(Path(words[1]), words[2] or None), int(words[0]), seed=4))
    else:
        with suppress(KeyboardInterrupt):
            _main_many(int(words[0]))


def _main_many(kills: int) -> None:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder, server() as pattern:
        for name, url in (("SQLite", None), ("PostgreSQL", new_database(pattern, "killed"))):
            home = Path(folder) / name
            home.mkdir()
            acknowledged, lost, orphans = map(int, run_apart(kills, home, url or ""))
            print(f"{name}: {kills} kills, {acknowledged} entries acknowledged, {lost} lost, {orphans} orphan photos")


if __name__ == "__main__":
    main(sys.argv[1:])
