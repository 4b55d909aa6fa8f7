"""Every photo of ``sample_images/`` gives what the truth beside it says, by the JSON that other programs rely on.

The changelog's table of what the samples read is held here too, so that no number moves unnoticed.
"""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.photo import open_photo
from tests.listed import each

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "sample_images"
PHOTOS = sorted(FOLDER.glob("*.jpg"))
TRUTHS = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.toml"))}


@pytest.fixture(scope="module")
def records() -> dict[str, dict[str, Any]]:
    """What the program prints for each photo: one call for all that share lot, sample type and card."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for name, truth in TRUTHS.items():
        groups.setdefault((truth["lot"], truth["sample"], truth["card"]), []).append(name)
    found = {}
    for (lot, sample, card), names in groups.items():
        photos = [str(FOLDER / TRUTHS[name]["photo"]) for name in names]
        words = ["--lot", lot, "--sample", sample, "--card", card, "--site", str(ROOT / "calibration"), "--json"]
        result = CliRunner().invoke(app, ["read", *photos, *words])
        lines = [json.loads(line) for line in result.stdout.splitlines()]
        assert [line["photo"] for line in lines] == photos, result.output
        found |= dict(zip(names, lines, strict=True))
    return found


def named(expect: str) -> list[str]:
    return [name for name, truth in TRUTHS.items() if truth["expect"] == expect]


def test_every_photo_has_its_truth_and_says_that_it_is_simulated():
    assert {path.stem for path in PHOTOS} == set(TRUTHS)
    for name, truth in TRUTHS.items():
        assert truth["simulated"] is True, name
        assert truth["photo"] == f"{name}.jpg"
        assert truth["expect"] in ("value", "finding", "error")


def test_there_are_enough_photos_of_full_size_in_little_room():
    sizes = [open_photo(path).full_size for path in PHOTOS]
    assert sum(width * height >= 12_000_000 for width, height in sizes) >= 14
    assert sum(path.stat().st_size for path in PHOTOS) <= 12_000_000


def test_good_photos_give_the_truth_within_their_intervals(records):
    """An interval of 95 % misses one truth in twenty by design: one miss is let pass, a far one is not."""
    missed = []
    for name in named("value"):
        record = records[name]
        assert record.get("validity") == "valid", (name, record)
        for pad in record["pads"]:
            truth = TRUTHS[name]["concentration"][pad["pad"]]
            low, high = pad["interval"]
            assert abs(pad["value"] - truth) <= 4 * pad["standard_uncertainty"], (name, pad)
            if not low <= truth <= high:
                missed.append((name, pad["pad"], truth, low, high))
    assert len(missed) <= 1, missed


@each("name", named("finding"))
def test_a_defect_gives_its_finding(records, name):
    record = records[name]
    assert TRUTHS[name]["code"] in {finding["code"] for finding in record.get("findings", ())}, record
    if record["validity"] == "invalid":
        assert all(pad["value"] is None and pad["interval"] is None for pad in record["pads"])
    if not any(f["severity"] != "info" for f in record["findings"]):
        pytest.fail(f"{name} would pass for a good reading of good water")


@each("name", named("error"))
def test_a_photo_without_measurement_gives_its_error(records, name):
    record = records[name]
    assert set(record) == {"photo", "error"}, record
    assert record["error"]["code"] == TRUTHS[name]["code"]


def test_the_changelog_states_what_the_samples_read(records):
    """To a fifth of a standard uncertainty: room for other decoders and libraries, not for other methods."""
    text = (ROOT / "docs" / "changelog.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([\w-]+)` \| (\w+) \| ([\d.]+) \| ([\d.]+) \|", text, re.MULTILINE)
    stated = {(name, pad): (float(value), float(u)) for name, pad, value, u in rows}
    read = {
        (name, pad["pad"]): (pad["value"], pad["standard_uncertainty"])
        for name, record in records.items()
        for pad in record.get("pads", ())
        if pad["value"] is not None
    }
    assert set(stated) == set(read)
    for key, (value, u) in read.items():
        assert abs(stated[key][0] - value) <= 0.2 * u, (key, value, u)
        assert abs(stated[key][1] - u) <= 0.2 * u, (key, value, u)
