"""From the photo of a vial to a provisional lot, a reading from it, and the check of a calibrated lot."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from tests.listed import each

ROOT = Path(__file__).parents[2]
SITE = ROOT / "calibration"
VIAL = ROOT / "sample_images" / "stock-with-vial.jpg"
VALUES = "0,50,100,250,400,600"


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def from_chart(out: Path, *more: object, values: str = VALUES, photo: Path = VIAL, kind: str = "clo2-wide") -> Result:
    words = ["lot", "from-chart", photo, "--values", values, "--kind", kind, "--lot", "WR-2601", "--expires"]
    return run(*words, "2027-03-31", "--card", "card-print-a", "--site", SITE, "--out", out, *more)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("chart")
    result = from_chart(folder / "lot.json", "--overlay", folder / "chart.png")
    assert result.exit_code == 0, result.output
    assert "PROVISIONAL" in result.stdout
    return folder


def test_the_lot_file_says_that_it_is_provisional_and_has_no_limits(made):
    lot = json.loads((made / "lot.json").read_text())
    assert lot["provisional"] is True
    pad = lot["pads"][0]
    assert pad["curve"]["method"] == "chart-blocks"
    assert pad["curve"]["values"] == [0, 50, 100, 250, 400, 600]
    assert pad["lod"]["value"] is pad["loq"]["value"] is None
    lightness = [lab[0] for lab in pad["curve"]["block_lab"]]
    assert lightness == sorted(lightness, reverse=True)


def test_the_overlay_is_a_picture_with_a_banner_over_the_photo(made):
    picture = Image.open(made / "chart.png")
    assert picture.width == 1600
    assert picture.height > 1250
    assert np.asarray(picture.convert("RGB"))[5, 5].tolist() == [255, 190, 30]


@each(("name", "true"), [("stock-good", 220.0), ("stock-weak", 130.0), ("stock-with-vial", 220.0)])
def test_a_reading_says_provisional_is_doubtful_and_as_wide_as_the_chart_is_coarse(made, name, true):
    photo = ROOT / "sample_images" / f"{name}.jpg"
    words = ["--lot", made / "lot.json", "--sample", "stock", "--card", "card-print-a", "--site", SITE]
    result = run("read", photo, *words, "--json")
    record = json.loads(result.stdout)
    assert result.exit_code == 3
    assert record["validity"] == "doubtful"
    assert {"provisional_lot"} <= {f["code"] for f in record["findings"] if f["severity"] == "warning"}
    assert "lot_not_calibrated_for_card" not in {f["code"] for f in record["findings"]}
    low, high = record["interval"]
    step = 150.0  # both truths lie between the blocks of 100, 250 and 400
    assert high - low >= step / 2
    assert low <= true <= high


def test_a_number_of_values_that_is_not_that_of_the_blocks_is_an_error_and_no_lot_is_written(tmp_path):
    result = from_chart(tmp_path / "lot.json", "--overlay", tmp_path / "chart.png", values="0,50,100,250,400")
    assert result.exit_code == 1
    assert "5 blocks" in result.stderr
    assert "6" in result.stderr.split("found:")[1]
    assert not (tmp_path / "lot.json").exists()
    assert (tmp_path / "chart.png").exists()  # to see what was taken for blocks


def test_a_photo_without_a_vial_is_an_error(tmp_path):
    result = from_chart(tmp_path / "lot.json", photo=ROOT / "sample_images" / "no-strip.jpg")
    assert result.exit_code == 1
    assert "no such row" in result.stderr


def test_wrong_words_are_wrong_usage(tmp_path):
    assert from_chart(tmp_path / "lot.json", values="0:50").exit_code == 2
    assert from_chart(tmp_path / "lot.json", kind="chlorine-ph-duo").exit_code == 2  # which pad?


def check(lot: object, values: str = VALUES) -> Result:
    words = ["lot", "check-chart", VIAL, "--lot", lot, "--values", values, "--card", "card-print-a", "--site", SITE]
    return run(*words)


def test_the_lot_of_that_vial_agrees_with_its_chart():
    result = check("WR-2601")
    assert result.exit_code == 0, result.output
    assert len([line for line in result.stdout.splitlines() if line.strip().split()[0] in VALUES.split(",")]) == 6


def test_values_that_are_not_that_chart_s_do_not_agree():
    result = check("WR-2601", values="0,10,20,40,80,120")
    assert result.exit_code == 3
    assert "differs" in result.stdout


def test_a_provisional_lot_is_not_held_against_a_chart(made):
    assert check(made / "lot.json").exit_code == 2


@pytest.mark.parametrize(("known", "code", "words"), [(220, 0, "AGREES"), (110, 3, "DIFFERS")])
def test_a_known_dilution_puts_a_provisional_lot_to_the_test(made, tmp_path, known, code, words):
    photo = ROOT / "sample_images" / "stock-good.jpg"
    where = ["--card", "card-print-a", "--site", SITE, "--record", tmp_path / "checks.csv"]
    result = run("lot", "verify", made / "lot.json", photo, "--known", known, *where)
    assert result.exit_code == code, result.output
    assert words in result.stdout


def test_a_provisional_lot_s_report_says_what_it_is_and_states_no_coverage(made, tmp_path):
    result = run("lot", "report", made / "lot.json", tmp_path / "lot.html")
    assert result.exit_code == 0, result.output
    page = (tmp_path / "lot.html").read_text()
    assert "PROVISIONAL" in page
    assert "A chart has no replicates" in page
    assert "Calibrated on" not in page


def test_a_drawn_vial_comes_with_its_truth(tmp_path):
    out = tmp_path / "vial.jpg"
    result = run("simulate", "vial", out, "--kind", "clo2-wide", "--values", VALUES, "--seed", 3)
    assert result.exit_code == 0, result.output
    assert "simulated = true" in out.with_suffix(".toml").read_text()
