"""What other programs rely on: the JSON of ``read`` and ``card check``, and the exit codes."""

import json
import math
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.card import load_card, save_card
from stripread.cli.app import app
from stripread.findings import REGISTRY
from tests.listed import each

CALIBRATION = Path(__file__).parents[2] / "calibration"
LINE = CALIBRATION / "UL-2603"  # 0.1, 0.2 ... mg/L on the ultra-low kind
CARD = CALIBRATION / "card-print-a.toml"
GOOD, TOO_HIGH = LINE / "level03-strip1-light1.jpg", LINE / "level05-strip1-light1.jpg"

KEYS = {
    *("photo", "photo_sha256", "taken_at", "card", "lot", "kind", "sample", "point", "analyte", "unit"),
    *("value", "standard_uncertainty", "interval", "coverage", "censored", "limit", "lab", "delta_e_to_curve"),
    *("validity", "range_state", "probability_within", "findings", "correction", "geometry", "timing_ms"),
}
MORE_KEYS = {"pads", "camera", "cautions", "flash_photo", "flash_photo_sha256"}


def read(*photos: Path, lot: Path = LINE / "lot.json", sample: str = "line", more: tuple[object, ...] = ()) -> Result:
    words = ["read", *photos, "--lot", lot, "--sample", sample, "--card", CARD, *more]
    return CliRunner().invoke(app, [str(word) for word in words])


def records(result: Result) -> list[dict[str, Any]]:
    def no_nan(text: str) -> None:
        raise AssertionError(f"{text} in the output")

    return [json.loads(line, parse_constant=no_nan) for line in result.stdout.splitlines()]


@pytest.fixture(scope="module")
def good() -> dict[str, Any]:
    result = read(GOOD, more=("--json", "--point", "bench 3"))
    assert result.exit_code == 0, result.output
    (record,) = records(result)
    return record


def test_a_reading_has_exactly_the_keys_of_the_contract(good):
    assert set(good) == KEYS | MORE_KEYS


def test_a_reading_names_what_it_was_read_with(good):
    import hashlib

    assert good["photo"] == str(GOOD)
    assert good["photo_sha256"] == hashlib.sha256(GOOD.read_bytes()).hexdigest()
    assert good["taken_at"].startswith("2026-03-02T")
    assert (good["lot"], good["kind"], good["card"]) == ("UL-2603", "clo2-ultralow", "card-print-a")
    assert (good["sample"], good["point"]) == ("line", "bench 3")
    assert (good["analyte"], good["unit"]) == ("chlorine dioxide", "mg/L")


def test_a_readings_numbers_hang_together(good):
    low, high = good["interval"]
    assert low < good["value"] < high
    # What the strip was dipped into. 4 u, as one photo in twenty may lie outside its 95 % interval.
    assert abs(good["value"] - 0.3) < 4 * good["standard_uncertainty"]
    assert 0.5 < (high - low) / (4 * good["standard_uncertainty"]) < 1.5
    assert good["coverage"] == 0.95
    assert good["censored"] is None
    assert good["limit"] is None
    assert (good["validity"], good["range_state"]) == ("valid", "within")
    assert 0.95 < good["probability_within"] <= 1
    assert len(good["lab"]) == 3
    assert set(good["correction"]) == {"method", "residual_de00_mean", "residual_de00_max"}
    assert 0 < good["correction"]["residual_de00_mean"] < good["correction"]["residual_de00_max"]
    assert all(figure >= 0 for figure in good["timing_ms"].values())


def test_a_reading_repeats_its_first_pad_at_the_top(good):
    (pad,) = good["pads"]
    assert all(good[key] == value for key, value in pad.items() if key not in ("pad", "findings"))


def test_the_geometry_lies_in_the_photo_and_the_pad_on_the_card(good):
    corners, pad = good["geometry"]["card_corners"], good["geometry"]["pad_polygons"]["clo2"]
    assert len(corners) == len(pad) == 4
    assert all(-1 <= x <= 1600 and -1 <= y <= 1200 for x, y in pad)
    left, right = min(x for x, _ in corners), max(x for x, _ in corners)
    top, bottom = min(y for _, y in corners), max(y for _, y in corners)
    assert all(left < x < right and top < y < bottom for x, y in pad)


def test_findings_are_those_of_the_registry_with_evidence_and_advice():
    (record,) = records(read(TOO_HIGH, more=("--json",)))
    assert "out_of_range" in {f["code"] for f in record["findings"]}
    for finding in record["findings"]:
        assert set(finding) == {"code", "severity", "message", "advice"}
        assert finding["code"] in REGISTRY
        assert finding["severity"] in ("info", "warning", "error")


def test_a_photo_that_cannot_be_read_has_its_line_and_the_others_are_read(tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(GOOD.read_bytes()[:20_000])
    result = read(broken, GOOD, tmp_path / "missing.jpg", more=("--json", "--jobs", "2"))
    assert result.exit_code == 1
    first, second, third = records(result)
    for record, name in ((first, "broken.jpg"), (third, "missing.jpg")):
        assert set(record) == {"photo", "error"}
        assert record["photo"].endswith(name)
        assert set(record["error"]) == {"code", "expected", "found", "remedy"}
        assert record["error"]["code"] == "photo_unreadable"
    assert second["photo"] == str(GOOD)
    assert second["validity"] == "valid"


@each(("level", "sample", "code"), [(3, "line", 0), (5, "line", 3), (0, "line", 3), (2, "stock", 3)])
def test_the_exit_code_tells_whether_all_is_well(level, sample, code):
    assert read(LINE / f"level0{level}-strip2-light1.jpg", sample=sample).exit_code == code


def test_an_invalid_reading_has_no_number_and_says_why():
    result = read(GOOD, sample="stock", more=("--json",))
    (record,) = records(result)
    assert result.exit_code == 3
    assert record["validity"] == "invalid"
    for key in ("value", "standard_uncertainty", "interval", "censored", "limit", "range_state", "probability_within"):
        assert record[key] is None
    assert record["findings"][0]["severity"] == "error"
    assert record["cautions"]


def test_a_censored_reading_names_its_limit_in_place_of_a_number():
    (record,) = records(read(LINE / "level00-strip1-light1.jpg", sample="source", more=("--json",)))
    assert record["value"] is None
    assert record["censored"] == "below"
    assert set(record["limit"]) == {"name", "value"}
    assert record["limit"]["value"] > 0
    assert record["range_state"] == "within"


def test_a_strip_with_two_pads_lists_both():
    photo = CALIBRATION / "CP-2602" / "level03-strip1-light1.jpg"
    (record,) = records(read(photo, lot=CALIBRATION / "CP-2602" / "lot.json", more=("--json",)))
    assert [pad["pad"] for pad in record["pads"]] == ["chlorine", "ph"]
    assert set(record["geometry"]["pad_polygons"]) == {"chlorine", "ph"}
    assert (record["analyte"], record["pads"][1]["unit"]) == ("free chlorine", "pH")


def test_the_budget_adds_up_to_the_uncertainty():
    (record,) = records(read(GOOD, more=("--json", "--budget")))
    assert math.isclose(math.hypot(*record["budget"].values()), record["standard_uncertainty"], rel_tol=1e-6)


def test_replicates_that_differ_are_all_doubtful_and_replicates_that_agree_are_not():
    apart = read(GOOD, LINE / "level02-strip1-light1.jpg", TOO_HIGH, more=("--json", "--replicates"))
    assert apart.exit_code == 3
    for record in records(apart):
        assert record["validity"] == "doubtful"
        assert "replicates_disagree" in {f["code"] for f in record["findings"]}
    together = read(GOOD, LINE / "level03-strip2-light1.jpg", more=("--json", "--replicates"))
    assert [record["validity"] for record in records(together)] == ["valid", "valid"]


def test_the_read_window_is_checked_where_the_time_of_the_dip_is_told(good):
    late = read(GOOD, more=("--json", "--dipped-at", "2026-03-02T08:00:00"))
    assert late.exit_code == 3
    (record,) = records(late)
    assert "outside_read_window" in {f["code"] for f in record["findings"]}


def test_stdout_carries_data_only():
    words = [sys.executable, "-m", "stripread", "read", GOOD, "--lot", LINE / "lot.json", "--sample", "line"]
    done = subprocess.run([*words, "--card", CARD, "--json"], capture_output=True, text=True, check=True)
    assert len(done.stdout.splitlines()) == 1
    assert json.loads(done.stdout)["validity"] == "valid"


def test_card_check_prints_its_keys_and_tells_fit_from_unfit(tmp_path):
    def check(photo: Path, *more: str) -> Result:
        return CliRunner().invoke(app, ["card", "check", str(photo), "--card", str(CARD), *more])

    result = check(GOOD, "--json")
    assert result.exit_code == 0
    (record,) = records(result)
    assert {"photo", "card", "geometry", "correction", "findings"} <= set(record)
    assert record["would_read"] is True
    assert "error" not in record
    assert len(record["geometry"]["card_corners"]) == 4
    assert "FIT" in check(GOOD).stdout
    missing = check(tmp_path / "missing.jpg", "--json")
    assert missing.exit_code == 1
    assert records(missing)[0]["error"]["code"] == "photo_unreadable"


def test_card_check_tells_its_figures_of_a_photo_that_would_not_be_read(tmp_path):
    """Here it would not, as the card file has the colours in another order."""
    other, card = tmp_path / "other.toml", load_card(CARD)
    colours = [p.lab for p in card.patches if p.role == "colour"]
    shuffled = iter([*colours[17:], *colours[:17]])
    wrong = tuple(replace(p, lab=next(shuffled)) if p.role == "colour" else p for p in card.patches)
    save_card(replace(card, patches=wrong), other)
    result = CliRunner().invoke(app, ["card", "check", str(GOOD), "--card", str(other), "--json"])
    assert result.exit_code == 1
    (record,) = records(result)
    assert record["would_read"] is False
    assert set(record["error"]) == {"code", "expected", "found", "remedy"}
    assert record["error"]["code"] == "photo_unfit"
    assert record["correction"]["residual_de00_mean"] > 5.0
    assert len(record["geometry"]["card_corners"]) == 4
    text = CliRunner().invoke(app, ["card", "check", str(GOOD), "--card", str(other)]).stdout
    assert "what to do" in text
    assert "worst" in text


def test_the_page_of_file_formats_names_every_key_of_the_demo_files():
    page = (CALIBRATION.parent / "docs" / "reference" / "file-formats.md").read_text(encoding="utf-8")
    lot = json.loads((LINE / "lot.json").read_text(encoding="utf-8"))
    card = tomllib.loads(CARD.read_text(encoding="utf-8"))
    (pad,) = lot["pads"]
    kind = tomllib.loads(
        (CALIBRATION.parent / "stripread/strip/kinds/chlorine-ph-duo.toml").read_text(encoding="utf-8")
    )
    tables = [
        card,
        card["marker"][0],
        card["patch"][0],
        card["slot"],
        card["enrolment"],
        kind,
        *kind["pad"],
        kind["dip"],
    ]
    tables += [lot, pad, pad["curve"], pad["curve"]["scatter"], pad["lod"], pad["calibrators"][0]]
    keys = {key for table in tables for key in table}
    keys |= set((CALIBRATION / "CP-2602" / "series.csv").read_text(encoding="utf-8").splitlines()[0].split(","))
    assert {key for key in keys if f"`{key}`" not in page and f"[{key}]" not in page} == set()


@pytest.mark.slow
def test_a_lot_calibrated_from_a_series_reads_a_strip_it_has_not_seen(tmp_path):
    levels = {0: 0.0, 1: 0.1, 2: 0.2, 3: 0.3, 4: 0.5, 5: 1.0, 6: 2.5}
    rows = ["photo,concentration,u_concentration,replicate"]
    for level, value in levels.items():
        for strip in (1, 2):
            rows.append(f"{LINE / f'level0{level}-strip{strip}-light1.jpg'},{value},{0.01 * value},{strip}")
    series, out = tmp_path / "series.csv", tmp_path / "lot.json"
    series.write_text("\n".join(rows) + "\n", encoding="utf-8")
    words = ["--kind", "clo2-ultralow", "--lot", "HALF", "--expires", "2099-12-31", "--card", CARD, "--out", out]
    result = CliRunner().invoke(app, ["lot", "calibrate", str(series), *map(str, words)])
    assert result.exit_code == 0, result.output
    (record,) = records(read(LINE / "level03-strip3-light1.jpg", lot=out, more=("--json",)))
    assert abs(record["value"] - 0.3) < 4 * record["standard_uncertainty"]  # one photo: see above
