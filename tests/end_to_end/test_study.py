"""A study by its commands: what the page shows, and a small simulated one from the plan to what reports then say."""

import json
import os
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.records import open_records
from tests.end_to_end.docs_output import BLOCK, DOCS, ROOT, shown

PAGE = DOCS / "how-to" / "prove-on-your-phones.md"


def run(*words: str, code: int = 0) -> str:
    result = CliRunner().invoke(app, list(words))
    assert result.exit_code == code, result.output
    return result.output


def test_the_page_shows_what_the_commands_print(tmp_path: Path, monkeypatch) -> None:
    (tmp_path / "calibration").symlink_to(ROOT / "calibration")
    monkeypatch.chdir(tmp_path)
    blocks = [m["body"] for m in BLOCK.finditer(PAGE.read_text(encoding="utf-8")) if m["kind"] == "console"]
    assert len(blocks) == 2
    for body in blocks:
        assert shown(body, None, None) == body
    assert Path.cwd() == tmp_path / "my-nursery"
    os.chdir(ROOT)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("study") / "site"
    run("simulate", "study", str(folder), "--site", str(ROOT / "calibration"), "--short", "--small", "--seed", "6")
    return folder


@pytest.fixture(scope="module")
def halves(drawn: Path) -> tuple[str, str, str]:
    """Half of the photos first, the rest by somebody else; what the command says then, and of a report too early."""
    some, site = drawn / "some", ("--site", str(drawn))
    some.mkdir()
    photos = sorted((drawn / "photos").iterdir())
    for photo in photos[: len(photos) // 2]:
        shutil.copy(photo, some)
    sheet, everything = str(drawn / "sheet.csv"), ("--photos", str(drawn / "photos"))
    first = run("study", "run", "demo", "--sheet", sheet, "--photos", str(some), "--who", "Ada", *site)
    early = run("study", "report", "demo", str(drawn / "early"), *site, code=1)
    run("study", "run", "demo", *everything, "--assays", str(drawn / "assays.csv"), "--who", "Ben", *site)
    again = run("study", "run", "demo", *everything, "--sheet", sheet, "--who", "Ben", *site)
    return first, early, again


@pytest.fixture(scope="module")
def done(drawn: Path, halves) -> Path:
    """All of it done: what was refused twice is given up."""
    site = ("--site", str(drawn))
    said = run("study", "run", "demo", *site, "--who", "Ben")
    while "next: " in said:
        code = said.split("next: ")[1].split(",")[0]
        number = said.split("  photo ")[1].split(":")[0]
        said = run("study", "run", "demo", "--skip", f"{code}-{number}", "--why", "refused", "--who", "Ben", *site)
    assert "all is done" in said
    assert "mg/L" not in said
    return drawn


@pytest.mark.slow
class TestSimulated:
    """The short form, its photos small, from the plan to what reports then say."""

    def test_it_is_stopped_and_gone_on_with(self, halves) -> None:
        first, _, again = halves
        assert "assays of the stock missing: start, middle, end" in first
        assert "15 of 15" not in first
        assert "took in 0 lines" in again  # all of it was in

    def test_the_truth_stays_sealed_until_all_is_done(self, halves) -> None:
        assert "stays sealed until then" in halves[1]

    def test_fifteen_strips_never_pass(self, done: Path) -> None:
        site = ("--site", str(done))
        said = run("study", "report", "demo", str(done / "report"), *site, "--who", "Sol", code=3)
        assert "SIMULATED" in said
        assert "15 strips cannot show" in said
        page = (done / "report.html").read_text(encoding="utf-8")
        assert "TOO FEW" in page
        assert (done / "report.pdf").read_bytes().startswith(b"%PDF")
        again = run("study", "report", "demo", str(done / "again"), *site, "--who", "Sol", code=3)
        with open_records(done) as records:
            kinds = [e.payload["event"] for e in records.entries(kind="study", limit=1000)]
        assert kinds.count("reported") == 1  # the same log is judged once
        assert kinds[-1] == "planned"
        assert said.splitlines()[-1] == again.splitlines()[-1]

    def test_readings_and_reports_then_say_that_it_was_not_proven(self, done: Path) -> None:
        site = ("--site", str(done))
        run("study", "report", "demo", str(done / "report"), "--force", *site, "--who", "Sol", code=3)
        photo = str(ROOT / "sample_images" / "line-good.jpg")
        run("read", photo, "--lot", "UL-2603", "--sample", "line", *site, "--record", "--who", "Sol")
        with open_records(done) as records:
            (reading,) = records.readings()
        assert reading.entry.payload["proven"]["outcome"] in ("too few", "fail")
        assert reading.entry.payload["proven"]["lights"] == []
        run("report", str(done / "period.html"), *site)
        assert "study of 2026-05-11" in (done / "period.html").read_text(encoding="utf-8")
        run("lot", "report", "UL-2603", str(done / "lot.html"), "--resamples", "0", *site)
        assert "study of 2026-05-11" in (done / "lot.html").read_text(encoding="utf-8")

    def test_a_truth_that_was_changed_proves_nothing(self, done: Path) -> None:
        sealed = done / "studies" / "sealed" / "demo.json"
        kept = sealed.read_bytes()
        data = json.loads(kept)
        first, second = list(data["strength_of"])[:2]
        data["strength_of"][first], data["strength_of"][second] = "0.9", "blank"
        sealed.write_text(json.dumps(data), encoding="utf-8")
        said = run("study", "report", "demo", str(done / "changed"), "--site", str(done), code=1)
        sealed.write_bytes(kept)
        assert "sealed in the plan" in said
