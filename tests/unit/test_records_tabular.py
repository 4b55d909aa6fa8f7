"""Export and import: nothing is lost on the way, and a reader that knows only the schema reads the tables."""

import csv
import json
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stripread.errors import RecordsError
from stripread.records import (
    Batch,
    Entry,
    Part,
    export_records,
    hash_file,
    import_records,
    open_records,
    utc_text,
    verify_records,
)
from stripread.records.chain.canonical import offset_text
from stripread.records.exchange.tabular import Form
from tests.unit.made_records import START, fill, made_pad, made_payload, made_photo, made_stamp

both_forms = pytest.mark.parametrize("form", ["csv", "jsonl"])


def fill_richly(folder: Path) -> None:
    """Fill a record with all that an export has to carry."""
    with open_records(folder, create=True) as records:
        fill(records, 3)
        duo = [made_pad(1.7, pad="chlorine", analyte="free chlorine"), made_pad(None, pad="ph", analyte="pH")]
        records.add_reading(made_payload(pads=duo, point=None, sample="tap"), files=[made_photo(records, 50)],
                            stamp=made_stamp(50, who='Cleo "the ear", B.'))  # fmt: skip
        records.correct(2, why="wrong bench; says Ben\nand Ana", changes={"point": "bench-9"}, stamp=made_stamp(60))
        records.correct(3, why="fell on the floor", withdraw=True, stamp=made_stamp(70))
        records.add_batch(Batch(id="C-1", kind="concentrate", made_at=START, made_by="", water_l=19.0), made_stamp(80))
        stock = Batch(id="S-1", kind="stock", made_at=START, made_by="Ben", water_l=30.0, tank="blue",
                      parts=(Part(batch="C-1", volume_l=0.1 + 0.2),), expected_mg_per_l=155.55555555555554)  # fmt: skip
        records.add_batch(stock, made_stamp(81))


def said(entries: list[Entry]) -> list[Any]:
    """What entries say, whatever their numbers; of imported ones by whom and with what where they came from."""
    entries = sorted(entries, key=lambda entry: entry.seq)
    places = {entry.seq: index for index, entry in enumerate(entries)}
    found = []
    for entry in entries:
        payload = {key: value for key, value in entry.payload.items() if key != "imported"}
        first = entry.payload.get("imported")
        if first is None:
            first = {"who": entry.who, "software": entry.software, "files": [asdict(ref) for ref in entry.files]}
            first |= {"at_utc": utc_text(entry.at), "zone_offset": offset_text(entry.at), "zone_name": entry.zone_name}
        by = [first[key] for key in ("at_utc", "zone_offset", "zone_name", "who", "software", "files")]
        found.append((entry.kind, entry.subject, places.get(entry.supersedes or 0), payload, by))
    return found


def all_of(folder: Path, kind: Any) -> list[Entry]:
    with open_records(folder) as records:
        return records.entries(kind=kind, superseded=True, limit=1000)


@both_forms
def test_export_then_import_is_identity(tmp_path: Path, form: Form) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    fill_richly(here)
    with open_records(here) as records:
        rows = export_records(records, tmp_path / "out", form=form, stamp=made_stamp(), photos=True)
        readings = records.readings()
        latest = records.latest_by_point()
    assert rows == {"readings": 7, "batches": 2}
    with open_records(there, create=True) as records:
        done = import_records(records, tmp_path / "out", stamp=made_stamp(1000, who="Dan"))
        assert (done.added, done.known, done.without_files) == (8, 0, 0)
        again = import_records(records, tmp_path / "out", stamp=made_stamp(1001, who="Dan"))
        assert (again.added, again.known) == (0, 8)
        assert verify_records(records).intact
        assert [(r.when, r.point, r.pads) for r in records.readings()] == [(r.when, r.point, r.pads) for r in readings]
        assert list(records.latest_by_point()) == list(latest)
        assert records.batches()[0].said.parts[0].volume_l == 0.1 + 0.2
    for kind in ("reading", "batch"):
        assert said(all_of(there, kind)) == said(all_of(here, kind))
    entry = all_of(there, "reading")[0]
    assert entry.who == "Dan"
    assert entry.payload["imported"]["from"] == {
        "file": f"readings.{form}", "sha256": hash_file(tmp_path / "out" / f"readings.{form}")
    }  # fmt: skip
    assert entry.payload["imported"]["who"] == "Ana"
    assert entry.origin == entry.payload["imported"]["hash"]


number = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(codec="utf-8"), min_size=1, max_size=20)


@pytest.mark.slow
@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    values=st.lists(st.tuples(number, number, words, words), min_size=1, max_size=4),
    form=st.sampled_from(["csv", "jsonl"]),
)
def test_any_number_and_any_text_survive(values: list[tuple[float, float, str, str]], form: Form) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "here").mkdir()
        (folder / "there").mkdir()
        with open_records(folder / "here", create=True) as records:
            for value, low, point, remark in values:
                pad = {**made_pad(1.0), "value": value, "interval": [low, None]}
                payload = {**made_payload(point=point, pads=[pad]), "remark": remark}
                records.add_reading(payload, files=[], stamp=made_stamp())
            export_records(records, folder / "out", form=form, stamp=made_stamp())
        with open_records(folder / "there", create=True) as records:
            import_records(records, folder / "out", stamp=made_stamp())
        assert said(all_of(folder / "there", "reading")) == said(all_of(folder / "here", "reading"))


@both_forms
@pytest.mark.parametrize("mend", [False, True], ids=["as it is", "with the descriptor's hash made right"])
def test_an_export_that_was_changed_is_refused_whole(tmp_path: Path, form: Form, mend: bool) -> None:
    fill_richly(tmp_path)
    with open_records(tmp_path) as records:
        export_records(records, tmp_path / "out", form=form, stamp=made_stamp())
    table = tmp_path / "out" / f"readings.{form}"
    text = table.read_text(encoding="utf-8")
    assert "0.202" in text
    for old, new in (("0.202", "0.203"), ('"unit":"pH"' if form == "jsonl" else ",pH,pH,", "X")):
        table.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
        if mend:
            package = tmp_path / "out" / "datapackage.json"
            data = json.loads(package.read_text(encoding="utf-8"))
            data["resources"][0]["hash"] = f"sha256:{hash_file(table)}"
            package.write_text(json.dumps(data), encoding="utf-8")
        with TemporaryDirectory() as there, open_records(Path(there), create=True) as records:
            with pytest.raises(RecordsError, match="line " if mend else "changed after it was exported"):
                import_records(records, tmp_path / "out", stamp=made_stamp())
            assert records.head().count == 0


def test_without_photos_the_import_says_so_and_keeps_their_hashes(tmp_path: Path) -> None:
    fill_richly(tmp_path)
    with open_records(tmp_path) as records:
        export_records(records, tmp_path / "out", form="csv", stamp=made_stamp())
    (tmp_path / "there").mkdir()
    with open_records(tmp_path / "there", create=True) as records:
        assert import_records(records, tmp_path / "out", stamp=made_stamp()).without_files == 6
        assert verify_records(records).intact
        entry = records.entries(kind="reading", superseded=True, limit=100)[-1]
        assert (entry.files, len(entry.payload["imported"]["files"])) == ((), 1)


def test_an_export_does_not_write_over_another(tmp_path: Path) -> None:
    with open_records(tmp_path, create=True) as records:
        export_records(records, tmp_path / "out", form="csv", stamp=made_stamp())
        with pytest.raises(RecordsError, match="without an export"):
            export_records(records, tmp_path / "out", form="jsonl", stamp=made_stamp())


# --- the schema ------------------------------------------------------------------------------------------------------
# A reader by the words of the Table Schema specification alone, that knows nothing of this program.


def by_schema(schema: dict[str, Any], cells: dict[str, Any], *, text: bool) -> None:
    """Check a row against a schema: types, formats, required, enum."""
    for field in schema["fields"]:
        cell = cells[field["name"]]
        if cell is None or (text and cell in schema["missingValues"]):
            assert not field.get("constraints", {}).get("required"), field["name"]
            continue
        kind = field["type"]
        if kind == "integer":
            int(cell)
        elif kind == "number":
            float(cell)
        elif kind == "datetime":
            assert field["format"] == "any"
            datetime.fromisoformat(cell)
        elif kind in ("object", "array"):
            assert isinstance(json.loads(cell) if text else cell, dict if kind == "object" else list)
        else:
            assert kind == "string"
            assert isinstance(cell, str)
        assert cell in field.get("constraints", {}).get("enum", [cell])


@both_forms
def test_tables_are_what_their_schema_and_descriptor_say(tmp_path: Path, form: Form) -> None:
    fill_richly(tmp_path)
    with open_records(tmp_path) as records:
        out = tmp_path / "out"
        rows = export_records(records, out, form=form, stamp=made_stamp())
    package = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
    assert datetime.fromisoformat(package["created"]).utcoffset() == timedelta(hours=2)
    for resource in package["resources"]:
        path = out / resource["path"]
        assert (resource["bytes"], resource["hash"]) == (path.stat().st_size, f"sha256:{hash_file(path)}")
        schema = json.loads((out / resource["schema"]).read_text(encoding="utf-8"))
        names = [field["name"] for field in schema["fields"]]
        assert len(names) == len(set(names))
        with path.open(encoding="utf-8", newline="") as file:
            if form == "csv":
                reader = csv.DictReader(file, strict=True)
                found = list(reader)
                assert reader.fieldnames == names
            else:
                found = [json.loads(line) for line in file]
                assert all(list(row) == names for row in found)
        assert len(found) == rows[resource["name"]]
        for row in found:
            by_schema(schema, row, text=form == "csv")
