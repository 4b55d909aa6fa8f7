"""Verification finds whatever was done to the record behind its back; what it cannot find is shown too."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.exc import DatabaseError

from stripread.errors import RecordsError
from stripread.lot import CheckRow, append_row
from stripread.records import (
    Draft,
    Head,
    Note,
    ReadingFilter,
    Stamp,
    Verification,
    check_standard_of,
    open_records,
    renew_lost_head,
    verify_records,
)
from stripread.records.chain.canonical import canonical_json, entry_hash
from stripread.records.chain.head import HEAD
from stripread.records.database import REVISION
from stripread.records.tables import metadata
from tests.unit.made_records import database_file, fill, made_payload, made_photo, made_stamp


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    with open_records(folder, create=True) as records:
        fill(records, 6)
        records.correct(2, why="wrong bench", changes={"point": "x"}, stamp=made_stamp(70))
    return folder


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "site"))


@cache
def guards() -> dict[str, str]:
    """Return the triggers of a new record, by their names."""
    with TemporaryDirectory() as place:
        with open_records(Path(place), create=True):
            pass
        with closing(sqlite3.connect(database_file(Path(place)))) as database:
            return dict(database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall())


def verified(folder: Path, **options: object) -> Verification:
    """Verify a record once its guards were put back, as somebody does who knows what he is at."""
    with closing(sqlite3.connect(database_file(folder), isolation_level=None)) as database:
        there = {name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
        for name, sql in guards().items():
            if name not in there:
                database.execute(sql)
    with open_records(folder) as records:
        return verify_records(records, **options)  # type: ignore[arg-type]  # names are checked by the call


@pytest.fixture
def tampered(folder: Path) -> Iterator[sqlite3.Connection]:
    """The database without its guards, as somebody has it who may write to the file."""
    with closing(sqlite3.connect(database_file(folder), isolation_level=None)) as database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {name}")
        database.execute("PRAGMA foreign_keys = OFF")
        yield database


def test_a_record_left_alone_is_intact(folder: Path) -> None:
    found = verified(folder)
    assert (found.intact, found.entries, found.files, found.head_behind) == (True, 7, 6, 0)


@pytest.mark.parametrize(
    ("statements", "faults"),
    [
        (["UPDATE entries SET payload = replace(payload, '0.202', '0.3') WHERE seq = 3"], {"changed", "narrow table"}),
        (["UPDATE entries SET who = 'Eve' WHERE seq = 3"], {"changed"}),
        (["UPDATE entries SET at_utc = '2026-05-04T07:30:00.000000Z' WHERE seq = 3"], {"changed"}),
        (["UPDATE entries SET supersedes = NULL WHERE seq = 7"], {"changed"}),
        (["UPDATE entries SET payload = payload || ' ' WHERE seq = 7"], {"changed"}),
        (["UPDATE readings SET value = 0.3 WHERE seq = 3"], {"narrow table"}),
        (["UPDATE readings SET point = 'elsewhere' WHERE seq = 3"], {"narrow table"}),
        (["UPDATE entries SET payload = x'00ff' WHERE seq = 3"], {"changed"}),
        (["UPDATE entries SET payload = '[]' WHERE seq = 3"], {"changed"}),
        (["UPDATE entries SET supersedes = 'x' WHERE seq = 3"], {"changed", "inserted"}),
        (["DELETE FROM readings WHERE seq = 3"], {"narrow table"}),
        (["DELETE FROM files WHERE seq = 3"], {"narrow table"}),
        (["INSERT INTO findings (seq, finding_index, code, severity) VALUES (3, 0, 'off_curve', 'error')"],
         {"narrow table"}),
        (["INSERT INTO findings (seq, finding_index, code, severity) VALUES (99, 0, 'off_curve', 'error')"],
         {"inserted"}),
        (["INSERT INTO readings (seq, pad_index, when_utc, pad, analyte, unit, validity) "
          "VALUES (99, 0, '2026-05-04T07:30:00.000000Z', 'clo2', 'x', 'mg/L', 'valid')"], {"inserted"}),
        (["DELETE FROM entries WHERE seq = 3"], {"removed", "inserted"}),
        (["DELETE FROM entries WHERE seq = 7", "DELETE FROM readings WHERE seq = 7", "DELETE FROM files WHERE seq = 7"],
         {"cut off"}),
        (["DELETE FROM entries", "DELETE FROM readings", "DELETE FROM files"], {"cut off"}),
        (["INSERT INTO entries SELECT 8, kind, at_utc, zone_offset, zone_name, who, software, subject, NULL, 'x', "
          "files, payload, previous_hash, 'abc' FROM entries WHERE seq = 3"], {"changed", "narrow table"}),
    ],
)  # fmt: skip
def test_tampering_is_found(
    folder: Path, tampered: sqlite3.Connection, statements: list[str], faults: set[str]
) -> None:
    for statement in statements:
        assert tampered.execute(statement).rowcount > 0
    found = verified(folder)
    assert {problem.fault for problem in found.problems} == faults


def test_a_damaged_entry_is_told_where_it_is_asked_for(folder: Path, tampered: sqlite3.Connection) -> None:
    tampered.execute("UPDATE entries SET payload = '{' WHERE seq = 3")
    with open_records(folder) as records, pytest.raises(RecordsError, match="entry 3 as it was written"):
        records.readings()


def rewrite(
    database: sqlite3.Connection, change: Callable[[dict[str, object]], None], seq: int, *, all_after: bool
) -> str:
    """Change an entry and make its hash right again, and where wanted all later ones; returns the last hash."""
    database.row_factory = sqlite3.Row
    previous = None
    for found in database.execute("SELECT * FROM entries WHERE seq >= ? ORDER BY seq", (seq,)).fetchall():
        row = dict(found)
        if row["seq"] == seq:
            change(row)
        elif all_after:
            row["previous_hash"] = previous
        else:
            break
        previous = row["hash"] = entry_hash(row)
        database.execute(
            "UPDATE entries SET who = :who, previous_hash = :previous_hash, hash = :hash WHERE seq = :seq", row
        )
    assert isinstance(previous, str)
    return previous


def by_eve(row: dict[str, object]) -> None:
    row["who"] = "Eve"


def test_an_entry_with_its_hash_made_anew_breaks_the_chain(folder: Path, tampered: sqlite3.Connection) -> None:
    rewrite(tampered, by_eve, 3, all_after=False)
    (problem,) = verified(folder).problems
    assert (problem.fault, str(problem.where)) == ("rewritten", "entry 4")


def test_a_chain_made_anew_shows_on_the_head(folder: Path, tampered: sqlite3.Connection) -> None:
    rewrite(tampered, by_eve, 3, all_after=True)
    (problem,) = verified(folder).problems
    assert (problem.fault, str(problem.where)) == ("rewritten", "entry 7")


def test_only_a_head_noted_elsewhere_shows_a_chain_and_head_made_anew(
    folder: Path, tampered: sqlite3.Connection
) -> None:
    with open_records(folder) as records:
        noted = records.head()
    last = rewrite(tampered, by_eve, 3, all_after=True)
    (folder / HEAD).write_text(canonical_json({"count": 7, "hash": last}), encoding="utf-8")
    assert verified(folder).intact  # the limit of a chain without an anchor outside
    (problem,) = verified(folder, anchors=[noted]).problems
    assert problem.fault == "rewritten"
    with open_records(folder) as records:  # the anchor serves for good, however the record grows
        records.add_note(Note(text="later"), made_stamp(90))
    assert not verified(folder, anchors=[noted]).intact


def test_an_anchor_beyond_the_end_shows_what_was_cut_off(folder: Path) -> None:
    assert {p.fault for p in verified(folder, anchors=[Head(count=9, hash="0" * 64)]).problems} == {"cut off"}


def test_a_head_that_is_missing_or_broken_is_a_fault_and_one_behind_is_none(folder: Path) -> None:
    path = folder / HEAD
    whole = path.read_bytes()
    path.unlink()
    assert {p.fault for p in verified(folder).problems} == {"head missing"}
    path.write_text("{", encoding="utf-8")
    assert {p.fault for p in verified(folder).problems} == {"head missing"}
    path.write_bytes(whole)
    with open_records(folder) as records:
        entry = records.add_note(Note(text="the process is killed before it writes the head"), made_stamp(80))
    path.write_bytes(whole)
    found = verified(folder)
    assert (found.intact, found.head_behind, found.head.count) == (True, 1, entry.seq)


def test_photos_changed_removed_or_left_over_are_found(folder: Path) -> None:
    first, second, *_ = sorted((folder / "photos").rglob("*.jpg"))
    first.write_bytes(b"another photo")
    second.unlink()
    with open_records(folder) as records:
        orphan = made_photo(records, 99)
    (folder / "photos" / ".unfinished-abc").write_bytes(b"half")
    (folder / "lots").mkdir()
    (folder / "lots" / "UL-1.json").write_text("a lot file of a person's own is no orphan", encoding="utf-8")
    found = verified(folder)
    assert {problem.fault for problem in found.problems} == {"file changed", "file removed"}
    assert set(found.orphans) == {orphan.path, "photos/.unfinished-abc"}
    assert {problem.fault for problem in verified(folder, hash_files=False).problems} == {"file removed"}


def test_a_path_that_leads_elsewhere_is_not_followed(folder: Path, tampered: sqlite3.Connection) -> None:
    (folder / "secret.jpg").write_bytes(b"x")
    tampered.execute("UPDATE files SET path = '../secret.jpg' WHERE seq = 3")
    assert "changed" in {problem.fault for problem in verified(folder).problems}


def test_a_check_of_a_lot_that_was_changed_in_its_file_is_found(folder: Path) -> None:
    row = CheckRow(when=datetime(2026, 5, 4, tzinfo=UTC), photo="check.jpg", photo_sha256="1" * 64, lot_sha256="2" * 64,
                   pad="clo2", known=0.35, u_known=0.003, value=0.36, u=0.02, low=0.32, high=0.4, e_n=0.2,
                   findings=())  # fmt: skip
    path = folder / "verification.csv"
    append_row(path, row)
    with open_records(folder) as records:
        check = check_standard_of(row, lot="UL-1", file="verification.csv")
        entry = records.add_check_standard(check, made_stamp())
        assert [one.said for one in records.check_standards(lot="UL-1")] == [check]
        assert verify_records(records).intact
        path.write_text(path.read_text(encoding="utf-8").replace("0.36", "0.35"), encoding="utf-8")
        (problem,) = verify_records(records).problems
        assert (problem.fault, str(problem.where)) == ("check lost", f"entry {entry.seq}")
        records.correct(entry.seq, why="mistyped dilution", withdraw=True, stamp=made_stamp())
        assert verify_records(records).intact


def test_many_faults_are_counted_and_the_first_hundred_told(tmp_path: Path) -> None:
    with open_records(tmp_path, create=True) as records:
        records.append([Draft(kind="reading", payload=made_payload())] * 150, made_stamp())
    with closing(sqlite3.connect(database_file(tmp_path), isolation_level=None)) as database:
        database.execute("DROP TRIGGER readings_no_UPDATE")
        database.execute("UPDATE readings SET value = 1")
    found = verified(tmp_path)
    assert (found.problem_count, len(found.problems)) == (150, 100)


@pytest.mark.parametrize(
    "statements",
    [["DELETE FROM entries WHERE seq >= 5"], ["DELETE FROM entries", "DELETE FROM readings", "DELETE FROM files"]],
)
def test_nothing_is_added_to_a_record_whose_end_was_cut_off(
    folder: Path, tampered: sqlite3.Connection, statements: list[str]
) -> None:
    # Else the chain would grow on over the cut, and the head with it.
    for statement in statements:
        tampered.execute(statement)
    with open_records(folder) as records:
        with pytest.raises(RecordsError, match="entry 7"):
            records.add_note(Note(text="as if nothing had been"), made_stamp(90))
        assert "cut off" in {problem.fault for problem in verify_records(records).problems}


def test_a_database_emptied_behind_its_head_is_not_begun_anew(folder: Path) -> None:
    database_file(folder).write_bytes(b"")
    with pytest.raises(RecordsError, match="7 entries"):
        open_records(folder)


# --- the tables ------------------------------------------------------------------------------------------------------


def test_migrations_make_the_tables_that_the_code_describes(folder: Path) -> None:
    engine = create_engine(f"sqlite:///{database_file(folder)}")
    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), metadata)
    engine.dispose()
    assert differences == []


def test_a_record_from_before_there_was_a_table_of_findings_is_given_one(folder: Path) -> None:
    said = [{"code": "off_curve", "severity": "error"}, {"code": "below_lod", "severity": "info"}]
    with open_records(folder) as records:
        stamp = made_stamp(80)
        entry = records.add_reading({**made_payload(taken=stamp.at), "findings": said}, files=[], stamp=stamp)
    with closing(sqlite3.connect(database_file(folder), isolation_level=None)) as database:
        database.execute("DROP TABLE findings")
        database.execute("ALTER TABLE readings DROP COLUMN method")
        database.execute("UPDATE alembic_version SET version_num = '0001'")
    with open_records(folder) as records:
        assert [one.entry.seq for one in records.readings(ReadingFilter(finding="off_curve"))] == [entry.seq]
        assert records.finding_codes() == ["below_lod", "off_curve"]
        assert verify_records(records).intact
    engine = create_engine(f"sqlite:///{database_file(folder)}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        with pytest.raises(DatabaseError, match="append-only"):
            connection.exec_driver_sql("DELETE FROM findings")
    engine.dispose()


def test_the_newest_migration_is_the_one_that_opening_asks_for() -> None:
    config = Config()
    config.set_main_option("script_location", "stripread:records/migrations")
    assert ScriptDirectory.from_config(config).get_current_head() == REVISION


def test_hashes_stay_what_they_are() -> None:
    # A change of this hash would make every record look rewritten. Made by sha256sum from the text of the docs.
    row = {"seq": 1, "kind": "note", "at_utc": "2026-05-04T07:30:00.000000Z", "zone_offset": "+02:00",
           "zone_name": "CEST", "who": "Ana", "software": "stripread 0.1.0", "subject": None, "supersedes": None,
           "origin": None, "files": "[]", "payload": '{"about":null,"tags":[],"text":"ü"}',
           "previous_hash": "0" * 64}  # fmt: skip
    assert entry_hash(row) == "66982e57e774fe66f37a4bed82944a505d583a453f58d3b1cf97f45c903010a9"


class TestHead:
    """The small file beside the database is what shows a cut: nothing is entered without it."""

    def note(self, folder: Path, minute: int) -> None:
        with open_records(folder) as records:
            records.add_note(Note(text="one more"), made_stamp(minute))

    def test_without_it_nothing_is_entered_and_the_remedy_works(self, folder: Path) -> None:
        (folder / HEAD).unlink()
        with pytest.raises(RecordsError, match="--renew") as told:
            self.note(folder, 80)
        assert HEAD in str(told.value.expected)
        with open_records(folder) as records:
            assert records.head().count == 7
            with pytest.raises(RecordsError, match="how the head came to be lost"):
                renew_lost_head(records, why=" ", stamp=made_stamp(81))
            entry = renew_lost_head(records, why="the disk was copied without it", stamp=made_stamp(81, who="Cleo"))
        assert (entry.who, "copied without it" in entry.payload["text"]) == ("Cleo", True)
        assert verified(folder).intact
        self.note(folder, 82)

    @pytest.mark.parametrize("left", [b"", b'{"count": 7, "ha', b"[]", b'{"count": null, "hash": 1}'])
    def test_a_broken_one_refuses(self, folder: Path, left: bytes) -> None:
        (folder / HEAD).write_bytes(left)
        with pytest.raises(RecordsError, match="--renew"):
            self.note(folder, 80)
        with open_records(folder) as records:
            renew_lost_head(records, why="a disk error", stamp=made_stamp(81))
        assert verified(folder).intact

    @pytest.mark.parametrize("count", [0, 3])
    def test_one_that_was_set_back_refuses_and_is_told(self, folder: Path, count: int) -> None:
        """An old copy of it, or none of anything, would hide that the end was cut off."""
        with open_records(folder) as records:
            last = records.entry(count).hash if count else "0" * 64
        (folder / HEAD).write_text(canonical_json({"count": count, "hash": last}), encoding="utf-8")
        with pytest.raises(RecordsError, match="--renew"):
            self.note(folder, 80)
        assert {problem.fault for problem in verified(folder).problems} == {"head behind"}

    def test_what_a_killed_writer_left_behind_is_made_good_by_the_next(self, folder: Path) -> None:
        for minute in (80, 81, 82):
            with open_records(folder) as records, pytest.MonkeyPatch.context() as patched:
                patched.setattr("stripread.records.store.keep_head", lambda folder, head: None)  # it is killed before
                records.add_note(Note(text="one more"), made_stamp(minute))
        assert verified(folder).head_behind == 1
        self.note(folder, 83)
        assert verified(folder).head_behind == 0

    def test_a_kill_after_the_very_first_entry_leaves_one_behind_and_none_missing(self, tmp_path: Path) -> None:
        with pytest.MonkeyPatch.context() as patched, open_records(tmp_path, create=True) as records:
            patched.setattr("stripread.records.store.keep_head", lambda folder, head: None)
            records.add_note(Note(text="first"), made_stamp(1))
        self.note(tmp_path, 2)
        assert verified(tmp_path).intact

    def test_it_is_not_renewed_over_a_record_that_is_damaged(self, folder: Path, tampered: sqlite3.Connection) -> None:
        (folder / HEAD).unlink()
        rewrite(tampered, by_eve, 3, all_after=False)
        with open_records(folder) as records, pytest.raises(RecordsError, match="whole but for its head"):
            renew_lost_head(records, why="lost", stamp=made_stamp(81))
        assert not (folder / HEAD).exists()


class TestGuards:
    def faults(self, folder: Path) -> list[tuple[str, str]]:
        with open_records(folder) as records:
            return [(problem.fault, str(problem.where)) for problem in verify_records(records).problems]

    def test_triggers_that_were_dropped_are_told(self, folder: Path, tampered: sqlite3.Connection) -> None:
        assert self.faults(folder) == [("guard removed", f"trigger {name}") for name in guards()]

    def test_one_that_refuses_nothing_any_more_is_told(self, folder: Path) -> None:
        with closing(sqlite3.connect(database_file(folder), isolation_level=None)) as database:
            database.execute("DROP TRIGGER entries_no_UPDATE")
            database.execute("CREATE TRIGGER entries_no_UPDATE BEFORE UPDATE ON entries BEGIN SELECT 1; END")
        assert self.faults(folder) == [("guard removed", "trigger entries_no_UPDATE")]


class TestClock:
    def steps(self, folder: Path) -> list[str]:
        found = verified(folder)
        assert found.intact  # a clock that was set is no tampering
        return [f"{where} {step}" for where, step in found.clock_steps]

    def test_a_clock_that_runs_on_is_not_mentioned(self, folder: Path) -> None:
        assert self.steps(folder) == []

    def test_a_step_back_and_one_far_ahead_are_told(self, folder: Path) -> None:
        last = made_stamp(70).at
        with open_records(folder) as records:
            for at in (last - timedelta(minutes=4), last - timedelta(hours=3), last + timedelta(days=3000), last):
                records.add_note(Note(text="when?"), Stamp(at=at, who="Ana"))
        assert self.steps(folder) == [
            "entry 9 3 hours before the entry that it follows",
            "entry 10 3000 days after the entry that it follows",
            "entry 11 3000 days before the entry that it follows",
        ]


class TestAnchor:
    """A file elsewhere that the heads are noted down in."""

    def anchored(self, folder: Path, file: Path) -> Verification:
        with open_records(folder, anchor=file) as records:
            return verify_records(records)

    def test_a_record_made_anew_with_its_head_is_told(
        self, folder: Path, tmp_path: Path, tampered: sqlite3.Connection
    ) -> None:
        file = tmp_path / "office.txt"
        with closing(sqlite3.connect(database_file(folder))) as database:
            for sql in guards().values():
                database.execute(sql)
        with open_records(folder, anchor=file) as records:
            for minute in (80, 81):
                records.add_note(Note(text="noted elsewhere"), made_stamp(minute))
        assert [line.split()[1].split(":")[0] for line in file.read_text("utf-8").splitlines()] == ["8", "9"]
        assert self.anchored(folder, file).intact
        for name in guards():
            tampered.execute(f"DROP TRIGGER {name}")
        last = rewrite(tampered, by_eve, 3, all_after=True)
        (folder / HEAD).write_text(canonical_json({"count": 9, "hash": last}), encoding="utf-8")
        assert verified(folder).intact
        found = self.anchored(folder, file)
        assert {(p.fault, str(p.where)) for p in found.problems} == {("rewritten", f"entry {n}") for n in (8, 9)}
        with open_records(folder, anchor=file) as records:  # what is entered since hides nothing
            records.add_note(Note(text="later"), made_stamp(90))
        assert not self.anchored(folder, file).intact

    def test_a_share_that_is_away_stops_nobody_and_is_told(self, folder: Path, tmp_path: Path) -> None:
        file = tmp_path / "away" / "office.txt"
        with open_records(folder, anchor=file) as records:
            records.add_note(Note(text="entered all the same"), made_stamp(80))
        assert {p.fault for p in self.anchored(folder, file).problems} == {"noted heads"}
        file.parent.mkdir()
        file.write_text("something else\n", encoding="utf-8")
        assert {p.fault for p in self.anchored(folder, file).problems} == {"noted heads"}

    def test_a_line_cut_short_by_a_power_cut_is_passed_over(self, folder: Path, tmp_path: Path) -> None:
        file = tmp_path / "office.txt"
        with open_records(folder, anchor=file) as records:
            records.add_note(Note(text="noted"), made_stamp(80))
        with file.open("a", encoding="utf-8") as out:
            out.write("2026-05-04T")
        assert self.anchored(folder, file).intact
