"""Plans that name a batch take what it has by now; crops of a line are named; several sites in one view."""

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.records import Batch, Point, Stamp, open_records
from stripread.report import crops
from stripread.site import load_site
from stripread.units import Measured

ROOT = Path(__file__).parents[2]
NOW = datetime.now().astimezone()


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(ROOT / "calibration", tmp_path / "site"))
    batch = Batch(id="C-1", kind="concentrate", made_at=NOW - timedelta(hours=12), made_by="Ana", water_l=20.0,
                  cover="open", expected_mg_per_l=840.0, u_expected_mg_per_l=20.0)  # fmt: skip
    with open_records(folder, create=True) as records:
        records.add_batch(batch, Stamp(at=NOW, who="Ana"))
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"STRIPREAD_WHO": "Ana"})


def test_a_plan_with_a_batch_takes_what_is_left_of_its_strength(site):
    plan = run(
        "water", "dilute", "--concentrate", "C-1", "--make", "10 L", "--wanted", "210 mg/L", "--site", site, "--json"
    )
    told = json.loads(plan.stdout)
    # After one half-life of an open tank 420 mg/L are left: half concentrate, half water.
    assert told["result"]["concentrate_l"] == pytest.approx(5.0, rel=0.06)
    assert any("as it is by now" in note for note in told["notes"])


def test_what_is_neither_a_strength_nor_a_batch_is_an_error(site):
    result = run("water", "dilute", "--concentrate", "C-9", "--make", "10 L", "--wanted", "210 mg/L", "--site", site)
    assert result.exit_code == 2
    assert "C-9" in result.stderr


def test_crops_of_the_line_are_named_with_what_was_published_of_them():
    told = [str(words) for words in crops("free chlorine", Measured(1.0, 0.1), ("begonia", "orchid"))]
    assert "begonia stands on this line: 2 mg/L" in told[0]
    assert not any("orchid" in words for words in told)


def test_several_sites_are_seen_in_one_view(site, tmp_path):
    other = Path(shutil.copytree(ROOT / "calibration", tmp_path / "other"))
    file = other / "site.toml"
    file.write_text(file.read_text().replace(load_site(other).name, "The other site"))
    with open_records(other, create=True) as records:
        records.add_point(Point(name="bench-1", sample="line"), Stamp(at=NOW, who="Ana"))
    result = run("today", "--site", site, "--site", other)
    assert result.exit_code == 3
    assert "nothing is due" in result.stdout
    assert "The other site: 1 due" in result.stdout
    lines = [json.loads(line) for line in run("today", "--json", "--site", site, "--site", other).stdout.splitlines()]
    assert [line["site"] for line in lines] == ["The other site"]
