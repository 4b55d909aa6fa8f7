"""What makes or plans a solution that may explode says so where it is made, by the one function that `vapour` asks."""

import json
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.site import write_demo_site
from stripread.units import Measured
from stripread.water import explosion_caution
from tests.listed import each

PLANS = [
    'generate --after "24 h" --water "1 L"',  # 9 g in a litre
    'generate --after "24 h" --wanted "9 g/L"',
    'generate --after "24 h" --water "20 L" --sachets 20',
    'generate --after "24 h" --water "1 L" --reading "8 g/L u 0.4 g/L"',
    'dilute --concentrate "9 g/L" --wanted "6 g/L" --make "10 L"',
    'dilute --concentrate "9 g/L" --wanted "220 mg/L" --make "10 L"',  # the concentrate is kept
    'tank --tank "16 gal" --concentrate "9 g/L" --available "6 gal" --wanted "220 mg/L"',
    'recipe --concentrate "9 g/L" --add "1 L" --water "30 L"',
    'top-up --stock "165 mg/L u 9" --volume "40 L" --concentrate "9 g/L" --wanted "220 mg/L"',
    'inject --residual "1 mg/L" --demand "5 mg/L" --ratio 1:2000',  # asks for a stock of 12 g/L
    'inject --residual "1 mg/L" --demand "5 mg/L" --stock "12 g/L"',
    'inject --residual "1 mg/L" --demand "5 mg/L" --stock "12 g/L" --ratio 1:2000 --at-least "0.1 mg/L"',
    'decay --reading "0 h=9 g/L u 0.4 g/L" --cover covered',
    'vapour --strength "9 g/L" --temperature "20 C"',
]


def told(line: str) -> dict:
    result = CliRunner().invoke(app, ["water", *shlex.split(line), "--json"])
    assert result.exit_code in (0, 3), result.output
    return json.loads(result.stdout)


@each("line", PLANS)
def test_every_plan_of_so_strong_a_solution_warns_first(line: str) -> None:
    record = told(line)
    assert record["cautions"][0].startswith("EXPLOSION: "), record["cautions"][0]
    assert record["attention"]


def test_a_usual_concentrate_is_no_explosive() -> None:
    for line in (
        'generate --after "24 h" --water "20 L"',
        'dilute --concentrate "435 mg/L" --wanted "220 mg/L" --make "9 L"',
    ):
        record = told(line)
        assert not any("EXPLOSION" in caution for caution in record["cautions"])
        assert not record["attention"]


@each("celsius", [5.0, 20.0, 30.0, 40.0])
def test_it_begins_at_half_of_ten_percent_of_the_air(celsius: float) -> None:
    """By hand: Henry's constant in Pa over mole fraction, exp(27.163 - 3467.35 / T)."""
    pascal = 2.718281828 ** (27.162985 - 3467.3543 / (celsius + 273.15))
    per_mg = pascal / (1000 * 67.45 * 997.05 / 18.015) / 101325 * 1e6
    limit = min(50_000 / per_mg, 5000.0)
    assert explosion_caution(Measured(0.99 * limit), Measured(celsius)) is None
    assert explosion_caution(Measured(1.01 * limit), Measured(celsius)) is not None
    # the upper end counts
    assert explosion_caution(Measured(0.9 * limit, 0.1 * limit), Measured(celsius)) is not None


def test_a_batch_that_is_entered_says_so_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_demo_site(tmp_path)
    result = CliRunner().invoke(app, ["batch", "generate", "C-1", "--water", "1 L", "--who", "Ana"])
    assert result.exit_code == 0, result.output
    assert "EXPLOSION: " in result.stdout
    weak = CliRunner().invoke(app, ["batch", "generate", "C-2", "--water", "20 L", "--who", "Ana"])
    assert "EXPLOSION: " not in weak.stdout
