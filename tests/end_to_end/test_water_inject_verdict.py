"""`water inject` says that a setting suits only where its residual is probably within its limits."""

import json
import shlex
from pathlib import Path
from statistics import NormalDist

import pytest
from typer.testing import CliRunner, Result

from stripread.check import measured_within
from stripread.cli.app import app
from stripread.site import write_demo_site
from stripread.units import Measured
from tests.listed import each

UNSURE = 'inject --residual "0.35 mg/L" --demand "0.45 mg/L u 0.15" --stock "220 mg/L u 30" --ratio 1:275'
SURE = 'inject --residual "0.35 mg/L" --demand "0.45 mg/L u 0.03" --stock "220 mg/L u 3" --ratio 1:275'


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo site, whose line is right from 0.22 to 0.50 mg/L."""
    monkeypatch.chdir(tmp_path)
    write_demo_site(tmp_path)
    return tmp_path


def run(line: str) -> Result:
    return CliRunner().invoke(app, ["water", *shlex.split(line)])


def told(line: str) -> dict:
    return json.loads(run(f"{line} --json").stdout)


def within(stock, u_stock, demand, u_demand, n, low, high):
    """By hand: residual = stock / N - demand, the ratio kept to 5 %."""
    dose = stock / n
    u = ((u_stock / n) ** 2 + (0.05 * dose) ** 2 + u_demand**2) ** 0.5
    left = NormalDist(dose - demand, u)
    return left.cdf(high) - left.cdf(low)


@each(
    ("line", "by_hand", "suits"),
    [(UNSURE, (220, 30, 0.45, 0.15, 275, 0.22, 0.50), False), (SURE, (220, 3, 0.45, 0.03, 275, 0.22, 0.50), True)],
)
def test_it_suits_only_with_a_probability_of_nine_in_ten(site, line, by_hand, suits):
    chance = within(*by_hand)
    assert (chance >= 0.9) == suits
    record, result = told(line), run(line)
    assert record["result"]["probability_within"] == pytest.approx(chance, abs=1e-3)
    assert record["headline"].startswith("SUITS: ") == suits
    assert record["headline"].startswith("MAY NOT SUIT: ") != suits
    assert f"{100 * chance:.0f} %" in " ".join(result.stdout.split())
    assert result.exit_code == (0 if suits else 3)


def test_it_says_what_would_make_it_more_probable(site):
    steps = told(UNSURE)["steps"]
    stock = within(220, 0, 0.45, 0.15, 275, 0.22, 0.50)
    demand = within(220, 30, 0.45, 0, 275, 0.22, 0.50)
    (again,) = (step for step in steps if step.startswith("Read the stock again"))
    (measure,) = (step for step in steps if step.startswith("Measure the demand"))
    assert f"{100 * stock:.0f} %" in again
    assert f"{100 * demand:.0f} %" in measure
    assert steps.index(measure) < steps.index(again)  # helps more


def test_another_ratio_is_named_where_that_helps(site):
    """220 mg/L at 1:400 leave 0.10; (0.35 + 0.45) of 220 is 1:275."""
    steps = told(SURE.replace("1:275", "1:400"))["steps"]
    assert "1:275" in steps[0]
    assert f"{100 * within(220, 3, 0.45, 0.03, 275, 0.22, 0.50):.0f} %" in steps[0]
    assert told(SURE.replace("1:275", "1:400"))["headline"].startswith("TOO LITTLE")


def test_limits_may_be_typed_and_without_any_nothing_suits(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert told(f'{SURE} --at-least "0.2 mg/L" --at-most "0.5 ppm"')["headline"].startswith("SUITS")
    assert told(f'{SURE} --at-least "0.34 mg/L"')["result"]["probability_within"] == pytest.approx(
        within(220, 3, 0.45, 0.03, 275, 0.34, 99), abs=1e-3
    )
    bare = told(SURE)
    assert "SUITS" not in bare["headline"]
    assert "--at-least" in bare["headline"]
    assert run(f'{SURE} --at-least "0.5 mg/L" --at-most "0.2 mg/L"').exit_code == 2
    assert run(f'{SURE.replace("--ratio 1:275", "")} --at-least "0.2 mg/L"').exit_code == 2


def test_a_distribution_that_is_not_even_is_counted_itself():
    leaning = Measured(1.0, 0.25, (0.9, 2.0))
    below = NormalDist().cdf((0.95 - 1) / (0.1 / 1.959964))
    assert measured_within(leaning, None, 0.95) == pytest.approx(below, abs=2e-3)
    assert measured_within(Measured(1.0, 0.1), 0.9, 1.1) == pytest.approx(0.6827, abs=1e-3)
