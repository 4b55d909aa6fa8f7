"""The commands that keep an eye on a lot, on the demo lots and sample photos, which are simulated."""

import json
import re
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from tests.listed import each

ROOT = Path(__file__).parents[2]
SITE, SAMPLES = ROOT / "calibration", ROOT / "sample_images"
PHOTO = SAMPLES / "line-good.jpg"  # 0.35 mg/L


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def verify(lot: object, *arguments: object) -> Result:
    return run("lot", "verify", lot, *arguments, "--site", SITE)


@pytest.fixture
def lot(tmp_path: Path) -> Path:
    """A copy of a demo lot, whose record then lies beside it."""
    return Path(shutil.copy(SITE / "UL-2603" / "lot.json", tmp_path))


def test_checks_are_told_recorded_once_and_charted(lot: Path, tmp_path: Path) -> None:
    glare = SAMPLES / "line-glare.jpg"
    first = verify(lot, PHOTO, "--known", 0.35, "--u-known", 0.003)
    assert first.exit_code == 0, first.output
    assert first.stdout.startswith("✔ AGREES")
    record = tmp_path / "verification.csv"
    assert len(record.read_text(encoding="utf-8").splitlines()) == 2
    again = verify(lot, PHOTO, glare, "--known", 0.35, "--u-known", 0.003)
    assert again.exit_code == 3
    assert "not recorded again" in again.stdout
    assert "▲ DOUBTFUL" in again.stdout
    assert "no: glare_on_pad" in again.stdout
    assert len(record.read_text(encoding="utf-8").splitlines()) == 3


def test_a_wrong_dilution_differs_and_breaks_the_chart(lot: Path) -> None:
    result = verify(lot, PHOTO, "--known", 0.6, "--json")
    assert result.exit_code == 3
    (line,) = result.stdout.splitlines()
    told: dict[str, Any] = json.loads(line)
    assert told["outcome"] == "disagrees"
    assert told["recorded"] is True
    assert told["e_n"] < -1
    assert "action limit" in result.stderr


def test_a_photo_of_the_calibration_is_no_check(lot: Path, tmp_path: Path) -> None:
    result = verify(lot, SITE / "UL-2603" / "level02-strip1-light1.jpg", "--known", 0.2)
    assert result.exit_code == 1
    assert "calibrated with" in result.stdout
    assert not (tmp_path / "verification.csv").exists()


def test_the_page_shows_what_a_check_says(lot: Path) -> None:
    result = verify(lot, PHOTO, "--known", 0.35, "--u-known", 0.003)
    shown = result.stdout.partition("\n\n")[0].replace(str(PHOTO), "sample_images/line-good.jpg")
    page = (ROOT / "docs" / "how-to" / "watch-a-lot.md").read_text(encoding="utf-8")
    assert without_numbers(shown) in without_numbers(page)


def without_numbers(text: str) -> str:
    """What the sample reads moves with the method, and the changelog holds it; here the words count."""
    return re.sub(r"\d+\.\d+", "#", text)


def test_an_unreadable_photo_is_an_error_and_the_others_are_checked(lot: Path, tmp_path: Path) -> None:
    result = verify(lot, tmp_path / "missing.jpg", PHOTO, "--known", 0.35, "--json")
    assert result.exit_code == 1
    first, second = (json.loads(line) for line in result.stdout.splitlines())
    assert first["error"]["code"] == "photo_unreadable"
    assert second["outcome"] == "agrees"


def test_a_damaged_record_stops_before_any_photo_and_loses_nothing(lot: Path, tmp_path: Path) -> None:
    record = tmp_path / "mine.csv"
    record.write_text("a shopping list\n", encoding="utf-8")
    result = verify(lot, "no-such-photo.jpg", "--known", 0.35, "--record", record)
    assert result.exit_code == 1
    assert "a shopping list" in result.stderr
    assert result.stdout == ""
    assert record.read_text(encoding="utf-8") == "a shopping list\n"


@each(
    "words",
    [
        ("UL-2603", "--known", "nan"),
        ("UL-2603", "--known", "-1"),
        ("UL-2603", "--known", "1", "--u-known", "-1"),
        ("UL-2603", "--known", "1", "--pad", "ph"),
        ("CP-2602", "--known", "1"),
        ("no-such-lot", "--known", "1"),
        ("UL-2603", "--known", "1", "--record", "no-such-folder/x.csv"),
        ("UL-2603",),
    ],
)
def test_wrong_usage_is_code_2(words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    lot, *more = words
    result = verify(lot, PHOTO, *more)
    assert result.exit_code == 2, result.output
    assert list(tmp_path.iterdir()) == []
    assert not (SITE / lot / "verification.csv").exists()


def test_one_pad_of_two_is_checked(tmp_path: Path) -> None:
    photo = SAMPLES / "tap-two-pads.jpg"  # pH 7.3
    result = verify("CP-2602", photo, "--known", 7.3, "--pad", "ph", "--record", tmp_path / "x.csv", "--json")
    told = json.loads(result.stdout)
    assert (told["pad"], told["unit"]) == ("ph", "pH")
    assert abs(told["difference"]) < 4 * told["standard_uncertainty"]


def test_lots_are_compared_and_drawn(lot: Path, tmp_path: Path) -> None:
    from PIL import Image

    data = json.loads(lot.read_text(encoding="utf-8"))
    data["number"] = "UL-9999"
    data["pads"][0]["curve"]["parameters"][0] += 0.3  # log K: a paler dye
    other = tmp_path / "other.json"
    other.write_text(json.dumps(data), encoding="utf-8")
    same = run("lot", "compare", lot, "UL-2603", "--site", SITE)
    assert same.exit_code == 0, same.output
    differs = run("lot", "compare", lot, other, "--plot", tmp_path / "x.png")
    assert differs.exit_code == 3
    assert "THE LOTS DIFFER" in differs.stdout
    with Image.open(tmp_path / "x.png") as picture:
        assert picture.size[0] > 1000
    told = json.loads(run("lot", "compare", lot, other, "--json").stdout)
    assert told["pads"][0]["verdict"] == "differ"
    assert run("lot", "compare", lot, "WR-2601", "--site", SITE).exit_code == 1
    assert run("lot", "compare", lot, "no-such-lot").exit_code == 2


def test_a_report_shows_the_record_and_is_not_written_over(lot: Path, tmp_path: Path) -> None:
    assert verify(lot, PHOTO, "--known", 0.35).exit_code == 0
    out = tmp_path / "report.html"
    series = SITE / "UL-2603" / "series.csv"
    result = run("lot", "report", lot, out, "--series", series, "--resamples", 1)
    assert result.exit_code == 0, result.output
    page = out.read_text(encoding="utf-8")
    assert "All photos were found" in page
    assert PHOTO.name in page
    assert "the bootstrap with 1 resamples" in page
    refused = run("lot", "report", lot, out)
    assert refused.exit_code == 2
    assert run("lot", "report", lot, out, "--force", "--record", tmp_path / "none.csv").exit_code == 2
    assert out.read_text(encoding="utf-8") == page


def test_a_report_without_matplotlib_names_the_extra(
    lot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    result = run("lot", "report", lot, tmp_path / "report.html", "--resamples", 0)
    assert result.exit_code == 1
    assert "stripread[plot]" in result.stderr
    assert not (tmp_path / "report.html").exists()
