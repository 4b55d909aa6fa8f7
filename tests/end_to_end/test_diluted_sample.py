"""A diluted sample from the photo to the record and back. Photos are simulated."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.records import open_records

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
STOCK = SAMPLES / "stock-good.jpg"  # of 220 mg/L: 2200 mg/L, where it was diluted 1 part in 10


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"STRIPREAD_WHO": "Ana"})


def read(*words: object, site: Path = ROOT / "calibration", photo: Path = STOCK, sample: str = "concentrate") -> Result:
    return run("read", photo, "--lot", "WR-2601", "--sample", sample, "--site", site, *words)


def told(result: Result) -> list[dict[str, Any]]:
    assert result.stdout, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture(scope="module")
def plain() -> dict[str, Any]:
    return told(read("--json", "--budget", sample="stock"))[0]


@pytest.fixture(scope="module")
def tenfold() -> dict[str, Any]:
    return told(read("--json", "--budget", "--diluted", "1 part in 10"))[0]


def test_a_concentrate_of_2000_mg_per_l_is_read_through_a_dilution(tmp_path):
    """What is dipped into is drawn: 200 mg/L, the true strength of 2000 mg/L made up 1 part in 10."""
    out, card = tmp_path / "diluted.jpg", tmp_path / "card.toml"
    drawn = run("simulate", "photo", out, "--kind", "clo2-wide", "--value", "200", "--seed", "4",
                "--lot-factor", "0.95", "--card-out", card)  # fmt: skip
    assert drawn.exit_code == 0, drawn.output
    (record,) = told(read("--diluted", "1 part in 10", "--card", card, "--json", photo=out))
    low, high = record["interval"]
    assert low <= 2000 <= high
    assert record["read_interval"][0] <= 200 <= record["read_interval"][1]


def test_the_sample_s_numbers_are_the_strip_s_times_the_factor(plain, tenfold):
    assert tenfold["value"] == pytest.approx(10 * plain["value"])
    assert (
        tenfold["interval"][0] < 10 * plain["interval"][0] < 2200 < 10 * plain["interval"][1] < tenfold["interval"][1]
    )
    for name in ("value", "standard_uncertainty", "interval"):
        assert tenfold[f"read_{name}"] == plain[name] == tenfold["pads"][0][f"read_{name}"]
    assert tenfold["budget"]["dilution"] == pytest.approx(tenfold["value"] * 0.02 * 2**0.5)
    assert tenfold["diluted"] == {
        "convention": "in", "n": 10.0, "factor": 10.0, "u": pytest.approx(0.2 * 2**0.5), "assumed": True,
        "typed": "1 part in 10",
    }  # fmt: skip


def test_nothing_is_said_of_a_dilution_where_there_was_none(plain):
    assert "diluted" not in plain
    assert "read_value" not in plain
    assert "dilution" not in plain["budget"]


def test_it_is_the_sample_that_is_judged(tenfold):
    """The strip's 224 mg/L would be too low for a concentrate."""
    assert tenfold["range_state"] == "above"
    codes = {f["code"] for f in tenfold["findings"]}
    assert "sample_diluted" in codes
    assert "wrong_range_strip" not in codes
    assert read("--json", sample="concentrate").stdout.count('"range_state": "below"') > 0


def test_the_terminal_says_both_conventions_the_strip_s_own_value_and_the_cautions():
    words = " ".join(read("--diluted", "50 mL u 0.5 mL + 450 mL u 5 mL").stdout.split())
    assert "1 part in 10 of the whole = 1 part to 9 of water; factor 10, u 1.3 %" in words
    assert "the strip read 224 mg/L" in words
    assert "pour gently" in words
    assert "Water that takes disinfectant itself" in words


def test_a_bare_ratio_is_refused_before_a_photo_is_read():
    refused = read("--diluted", "1:10")
    assert refused.exit_code == 2
    assert '"1 part in 10"' in refused.stderr
    assert '"1 part to 10"' in refused.stderr


def test_the_picture_says_that_it_was_diluted(tmp_path, monkeypatch):
    from stripread.report.pictures import overlay

    lines = []
    line = overlay._Line
    monkeypatch.setattr(overlay, "_Line", lambda text, size: lines.append(text) or line(text, size))
    read("--diluted", "1 part in 10", "--overlay", tmp_path / "out.png")
    assert any("1 part to 9 of water" in text and "224 mg/L" in text for text in lines)


def test_strips_of_one_diluted_sample_share_its_factor():
    other = SAMPLES / "stock-with-vial.jpg"
    alone = told(read(other, "--json", "--budget", "--together", sample="stock"))
    diluted = told(read(other, "--json", "--budget", "--together", "--diluted", "1 part in 10"))
    assert diluted[2]["value"] == pytest.approx(10 * alone[2]["value"])
    relative = [one["budget"]["dilution"] / one["value"] for one in diluted]
    assert relative == pytest.approx([0.02 * 2**0.5] * 3)  # it does not average out
    assert {f["code"] for f in diluted[2]["findings"]} >= {f["code"] for f in alone[2]["findings"]} - {
        "range_undecided"
    }


def test_replicates_are_held_against_each_other_without_the_factor_they_share():
    weak = SAMPLES / "stock-weak.jpg"  # 130 mg/L
    for more in ((), ("--diluted", "1 part in 10 u 29 %")):
        reads = told(read(weak, "--json", "--replicates", *more, sample="stock"))
        assert all("replicates_disagree" in {f["code"] for f in one["findings"]} for one in reads)


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Path:
    """A site with one diluted reading."""
    folder = Path(shutil.copytree(ROOT / "calibration", tmp_path_factory.mktemp("diluted") / "site"))
    assert run("point", "add", "vat", "--sample", "concentrate", "--site", folder).exit_code == 0
    recorded = read("--diluted", "50 mL to 500 mL", "--point", "vat", "--record", site=folder)
    assert "recorded as entry" in recorded.stderr, recorded.output
    return folder


def test_the_record_keeps_the_sample_s_numbers_and_how_it_was_diluted(site, tenfold):
    with open_records(site) as records:
        (one,) = records.readings()
    assert one.main.value == pytest.approx(tenfold["value"])
    assert one.entry.payload["pads"][0]["read_value"] == pytest.approx(tenfold["read_value"])
    how = one.entry.payload["how"]["diluted"]
    assert how["typed"] == "50 mL to 500 mL"
    assert how["factor"] == pytest.approx(10)
    assert "1 part to 9 of water" in run("log", "--site", site).stdout
    assert "the strip read 224 mg/L" in run("log", "--site", site).stdout


def test_the_report_says_which_entries_were_read_through_a_dilution(site, tmp_path):
    out = tmp_path / "report.html"
    done = run("report", out, "--from", "2026-04-01", "--to", "2026-04-30", "--site", site)
    assert done.exit_code == 0, done.output
    assert "Read through a dilution" in out.read_text(encoding="utf-8")


def test_a_photo_read_again_is_diluted_as_it_was(site, tmp_path):
    """The lot file has other bytes, so that it is read again at all."""
    folder = Path(shutil.copytree(site, tmp_path / "site"))
    lot = folder / "WR-2601" / "lot.json"
    lot.write_text(lot.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    again = run("records", "reread", "--lot", "WR-2601", "--site", folder)
    assert again.exit_code == 0, again.output
    with open_records(folder) as records:
        (one,) = records.readings()
    assert one.entry.supersedes is not None
    assert one.main.value == pytest.approx(2240, rel=0.01)
    assert one.entry.payload["how"]["diluted"]["typed"] == "50 mL to 500 mL"
    assert one.entry.payload["pads"][0]["read_value"] == pytest.approx(224, rel=0.01)
