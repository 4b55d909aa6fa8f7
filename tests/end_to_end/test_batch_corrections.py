"""What cannot have been is refused when it is entered, and a corrected volume changes what follows from it.

Strengths are recomputed by plain arithmetic: mass over volume.
"""

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.records import open_records
from tests.listed import each

ROOT = Path(__file__).parents[2]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(ROOT / "calibration", tmp_path / "site"))
    words = ("--water", "20 L u 0.2 L", "--temperature", "20 C u 0.5", "--cover", "sealed", "--at", "2026-04-13T17:00")
    assert run(folder, "batch", "generate", "C-1", *words).exit_code == 0
    assert run(folder, "batch", "stock", "S-1", *mixed("C-1", "10 L", "9 L"), "--at", "2026-04-14T06:00").exit_code == 0
    return folder


def run(site: Path, *words: object) -> Result:
    return CliRunner().invoke(app, [*map(str, words), "--site", str(site)], env={"STRIPREAD_WHO": "Ana"})


def mixed(concentrate: str, add: str, water: str) -> tuple[str, ...]:
    return ("--concentrate", concentrate, "--add", add, "--water", water, "--cover", "covered")


def strengths(site: Path) -> dict[str, float]:
    lines = run(site, "batch", "list", "--json").stdout.splitlines()
    return {one["id"]: one["recipe"]["value"] for one in map(json.loads, lines)}


def entry_of(site: Path, batch: str) -> int:
    with open_records(site) as records:
        return records.entries(kind="batch", subject=batch, limit=1)[0].seq


@each(
    ("words", "why"),
    [
        (("stock", "S-2", *mixed("C-1", "11 L", "9 L")), "left of C-1"),  # 20 L less 10 L
        (("stock", "S-2", *mixed("C-1", "1 L", "1 L"), "--at", "2026-04-13T16:00"), "when C-1 was made"),
        (("generate", "C-2", "--water", "20 L", "--at", "2099-01-01T00:00"), "a time that is past"),
    ],
)
def test_what_cannot_have_been_is_refused(site, words, why):
    result = run(site, "batch", *words)
    assert result.exit_code in (1, 2)
    assert why in result.stderr


def test_a_corrected_volume_changes_what_was_derived_from_it(site):
    before = strengths(site)
    seq = entry_of(site, "C-1")
    assert run(site, "records", "correct", seq, "--why", "misread", "--set", "water=25 L u 0.25 L").exit_code == 0
    after = strengths(site)
    assert after["C-1"] == pytest.approx(before["C-1"] * 20 / 25)
    assert after["S-1"] == pytest.approx(before["S-1"] * 20 / 25, rel=0.01)
    seq = entry_of(site, "S-1")
    assert run(site, "records", "correct", seq, "--why", "misread", "--set", "water=3.5 gal").exit_code == 0
    litres = 3.5 * 3.785411784
    assert strengths(site)["S-1"] == pytest.approx(after["S-1"] * (10 + 9) / (10 + litres), rel=0.01)
    seq = entry_of(site, "S-1")
    refused = run(site, "records", "correct", seq, "--why", "misread", "--set", "part.C-1=26 L")
    assert "left of C-1" in refused.stderr


def test_a_strength_by_hand_needs_a_note_and_then_holds(site):
    seq, by_hand = entry_of(site, "C-1"), ("--set", "expected_mg_per_l=400", "--set", "u_expected_mg_per_l=8")
    refused = run(site, "records", "correct", seq, "--why", "assayed", *by_hand)
    assert "note" in refused.stderr
    assert run(site, "records", "correct", seq, "--why", "assayed", *by_hand, "--set", "note=titrated").exit_code == 0
    assert strengths(site)["C-1"] == pytest.approx(400)


def test_a_second_correction_of_one_entry_names_the_first(site):
    seq = entry_of(site, "S-1")
    for code in (0, 1):
        result = run(site, "records", "correct", seq, "--why", "lid", "--set", "cover=open")
        assert result.exit_code == code, result.output
    assert "supersedes" in result.stderr
    assert "UNIQUE" not in result.stderr


def test_tanks_tell_what_stands_in_them_and_what_is_left(site):
    now = datetime.now().astimezone()
    made = ("--tank", "east tank", "--at", (now - timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M"))
    assert run(site, "batch", "stock", "S-2", *mixed("C-1", "5 L", "4 L"), *made).exit_code == 0
    (tank,) = map(json.loads, run(site, "tank", "list", "--json").stdout.splitlines())
    assert (tank["tank"], tank["batch"]) == ("east tank", "S-2")
    assert tank["left_l"] == pytest.approx(5 + 4)
    assert run(site, "batch", "discard", "S-2", "--volume", "2 L").exit_code == 0
    (tank,) = map(json.loads, run(site, "tank", "list", "--json").stdout.splitlines())
    assert tank["left_l"] == pytest.approx(5 + 4 - 2)
    assert run(site, "tank", "emptied", "east tank").exit_code == 0
    assert "empty" in run(site, "tank", "list").stdout
    two = ("--concentrate", "C-1", "--add", "2 L", "--concentrate", "S-1", "--add", "3 L", "--water", "0 L")
    assert run(site, "batch", "stock", "S-3", *two, "--at", "2026-04-14T06:30").exit_code == 0
    c, s = strengths(site)["C-1"], strengths(site)["S-1"]
    assert strengths(site)["S-3"] == pytest.approx((2 * c + 3 * s) / (2 + 3), rel=0.02)  # an hour and less of loss
