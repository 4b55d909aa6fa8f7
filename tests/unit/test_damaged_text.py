"""Files of text that are damaged, or come from another program than ours: a clear error, or understood."""

import csv
import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripread.calibrate import load_series
from stripread.card import load_card
from stripread.cli.app import app
from stripread.errors import LotFileError, RecordsError, SeriesError, SiteError, StripReadError, StudyError
from stripread.lot import load_lot
from stripread.records import Note, Stamp, open_records
from stripread.records.chain.head import load_head
from stripread.site import load_site, write_demo_site
from stripread.study.plan import load_plan
from stripread.web.people.people import People
from tests.unit.made_records import made_stamp

ROOT = Path(__file__).parents[2]
DEEP = 100_000


def _clear(error: StripReadError) -> None:
    said = f"{error.expected} {error.found} {error.remedy}"
    assert "Traceback" not in said
    assert len(said) < 2000
    assert all(str(part) for part in (error.expected, error.found, error.remedy))


class TestNested:
    @pytest.mark.parametrize("text", ["[" * DEEP, '{"a":' * DEEP, "[" * DEEP + "]" * DEEP])
    def test_json(self, tmp_path: Path, text: str) -> None:
        for name, load, error in (
            ("lot.json", load_lot, LotFileError),
            ("plan.json", load_plan, StudyError),
        ):
            (tmp_path / name).write_text(text, encoding="utf-8")
            with pytest.raises(error) as told:
                load(tmp_path / name)
            _clear(told.value)
        (tmp_path / "records.head.json").write_text(text, encoding="utf-8")
        with pytest.raises(RecordsError) as found:
            load_head(tmp_path)
        _clear(found.value)

    @pytest.mark.parametrize("text", ["a = " + "[" * DEEP, "a = " + "{b=" * DEEP, "a = " + "[" * DEEP + "]" * DEEP])
    def test_toml(self, tmp_path: Path, text: str) -> None:
        for name in ("site.toml", "card.toml"):
            (tmp_path / name).write_text(text, encoding="utf-8")
        with pytest.raises(SiteError) as told:
            load_site(tmp_path)
        _clear(told.value)
        with pytest.raises(StripReadError) as found:
            load_card(tmp_path / "card.toml")
        _clear(found.value)


class TestNumbersBeyondAll:
    @pytest.mark.parametrize("number", ["1e999", "-1e999", "1e308", "NaN", "Infinity", "1" + 400 * "0"])
    def test_in_a_lot(self, tmp_path: Path, number: str) -> None:
        whole = (ROOT / "calibration/UL-2603/lot.json").read_text(encoding="utf-8")
        data = json.loads(whole)
        for keys in (
            ("card_u_lab",), ("pads", 0, "curve", "parameters", 0), ("pads", 0, "curve", "top"),
            ("pads", 0, "curve", "scatter", "degrees_of_freedom"), ("pads", 0, "loq", "value"),
            ("pads", 0, "calibrators", 0, "lab", 0),
        ):  # fmt: skip
            changed = json.loads(json.dumps(data))
            place = changed
            for key in keys[:-1]:
                place = place[key]
            place[keys[-1]] = "HERE"
            (tmp_path / "lot.json").write_text(json.dumps(changed).replace('"HERE"', number), encoding="utf-8")
            with pytest.raises(LotFileError) as told:
                load_lot(tmp_path / "lot.json")
            _clear(told.value)

    @pytest.mark.parametrize("number", ["1e308", "1e999", "inf", "nan", "1" + 400 * "0"])
    def test_in_a_site(self, tmp_path: Path, number: str) -> None:
        write_demo_site(tmp_path)
        text = (tmp_path / "site.toml").read_text(encoding="utf-8")
        changed = text.replace("expected = [0.22, 0.50]", f"expected = [0.22, {number}]")
        assert changed != text
        (tmp_path / "site.toml").write_text(changed, encoding="utf-8")
        with pytest.raises(SiteError) as told:
            load_site(tmp_path)
        _clear(told.value)
        assert "expected" in str(told.value)


SERIES = "photo,concentration,u_concentration,replicate\na.jpg,0.5,0.01,1\nb.jpg,1.5,0.02,1\n"


def _series(folder: Path, data: bytes) -> list[float]:
    (folder / "series.csv").write_bytes(data)
    return [row.concentration for row in load_series(folder / "series.csv", photos_needed=False)]


class TestSeries:
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    @pytest.mark.parametrize("ends", ["\n", "\r\n"])
    def test_as_other_programs_write_it(self, tmp_path: Path, encoding: str, separator: str, ends: str) -> None:
        text = SERIES.replace("a.jpg", "señal.jpg")
        if separator != ",":
            text = text.replace(",", separator).replace("0.5", "0,5").replace("1.5", "1,5").replace("0.0", "0,0")
        data = text.replace("\n", ends).encode(encoding)
        assert _series(tmp_path, data) == [0.5, 1.5]
        assert load_series(tmp_path / "series.csv", photos_needed=False)[0].photo.name == "señal.jpg"

    def test_a_decimal_comma_and_a_decimal_point_in_one_file_are_refused(self, tmp_path: Path) -> None:
        text = SERIES.replace(",", ";").replace("0.5", "0,5")
        with pytest.raises(SeriesError, match="decimal") as told:
            _series(tmp_path, text.encode())
        assert "line" in str(told.value)

    def test_a_row_that_stands_there_twice_is_refused_with_both_lines(self, tmp_path: Path) -> None:
        with pytest.raises(SeriesError, match=r"line 2") as told:
            _series(tmp_path, (SERIES + "a.jpg,0.5,0.01,1\n").encode())
        assert "line 4" in str(told.value)

    def test_one_photo_may_stand_there_once_for_each_pad(self, tmp_path: Path) -> None:
        text = "photo,concentration,u_concentration,replicate,pad\na.jpg,0.5,0.01,1,cl\na.jpg,7,0.05,1,ph\n"
        assert _series(tmp_path, text.encode()) == [0.5, 7]

    def test_a_column_that_stands_there_twice_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(SeriesError, match="once"):
            _series(tmp_path, SERIES.replace("replicate", "concentration", 1).encode() + b"")

    def test_a_cell_is_too_long_also_after_an_import_of_longer_ones(self, tmp_path: Path) -> None:
        before = csv.field_size_limit(1 << 30)
        try:
            with pytest.raises(SeriesError) as told:
                _series(tmp_path, SERIES.encode() + b"x" * 200_000 + b",1,1,1\n")
        finally:
            csv.field_size_limit(before)
        _clear(told.value)

    @pytest.mark.parametrize(
        "data",
        [SERIES.encode() + b"x" * 200_000 + b",1,1,1\n", SERIES.encode() + b'"' + b"x\n" * 100_000,
         b"\0" * 1000, SERIES.encode() + b"a\0b.jpg,1,1,1\n", b"\xff\xfe\x00", SERIES.encode() + b"c.jpg,1e999,1,1\n"],
        ids=["long", "quote", "nul", "nul in a name", "half a sign", "1e999"],
    )  # fmt: skip
    def test_damaged(self, tmp_path: Path, data: bytes) -> None:
        with pytest.raises(SeriesError) as told:
            _series(tmp_path, data)
        _clear(told.value)


class TestPeople:
    @pytest.mark.parametrize("what", ["garbage", "half", "page"])
    def test_a_damaged_file_of_people_is_told(self, tmp_path: Path, what: str) -> None:
        people = People(tmp_path, hash_secret=lambda secret: secret)
        people.add("Sol", "supervisor", "green-471")
        people.close()
        file = tmp_path / "people.db"
        with sqlite3.connect(file) as database:
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            database.execute("PRAGMA journal_mode=DELETE")
        database.close()
        data = file.read_bytes()
        size = 4096
        file.write_bytes({"garbage": b"no database " * 999, "half": data[: len(data) // 2],
                          "page": data[:size] + b"\xa5" * size + data[2 * size :]}[what])  # fmt: skip
        with pytest.raises(SiteError, match="people") as told:
            People(tmp_path, hash_secret=lambda secret: secret)
        _clear(told.value)
        assert "person add" in str(told.value.remedy)

    def test_serve_says_so_in_three_lines(self, tmp_path: Path) -> None:
        write_demo_site(tmp_path)
        (tmp_path / "people.db").write_bytes(b"no database " * 999)
        done = CliRunner().invoke(app, ["person", "list", "--site", str(tmp_path)])
        assert done.exit_code == 1, done.output
        assert "what to do:" in done.stderr


FORGED = "all is well\n    99  2026-05-04 09:30 +0000  reading bench-1: 0.25 mg/L  [Ana]\x1b[2J\r"


class TestForgedLines:
    def test_a_note_stays_one_line_of_the_log(self, tmp_path: Path) -> None:
        write_demo_site(tmp_path)
        with open_records(tmp_path, create=True) as records:
            records.add_note(Note(text=FORGED), made_stamp())
            entry = records.entries(limit=1)[0]
            assert entry.payload["text"] == FORGED  # what was typed is kept
            records.correct(entry.seq, why="no\nsuch thing", withdraw=True, stamp=made_stamp(5))
        done = CliRunner().invoke(app, ["log", "--kind", "all", "--site", str(tmp_path)])
        assert done.exit_code == 0, done.output
        assert len(done.stdout.splitlines()) == 1
        shown = CliRunner().invoke(app, ["log", "--kind", "all", "--corrections", "--site", str(tmp_path)])
        assert len(shown.stdout.splitlines()) == 2
        assert "\x1b" not in shown.stdout
        assert "\\n    99  2026" in shown.stdout

    @pytest.mark.parametrize("name", ["bench\n1", "bench\x1b[2J", "a\u2028b"])
    def test_a_name_of_several_lines_is_refused(self, tmp_path: Path, name: str) -> None:
        write_demo_site(tmp_path)
        env = {"STRIPREAD_WHO": "Ana"}
        done = CliRunner().invoke(app, ["point", "add", name, "--sample", "line", "--site", str(tmp_path)], env=env)
        assert done.exit_code != 0
        assert "on one line" in done.stderr
        with open_records(tmp_path, create=True) as records:
            assert records.points() == []

    def test_so_is_the_name_of_whoever_enters(self, tmp_path: Path) -> None:
        with open_records(tmp_path, create=True) as records, pytest.raises(RecordsError, match="on one line"):
            records.add_note(Note(text="x"), Stamp(at=made_stamp().at, who="Ana\nBen"))
