"""What the planning commands say where readings are bounds, rise, scatter, or come in other units, and of examples."""

import json
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from stripread.site import write_demo_site
from tests.listed import each


def run(line: str) -> Result:
    return CliRunner().invoke(app, shlex.split(line))


def words(line: str) -> str:
    return " ".join(run(line).stdout.split())


def told(line: str) -> dict:
    return json.loads(run(f"{line} --json").stdout)


def test_a_stock_that_rises_is_no_loss() -> None:
    """200 to 260 mg/L with u 10 each are 60 / (10 root 2) = 4.2 standard uncertainties."""
    result = run('water decay --reading "0 h=200 mg/L u 10" --reading "24 h=260 mg/L u 10" --cover covered')
    assert result.exit_code == 1
    for needed in ("200 mg/L at 0 h", "260 mg/L at 24 h", "under 1 %", "one batch", "topped up", "layered", "times"):
        assert needed in result.stderr, needed
    also = run(
        'water decay --reading "48 h=260 mg/L u 10" --reading "0 h=200 mg/L u 10" --reading "24 h=205 mg/L u 10"'
    )
    assert also.exit_code == 1  # in whatever order, and with a third


@each("second", ["205 mg/L u 10", "215 mg/L u 10", "190 mg/L u 10"])
def test_a_rise_within_chance_is_none(second: str) -> None:
    assert run(f'water decay --reading "0 h=200 mg/L u 10" --reading "24 h={second}" --cover covered').exit_code == 0


LINE = 'water line --outlet "bench 1@33 ft=0.42 ppm u 0.02" --outlet "far end@197 ft=0.28 ppm u 0.02"'


def test_a_line_answers_in_the_units_that_were_typed() -> None:
    text = words(LINE)
    assert "bench 1, 33 ft 0.42 ppm" in text
    assert "far end, 197 ft 0.28 ppm" in text
    metres = told(LINE)["result"]["fit"]["half_life"]
    low = metres["interval"][0] / 0.3048
    assert metres["value"] / 0.3048 == pytest.approx(280, rel=0.1)  # 164 ft ln 2 / ln(0.42 / 0.28)
    (said,) = (row for row in run(LINE).stdout.splitlines() if row.strip().startswith("halves in"))
    least = float(said.split("at the least ")[1].split(" ft")[0])
    assert 0.9 * low <= least <= low
    assert f"95 %: {least:g} to" in said
    assert " m " not in said


def test_a_line_in_metres_is_told_in_metres() -> None:
    text = words('water line --outlet "a@10 m=0.42 mg/L u 0.02" --outlet "b@60 m=0.28 mg/L u 0.02"')
    assert "a, 10 m 0.42 mg/L" in text
    assert " ft" not in text


def test_a_line_says_when_its_errors_were_widened() -> None:
    one = '--outlet "{}@{} m={} mg/L u 0.005"'
    wild = "water line " + " ".join(one.format(*row) for row in (("a", 10, 0.42), ("b", 30, 0.20), ("c", 60, 0.28)))
    fit = told(wild)["result"]["fit"]
    assert fit["widened_by"] > 1
    assert f"scatter {fit['widened_by']:.1f} times" in words(wild)
    assert "scatter" not in words(LINE)


def test_the_demand_of_an_outlet_under_a_bound_is_at_least() -> None:
    """0.80 with u 0.06 at the injector, under 0.08 at the outlet: 0.72 and more, or 0.72 - 1.96 x 0.06."""
    line = 'water demand --injector "0.80 mg/L u 0.06" --outlet "a=0.42 mg/L u 0.04" --outlet "b=under 0.08 mg/L"'
    record, text = told(line), words(line)
    found = record["result"]["per_outlet_mg_per_l"][1]
    assert record["result"]["at_least"] == [False, True]
    assert found["value"] == pytest.approx(0.72)
    assert found["interval"] == pytest.approx([0.72 - 1.959964 * 0.06, 0.80 + 1.959964 * 0.06])
    assert record["headline"] == "Demand at least 0.6 mg/L, at b"
    assert "b reads under 0.08 mg/L; takes at least 0.6 mg/L" in text
    assert "mean demand at least" in text
    assert "How much more it takes is not known" in text
    assert "at least" not in words(line.replace("under 0.08 mg/L", "0.35 mg/L"))


def test_a_bound_at_the_injector_is_no_dose() -> None:
    assert run('water demand --injector "under 0.1 mg/L" --outlet "a=0.05 mg/L u 0.01"').exit_code == 2


RECIPE = 'water recipe --concentrate "420 mg/L u 21" --add "20 L u 0.4" --water "34 L u 0.7"'


def test_a_recipe_against_a_bound_answers_in_bounds() -> None:
    """156 mg/L by mass balance; under 30 would be 81 mg/L of concentrate at most, or 260 L of water at least."""
    text = words(f'{RECIPE} --reading "under 30 mg/L"')
    record = told(f'{RECIPE} --reading "under 30 mg/L"')
    assert "CANNOT BOTH BE RIGHT" in text
    assert "the reading is under 30 mg/L, at least 126 mg/L less" in text
    most = 30 * 54 / 20
    relative = ((0.4 / 20 - 0.4 / 54) ** 2 + (0.7 / 54) ** 2) ** 0.5
    high = record["result"]["concentrate_needed_mg_per_l"]["interval"][1]
    assert high == pytest.approx(most * (1 + 1.96 * relative), rel=1e-3)
    said = float(text.split("the concentrate had at most ")[1].split()[0])
    assert high <= said <= high + 0.1  # rounded up
    assert "evenly likely" not in text
    assert "the water was at least" in text
    assert record["result"]["water_needed_l"]["value"] == pytest.approx(20 * 420 / 30 - 20)


def test_a_bound_over_what_the_recipe_gives_contradicts_nothing() -> None:
    assert run(f'{RECIPE} --reading "under 200 mg/L"').exit_code == 0
    assert run(f'{RECIPE} --reading "under 155 mg/L"').exit_code == 0  # about an even chance


def test_example_figures_are_marked_wherever_they_reach(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_demo_site(tmp_path)
    own = tmp_path / "own.toml"
    shipped = Path(__file__).parents[2] / "stripread" / "water" / "sachets" / "example.toml"
    own.write_text(shipped.read_text(encoding="utf-8").replace("example = true", "").replace('"example"', '"own"'))
    assert any("EXAMPLE FIGURES" in c for c in told('water generate --after "12 h" --water "20 L"')["cautions"])
    assert "EXAMPLE" not in words(f'water generate --after "12 h" --water "20 L" --sachet {own}')
    entered = words('batch generate C-1 --water "20 L" --who Ana')
    assert "EXAMPLE FIGURES" in entered
    assert "EXAMPLE" not in words(f'batch generate C-2 --water "20 L" --who Ana --sachet {own} --temperature "5 C"')
    words('batch stock S-1 --concentrate C-1 --add "10 L" --water "10 L" --who Ana')
    words('batch stock S-2 --concentrate C-2 --add "10 L" --water "10 L" --who Ana')
    listed = [json.loads(row) for row in run("batch list --json").stdout.splitlines()]
    marked = {one["id"]: one["example"] for one in listed}
    assert marked == {"C-1": True, "C-2": False, "S-1": True, "S-2": False}
    assert words("batch list").count("(EXAMPLE FIGURES)") == 2
    assert next(one["source"] for one in listed if one["id"] == "C-2").endswith(", 5 C")


def test_a_sample_that_was_never_taken_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_demo_site(tmp_path)
    assert run("point add bench-1 --sample line --who Ana").exit_code == 0
    text = words("today")
    assert "no line sample yet" in text
    assert "never" not in text


@each(
    "line",
    [
        'water dilute --concentrate "435 mg/L" --wanted "220 mg/L" --make "9 L"',
        'water top-up --stock "165 mg/L u 9" --volume "40 L" --concentrate "420 mg/L" --wanted "220 mg/L"',
    ],
)
def test_a_still_tank_is_layered(line: str) -> None:
    record = told(line)
    wait = next(i for i, step in enumerate(record["steps"]) if "layered" in step and "below the surface" in step)
    read = next(i for i, step in enumerate(record["steps"]) if step.startswith("Read a strip of the stock"))
    assert wait == read - 1
    assert any("common practice, no source" in note and "layer" in note for note in record["notes"])


def test_contact_says_which_disinfectant_it_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bare = told('water contact --strength "2 mg/L" --time "10 min"')
    assert "of chlorine dioxide" in bare["headline"]
    assert any("neither --disinfectant nor a site" in note for note in bare["notes"])
    named = told('water contact --strength "2 mg/L" --time "10 min" --disinfectant free-chlorine')
    assert "of free chlorine" in named["headline"]
    assert not any("neither" in note for note in named["notes"])
    file = write_demo_site(tmp_path)
    file.write_text(file.read_text(encoding="utf-8").replace("chlorine dioxide", "free chlorine"), encoding="utf-8")
    by_site = told('water contact --strength "2 mg/L" --time "10 min"')
    assert "of free chlorine" in by_site["headline"]
    assert any("by sample line in site.toml" in note for note in by_site["notes"])


def test_trials_of_chlorine_dioxide_are_cited_without_a_figure_that_nobody_checked() -> None:
    line = 'water contact --strength "2 mg/L" --time "10 min" --disinfectant chlorine-dioxide'
    record, text = told(line), words(line)
    assert "Copes, Chastagner and Hummel" in text
    assert "Raudales" in text
    assert "from memory" in text
    trials = record["result"]["trials"]
    assert len(trials) >= 5
    assert not any(character.isdigit() for trial in trials for character in trial["what"])
    assert told(line.replace("chlorine-dioxide", "free-chlorine"))["result"]["trials"] == []
