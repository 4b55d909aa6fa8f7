"""The record by its commands, on the demo lots and sample photos, which are simulated."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.records import open_records
from stripread.web.calibration.drafts import DraftPad, DraftPhoto, Drafts, DraftSolution, PadValue

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


def run(*arguments: object, enter: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], input=enter, env={"STRIPREAD_WHO": "Ana"})


def told(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with four recorded readings and a check, made once."""
    site = Path(shutil.copytree(ROOT / "calibration", tmp_path_factory.mktemp("recorded") / "site"))
    at = ("--site", site, "--record")
    plain = run("read", SAMPLES / "line-good.jpg", SAMPLES / "no-strip.jpg", "--sample", "line", "--lot", "UL-2603",
                "--point", "bench-1", "--json", *at)  # fmt: skip
    assert plain.exit_code == 1, plain.output
    assert plain.stderr.count("recorded as entry") == 1  # a photo that gives no reading leaves none
    assert run("read", SAMPLES / "tap-two-pads.jpg", "--sample", "tap", "--lot", "CP-2602", *at).exit_code == 0
    other = site.parent / "line-good.jpg"  # the same picture, but other bytes: no photo may be used twice
    other.write_bytes((SAMPLES / "line-good.jpg").read_bytes() + b"\0")
    both = run("read", other, SAMPLES / "line-turned.jpg", "--sample", "line", "--lot", "UL-2603",
               "--point", "bench-2", "--together", "--who", "Ben", *at)  # fmt: skip
    assert both.stderr.count("recorded as entry") == 1
    assert run("lot", "verify", "UL-2603", SAMPLES / "line-low.jpg", "--known", "0.12", "--site", site).exit_code == 0
    return site


@pytest.fixture
def site(recorded: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(recorded, tmp_path / "site"))


def test_what_is_recorded_is_what_read_prints(site: Path) -> None:
    # The JSON of `read` stays as it is with --record, and is kept whole but for the times that reading took.
    (printed,) = told(run("read", SAMPLES / "line-good.jpg", "--sample", "line", "--lot", "UL-2603", "--json",
                          "--budget", "--point", "bench-1", "--site", site))  # fmt: skip
    (kept,) = told(run("log", "--point", "bench-1", "--json", "--site", site))
    entry = kept.pop("entry")
    how = kept.pop("how")
    del printed["timing_ms"]
    # What the record knows besides: this photo is old, and nobody accepted lot and card.
    besides = ("clock_wrong", "file_never_accepted")
    kept["findings"] = [f for f in kept["findings"] if f["code"] not in besides]
    kept.pop("messages", None)  # what is printed has the English alone
    assert kept.pop("proven") is None  # no study of the lot is in the record
    assert {**printed, "photo": "line-good.jpg"} == kept
    assert how["expected"] == [
        {"analyte": "chlorine dioxide", "unit": "mg/L", "low": 0.22, "high": 0.5, "target": 0.35}
    ]
    assert [file["role"] for file in entry["files"]] == ["photo", "lot", "card"]
    for file in entry["files"]:
        assert file["sha256"] in file["path"]
        assert (site / file["path"]).is_file()
    assert (site / entry["files"][0]["path"]).read_bytes() == (SAMPLES / "line-good.jpg").read_bytes()
    assert (site / entry["files"][1]["path"]).read_bytes() == (site / "UL-2603" / "lot.json").read_bytes()


def test_lots_cards_and_checks_become_known(site: Path) -> None:
    kinds = [line["entry"]["kind"] for line in told(run("log", "--kind", "all", "--json", "--site", site))]
    assert kinds == ["check_standard", "reading", "reading", "lot", "reading", "card_print", "lot", "site"]


def test_the_log_lists_filters_and_pages(site: Path) -> None:
    page = run("log", "--limit", "2", "--site", site)
    assert page.stdout.splitlines()[1].split()[0] == "6"
    assert "7.36" in page.stdout  # the second pad
    last = page.stderr.split()[-1]
    rest = run("log", "--limit", "2", "--before", last, "--site", site)
    assert len(rest.stdout.splitlines()) == 2
    assert [line["entry"]["who"] for line in told(run("log", "--who", "Ben", "--json", "--site", site))] == ["Ben"]
    assert told(run("log", "--from", "2026-04-15", "--json", "--site", site)) == []
    assert len(told(run("log", "--to", "2026-04-14", "--json", "--site", site))) == 3
    assert len(told(run("log", "--sample", "line", "--validity", "valid", "--json", "--site", site))) == 2
    assert run("log", "--kind", "bathc", "--site", site).exit_code == 2


def test_a_correction_shows_with_its_reason(site: Path) -> None:
    done = run("records", "correct", "4", "--why", "wrong bench", "--set", "point=bench-9", "--site", site)
    assert done.exit_code == 0, done.output
    assert run("log", "--point", "bench-1", "--site", site).stdout == ""
    text = run("log", "--corrections", "--site", site).stdout
    assert "in place of entry 4: wrong bench" in text
    assert "superseded by entry 9" in text
    for wrong in (["--set", "value=9"], ["--set", "point"], []):
        assert run("records", "correct", "9", "--why", "x", *wrong, "--site", site).exit_code in (1, 2)


def test_verify_says_intact_or_names_the_fault(site: Path) -> None:
    good = run("records", "verify", "--site", site)
    assert good.exit_code == 0, good.output
    head = good.stdout.split("head")[1].split()[0]
    assert run("records", "verify", "--anchor", head, "--quick", "--site", site).exit_code == 0
    assert run("records", "verify", "--anchor", "4:abc", "--site", site).exit_code == 2
    next((site / "photos").rglob("*.jpg")).unlink()
    bad = run("records", "verify", "--site", site)
    assert bad.exit_code == 3
    assert "file removed" in bad.stdout
    assert run("records", "verify", "--json", "--site", site).exit_code == 3


def test_backup_and_restore(site: Path, tmp_path: Path) -> None:
    assert run("records", "backup", tmp_path / "b.zip", "--site", site).exit_code == 0
    assert run("records", "backup", tmp_path / "b.zip", "--site", site).exit_code == 2
    there = tmp_path / "there"
    assert run("records", "restore", tmp_path / "b.zip", there).exit_code == 0
    assert run("records", "verify", "--site", there).exit_code == 0
    assert (there / "UL-2603" / "verification.csv").is_file()
    again = run("read", SAMPLES / "line-good.jpg", "--sample", "line", "--lot", "UL-2603", "--record", "--site", there)
    assert "recorded as entry 9" in again.stderr  # the site goes on where it was


def test_a_backup_holds_calibrations_under_way_and_the_series_of_lots(site: Path, tmp_path: Path) -> None:
    drafts = Drafts(site)
    pad = DraftPad(id=None, analyte="pH", unit="pH", blank=False)
    level = DraftSolution(name="7", take_ml=0, water_ml=0, source="", values=(PadValue(pad=None, value=7, u=0.02),))
    draft = drafts.begin(
        number="PH-1", kind="x", card="c", expires="2028-01-31", by="Ana", at="2026-04-14T08:00:00+00:00", unit="pH",
        standard=None, u_standard=None, total_ml=None, strips=2, lights=1, intermediates=(), levels=(level,),
        pads=(pad,),
    )  # fmt: skip
    data = (SAMPLES / "line-good.jpg").read_bytes()
    photo = DraftPhoto(sha256=hashlib.sha256(data).hexdigest(), suffix=".jpg", level=0, strip=1, at="", who="Ana")
    drafts.add_photo(draft.id, photo, data)
    (drafts.folder(draft.id) / ".unfinished-1").write_bytes(b"half")
    (drafts.folder(draft.id) / "fit-0.part").write_bytes(b"half")
    there = tmp_path / "there"
    assert run("records", "backup", tmp_path / "b.zip", "--site", site).exit_code == 0
    assert run("records", "restore", tmp_path / "b.zip", there).exit_code == 0
    assert Drafts(there).every() == drafts.every() != []
    assert sorted(path.name for path in (there / "drafts" / draft.id).iterdir()) == sorted(["draft.json", photo.file])
    assert (there / "drafts" / draft.id / photo.file).read_bytes() == data
    series = "UL-2603/series.csv"
    assert (there / series).read_bytes() == (site / series).read_bytes()


def test_export_and_import(site: Path, tmp_path: Path) -> None:
    assert run("records", "export", tmp_path / "out", "--jsonl", "--photos", "--site", site).exit_code == 0
    there = Path(shutil.copytree(ROOT / "calibration", tmp_path / "there"))
    done = run("records", "import", tmp_path / "out", "--site", there)
    assert "added 3 entries" in done.stderr
    assert run("records", "verify", "--site", there).exit_code == 0


def test_tidy_removes_only_what_no_entry_names_and_asks(site: Path) -> None:
    with open_records(site) as records:
        orphan = site / records.keep("photo", b"left by a killed process", "x.jpg", suffix=".jpg").path
    assert "younger than an hour" in run("records", "tidy", "--yes", "--site", site).stderr
    os.utime(orphan, (1e9, 1e9))
    run("records", "tidy", "--site", site, enter="n\n")
    assert orphan.is_file()
    assert "removed 1" in run("records", "tidy", "--site", site, enter="y\n").stderr
    assert not orphan.exists()
    assert run("records", "verify", "--site", site).exit_code == 0


def test_reading_again_with_another_calibration_supersedes(site: Path) -> None:
    lot = site / "UL-2603" / "lot.json"
    same = run("records", "reread", "--lot", "UL-2603", "--site", site)
    assert "0 read again" in same.stdout
    data = json.loads(lot.read_text(encoding="utf-8"))
    curve = data["pads"][0]["curve"]
    curve["parameters"][0] += 0.3  # log K: all concentrations grow by about a third
    lot.write_text(json.dumps(data), encoding="utf-8")
    dry = run("records", "reread", "--lot", "UL-2603", "--dry-run", "--site", site)
    assert "2 read again" in dry.stdout
    assert "nothing was recorded" in dry.stdout
    before = {
        line["entry"]["seq"]: line["value"] for line in told(run("log", "--lot", "UL-2603", "--json", "--site", site))
    }
    moved = told(run("records", "reread", "--lot", "UL-2603", "--json", "--site", site))
    assert len(moved) == 2  # one of a single photo, one of two photos together
    for one in moved:
        (pad,) = one["moved"]
        assert pad["was"] == before[one["entry"]]
        assert 1.25 < pad["now"] / pad["was"] < 1.45
    now = told(run("log", "--lot", "UL-2603", "--json", "--site", site))
    assert {line["entry"]["supersedes"] for line in now} == set(before)
    assert all("read again with lot file" in line["entry"]["why"] for line in now)
    assert all(len(line.get("messages", [])) == len(line["findings"]) for line in now)
    assert "0 read again" in run("records", "reread", "--lot", "UL-2603", "--site", site).stdout
    assert run("records", "verify", "--site", site).exit_code == 0


def test_reading_again_without_a_move_gives_the_same_numbers(site: Path) -> None:
    lot = site / "UL-2603" / "lot.json"
    lot.write_bytes(lot.read_bytes() + b"\n")  # another file that says the same
    for one in told(run("records", "reread", "--lot", "UL-2603", "--json", "--site", site)):
        assert [pad["now"] - pad["was"] for pad in one["moved"]] == [0.0]
        assert one["judged_anew"] is False


def test_init_begins_a_site_with_its_record(tmp_path: Path) -> None:
    done = run("init", tmp_path / "new")
    assert done.exit_code == 0, done.output
    assert "records.db" in done.stderr
    assert run("records", "verify", "--site", tmp_path / "new").exit_code == 0
    (first,) = told(run("log", "--kind", "all", "--json", "--site", tmp_path / "new"))
    assert (first["entry"]["kind"], first["entry"]["who"], first["name"]) == ("site", "Ana", "Quillmere Demo Nursery")


def test_without_a_site_or_a_record_the_error_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("log").exit_code == 2
    assert run("log", "--site", ROOT / "calibration").exit_code == 1
    lost = run("read", SAMPLES / "line-good.jpg", "--sample", "line", "--record",
               "--lot", ROOT / "calibration" / "UL-2603" / "lot.json")  # fmt: skip
    assert lost.exit_code == 2
    assert "stripread init" in lost.stderr
    assert lost.stdout == ""  # told before any photo is read


def test_commands_without_a_record_do_not_import_its_packages() -> None:
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom stripread.cli.app import app\n"
        f"CliRunner().invoke(app, ['read', {str(SAMPLES / 'no-strip.jpg')!r}, '--sample', 'line', '--lot', 'UL-2603', "
        f"'--site', {str(ROOT / 'calibration')!r}])\nCliRunner().invoke(app, ['records', 'verify', '--help'])\n"
        "print([m for m in ('sqlalchemy', 'alembic', 'psycopg') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_site_notes_its_heads_down_elsewhere(tmp_path: Path) -> None:
    site, file = tmp_path / "new", tmp_path / "office.txt"
    assert run("init", site).exit_code == 0
    with (site / "site.toml").open("a", encoding="utf-8") as out:
        out.write(f"\n[records]\nanchor = {json.dumps(str(file))}\n")
    assert run("note", "noted elsewhere", "--site", site).exit_code == 0
    (line,) = file.read_text(encoding="utf-8").splitlines()
    assert line.split()[1] == run("records", "head", "--site", site).stdout.strip()
    assert run("records", "verify", "--site", site).exit_code == 0
    file.write_text(line.replace(line[-64:], "0" * 64) + "\n", encoding="utf-8")
    assert run("records", "verify", "--site", site).exit_code == 3
