"""Planning with what a site aims at, and what is said of crops."""

import json
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.site import write_demo_site
from tests.listed import each

DILUTE = 'dilute --concentrate "435 mg/L u 18" --make "10 gal"'
TOP_UP = 'top-up --stock "165 mg/L u 9" --volume "40 L" --concentrate "420 mg/L u 20"'
TANK = 'tank --tank "16 gal" --concentrate "435 mg/L u 18" --available "6 gal"'
INJECT = 'inject --demand "0.45 mg/L u 0.05" --stock "220 mg/L u 11"'


@pytest.fixture
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def site(nowhere: Path) -> Path:
    """The demo site with targets of its own, so that no number of the program can pass for them."""
    file = write_demo_site(nowhere)
    text = file.read_text().replace("target = 220.0", "target = 230.0").replace("target = 0.35", "target = 0.41")
    file.write_text(text)
    return nowhere


def run(line: str) -> Result:
    return CliRunner().invoke(app, ["water", *shlex.split(line)])


def told(line: str) -> dict:
    result = run(f"{line} --json")
    assert result.exit_code in (0, 3), result.output
    return json.loads(result.stdout)


@each(
    ("line", "option", "aim", "sample"),
    [
        (DILUTE, "wanted", "230 mg/L", "stock"),
        (TOP_UP, "wanted", "230 mg/L", "stock"),
        (TANK, "wanted", "230 mg/L", "stock"),
        (INJECT, "residual", "0.41 mg/L", "line"),
        (f"{INJECT} --ratio 1%", "residual", "0.41 mg/L", "line"),
    ],
)
def test_what_the_site_aims_at_is_taken_and_told(site, line, option, aim, sample):
    taken, typed = told(line), told(f'{line} --{option} "{aim}"')
    assert taken["result"] == typed["result"]
    (note,) = set(taken["notes"]) - set(typed["notes"])
    assert note == f"{option.capitalize()} {aim}: the target of sample {sample} in site.toml."


def test_what_is_typed_comes_before_the_site(site):
    assert told(f'{INJECT} --residual "0.2 mg/L"')["result"]["dose_mg_per_l"]["value"] == pytest.approx(0.65)
    assert told(INJECT)["result"]["dose_mg_per_l"]["value"] == pytest.approx(0.86)


def test_a_site_elsewhere_is_named(site, tmp_path_factory, monkeypatch):
    monkeypatch.chdir(tmp_path_factory.mktemp("away"))
    assert run(DILUTE).exit_code == 2
    assert run(f"{DILUTE} --site {site}").exit_code == 0


@each("line", [DILUTE, TOP_UP, TANK, INJECT])
def test_without_a_site_the_option_is_asked_for(nowhere, line):
    result = run(line)
    assert result.exit_code == 2
    assert [part.split(":")[0] for part in result.stderr.splitlines()] == ["expected", "found", "what to do"]
    assert "no site.toml" in result.stderr


def test_a_site_without_a_target_is_no_default(site):
    file = site / "site.toml"
    file.write_text(file.read_text().replace("target = 0.41\n", ""))
    assert run(INJECT).exit_code == 2
    assert run(DILUTE).exit_code == 0


def test_the_target_of_another_analyte_is_no_default(site):
    assert run(f"{INJECT} --disinfectant chlorine-dioxide").exit_code == 0
    result = run(f"{INJECT} --disinfectant free-chlorine")
    assert result.exit_code == 2
    assert "free chlorine" in result.stderr


@each("way", ['--stock "3000 mg/L u 15"', "--ratio 1%", '--ratio 1% --stock "850 mg/L u 5"'])
def test_harm_is_told_by_the_dose_and_not_by_the_residual(nowhere, way):
    strong = told(f'inject --residual "0.35 mg/L" --demand "8 mg/L u 0.1" {way}')
    assert any("8 mg/L five times a week" in caution for caution in strong["cautions"])
    weak = told(f'inject --residual "0.35 mg/L" --demand "0.45 mg/L" {way.replace("850", "80")}')
    assert not any("Plants near the injector" in caution for caution in weak["cautions"])
    assert any("no clearance" in caution for caution in weak["cautions"])


def test_the_upper_end_of_an_unsure_dose_counts(nowhere):
    line = 'inject --residual "0.35 mg/L" --demand "6.5 mg/L u {}" --ratio 1%'
    said = [any("8 mg/L five" in c for c in told(line.format(u))["cautions"]) for u in (0.1, 1.0)]
    assert said == [False, True]


def test_crops_go_by_the_disinfectant_of_the_site_and_one_taken_for_granted_is_told(nowhere):
    line = 'inject --residual "1 mg/L" --demand "2 mg/L u 0.1" --ratio 1%'
    without = told(line)
    assert any("neither --disinfectant nor a site" in note for note in without["notes"])
    assert not any("geranium" in caution for caution in without["cautions"])
    file = write_demo_site(nowhere)
    file.write_text(file.read_text().replace("chlorine dioxide", "free chlorine"))
    assert any("geranium" in caution for caution in told(line)["cautions"])
    assert "geranium" in run(line).stdout


def test_where_no_volume_was_typed_the_site_s_units_are_taken(site):
    line = 'generate --after "12 h" --wanted "420 mg/L"'
    assert " gal" not in run(line).stdout
    file = site / "site.toml"
    file.write_text('units = "us"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    assert " US gal (" in run(line).stdout
    assert " gal" not in run(f"{line} --units metric").stdout
    assert " gal" not in run('generate --after "12 h" --water "20 L"').stdout  # typed
