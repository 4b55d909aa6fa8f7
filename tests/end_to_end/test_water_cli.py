"""The planning commands, as they are typed; their pages show what they print."""

import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from tests.listed import each

ROOT = Path(__file__).parents[2]
HOW_TO = ROOT / "docs" / "how-to" / "plan-stock-and-injection.md"
RECIPE = 'recipe --concentrate "420 mg/L" --add "20 L" --water "34 L"'
EVERY = [
    'generate --after "12 h" --water "20 L"',
    'generate --after "12 h" --wanted "420 mg/L"',
    'generate --after "12 h" --water "20 L" --reading "330 mg/L u 17"',
    'dilute --concentrate "435 mg/L, 400 to 470" --wanted "220 mg/L" --make "10 gal"',
    'tank --tank "16 gal" --concentrate "435 mg/L u 18" --available "6 gal" --wanted "220 mg/L"',
    RECIPE,
    f'{RECIPE} --reading "220 mg/L"',
    'top-up --stock "165 mg/L u 9" --volume "40 L" --concentrate "420 mg/L" --wanted "220 mg/L" --tank "45 L"',
    'decay --reading "0 h=226 mg/L u 11" --reading "24 h=192 mg/L u 10" --limit "180 mg/L" --at "48 h"',
    'inject --residual "0.35 mg/L" --demand "0.45 mg/L" --stock "220 mg/L u 11" --flow "20 gpm"',
    'inject --residual "0.35 mg/L" --demand "0.45 mg/L" --ratio 1:100 --means to',
    'inject --residual "0.35 mg/L" --demand "0.45 mg/L" --ratio 1% --stock "80 mg/L u 4"',
    'demand --injector "0.80 mg/L u 0.06" --outlet "bench 1=0.42 mg/L" --outlet "far end=0.35 mg/L"',
    'line --outlet "bench 1@10 m=0.42 mg/L u 0.04" --outlet "far end@60 m=under 0.1 mg/L"',
    'vapour --strength "420 mg/L" --temperature "68 F"',
    'hocl --ph 7.4 --temperature "20 C" --chlorine "2 mg/L"',
    'contact --strength "2 mg/L" --time "10 min"',
]


def run(line: str) -> Result:
    return CliRunner().invoke(app, ["water", *shlex.split(line)])


def told(line: str) -> dict[str, Any]:
    result = run(f"{line} --json")
    assert result.exit_code in (0, 3), result.output
    (only,) = result.stdout.splitlines()
    record: dict[str, Any] = json.loads(only)
    assert record["attention"] == (result.exit_code == 3)
    return record


def measured(thing: object) -> list[dict[str, Any]]:
    """Every number with an uncertainty in a record."""
    if isinstance(thing, dict):
        own = [thing] if {"value", "interval"} <= set(thing) else []
        return own + [found for value in thing.values() for found in measured(value)]
    return [found for value in thing for found in measured(value)] if isinstance(thing, list) else []


@each("line", EVERY)
def test_every_command_answers_in_words_and_in_json_with_intervals(line: str) -> None:
    text = run(line)
    record = told(line)
    assert text.stdout.splitlines()[0][:1] in "=✔▲"
    assert record["headline"].split()[0] in text.stdout
    assert record["command"] == f"water {line.split()[0]}"
    numbers = measured(record["result"])
    assert numbers
    for number in numbers:
        low, high = number["interval"]
        assert number["standard_uncertainty"] >= 0
        assert low <= number["value"]
        assert high is None or number["value"] <= high
    assert all(len(row) <= 100 for row in text.stdout.splitlines())


def test_a_recipe_that_cannot_be_is_caught() -> None:
    """20 L of about 420 mg/L to 34 L of water: 156 mg/L by mass balance, not 220."""
    bare = told(RECIPE)
    assert bare["result"]["expected_mg_per_l"]["value"] == pytest.approx(155.56, abs=0.01)
    result = run(f'{RECIPE} --reading "220 mg/L"')
    assert result.exit_code == 3
    assert "CANNOT BOTH BE RIGHT" in result.stdout
    assert "156 mg/L" in result.stdout
    assert [f["code"] for f in told(f'{RECIPE} --reading "220 mg/L"')["findings"]] == ["recipe_mismatch"]
    assert run(f'{RECIPE} --reading "152 mg/L"').exit_code == 0


@each("line", EVERY[3:5])
def test_water_comes_first_and_nobody_stirs(line: str) -> None:
    steps = told(line)["steps"]
    water = next(i for i, step in enumerate(steps) if "of water" in step)
    concentrate = next(i for i, step in enumerate(steps) if step.startswith("Add "))
    cover = next(i for i, step in enumerate(steps) if "Cover it at once" in step)
    assert water < concentrate < cover
    assert "Do not stir" in steps[cover]


def test_what_is_shown_to_be_poured_gives_what_is_shown() -> None:
    record = told('dilute --concentrate "431 mg/L u 18" --wanted "213 mg/L" --make "37 L"')
    water, concentrate = (record["result"][key] for key in ("water_l", "concentrate_l"))
    assert f"{water:g} L of water" in record["headline"]
    given = 431 * concentrate / (water + concentrate)
    assert record["result"]["strength_mg_per_l"]["value"] == pytest.approx(given)
    assert given == pytest.approx(213, rel=0.01)


def test_strong_solutions_carry_the_caution() -> None:
    for line in EVERY[:12]:
        assert any("gas that irritates" in caution for caution in told(line)["cautions"]), line


def test_vapour_is_a_warning_and_never_a_clearance() -> None:
    for strength in ("420 mg/L", "0.001 mg/L"):
        result = run(f'vapour --strength "{strength}" --temperature "20 C"')
        assert result.exit_code == 3
        words = " ".join(result.stdout.split())
        for needed in (
            "NOT A CLEARANCE",
            "as heavy as air",
            "Ventilate",
            "respirator",
            "label, local codes and licensed",
        ):
            assert needed in words
        assert "safe" not in words


def test_units_taken_for_granted_are_told_and_answers_come_in_the_same() -> None:
    us, imperial = (run(EVERY[3].replace("gal", unit)).stdout for unit in ("gal", "imp gal"))
    assert "'gal' taken as of the United States: the stock" in us.replace(" (1 gal = 3.785 L)", "")
    assert "US gal (18.7 L)" in us
    assert "United States" not in imperial
    assert "imp gal (22.5 L)" in imperial
    metric = run(EVERY[3].replace("10 gal", "40 L")).stdout
    assert " gal" not in metric
    assert "18.7 L of water" in run(f"{EVERY[3]} --units metric").stdout
    assert "imp gal (" in run(f"{EVERY[3]} --units imperial").stdout


def test_the_two_meanings_of_a_ratio_are_stated() -> None:
    for means, stock in (("in", 80.0), ("to", 80.8)):
        record = told(f'inject --residual "0.35 mg/L" --demand "0.45 mg/L" --ratio 1:100 --means {means}')
        assert record["result"]["stock_mg_per_l"]["value"] == pytest.approx(stock)
        assert any(f"1 part of stock {means} N parts" in note for note in record["notes"])


@each(
    ("line", "code"),
    [
        ("generate --after 12h", 2),
        ('generate --after "12 h" --water "20 L" --wanted "420 mg/L"', 2),
        ('generate --after "48 h" --water "20 L"', 1),
        ('generate --after "12 h" --water "20 L" --sachet nothing.toml', 1),
        ('dilute --concentrate "5 h" --wanted "220 mg/L" --make "10 gal"', 2),
        ('dilute --concentrate "200 mg/L" --wanted "220 mg/L" --make "10 gal"', 1),
        ('decay --reading "226 mg/L"', 2),
        ('decay --reading "0 h=226 mg/L"', 1),
        ('decay --reading "0 h=226 mg/L" --reading "9 h=220 mg/L" --temperature "5 C"', 2),
        ('inject --residual "0.35 mg/L" --demand "0.45 mg/L"', 2),
        ('inject --residual "0.35 mg/L" --demand "0.45 mg/L" --ratio 1:100 --flow "20 gpm" --stock "220 mg/L"', 2),
        ('demand --outlet "a=0.35 mg/L"', 2),
        ('demand --outlet "a=0.35 mg/L" --stock "220 mg/L"', 2),
        ('hocl --ph nan --temperature "20 C"', 2),
        ('hocl --ph 7 --temperature "20 C" --u-ph=-1', 2),
        ('vapour --strength "420 mg/L" --temperature "80 C"', 1),
        ('contact --strength "-2 mg/L" --time "10 min"', 2),
    ],
)
def test_nonsense_ends_in_three_lines_and_its_exit_code(line: str, code: int) -> None:
    result = run(line)
    assert result.exit_code == code, result.output
    assert [row.split(":")[0] for row in result.stderr.splitlines()[:3]] == ["expected", "found", "what to do"]


@each("page", [HOW_TO, ROOT / "docs" / "explanation" / "water.md"])
def test_the_pages_show_what_the_commands_print(page: Path) -> None:
    blocks = re.findall(
        r"```console\n\$ stripread water (.*?)\n(?!\s*--)(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL
    )
    for line, shown in blocks:
        printed = run(line.replace("\\\n", " ")).output
        for part in re.split(r"^ *\.\.\.\n", shown, flags=re.MULTILINE):  # dots stand for lines that are left out
            assert part.strip("\n") in printed, line
    assert blocks or page != HOW_TO
