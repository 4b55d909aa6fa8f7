import copy
import tomllib
from pathlib import Path

import pytest

from stripread.errors import SachetFileError, WaterError
from stripread.units import Measured
from stripread.water import actual_yield, expected_generation, load_sachet, shipped_sachets, water_for
from stripread.water.generation import share_released
from stripread.water.sachet import parse_sachet
from tests.listed import each

EXAMPLE = load_sachet("example")
FILE = Path(__file__).parents[2] / "stripread" / "water" / "sachets" / "example.toml"
DATA = tomllib.loads(FILE.read_text(encoding="utf-8"))
WATER = Measured(20.0, 0.4)
AS_IN_FILE = Measured(20.0)


def test_the_shipped_sachet_is_marked_as_an_example():
    assert shipped_sachets() == ("example",)
    assert EXAMPLE.example
    assert "invented" in EXAMPLE.source


def test_the_curve_is_met_at_its_points_and_straight_between_them():
    for point in EXAMPLE.curve:
        assert share_released(EXAMPLE, point.hours).value == pytest.approx(point.share)
    assert share_released(EXAMPLE, 3.0).value == pytest.approx((0.39 + 0.62) / 2)


def test_a_share_is_never_over_all_there_is():
    low, high = share_released(EXAMPLE, 24.0).interval
    assert 0 < low < 1
    assert high == 1.0


def test_after_the_curve_s_end_there_is_no_number():
    with pytest.raises(WaterError, match="ends at 24 h"):
        share_released(EXAMPLE, 24.1)


def test_strength_is_yield_over_volume_with_all_uncertainties():
    made = expected_generation(EXAMPLE, water_l=WATER, hours=24.0, temperature_c=AS_IN_FILE)
    assert made.strength_mg_per_l.value == pytest.approx(450.0)
    assert made.strength_mg_per_l.u == pytest.approx(450 * (0.08**2 + 0.01**2 + 0.02**2) ** 0.5, rel=1e-4)
    assert expected_generation(EXAMPLE, water_l=WATER, hours=24.0, sachets=2).strength_mg_per_l.value == pytest.approx(
        900
    )


def test_a_reading_as_expected_gives_the_yield_back():
    made = expected_generation(EXAMPLE, water_l=WATER, hours=12.0, temperature_c=AS_IN_FILE)
    found = actual_yield(
        EXAMPLE,
        water_l=WATER,
        hours=12.0,
        reading_mg_per_l=Measured(made.strength_mg_per_l.value, 20),
        temperature_c=AS_IN_FILE,
    )
    assert found.yield_mg.value == pytest.approx(EXAMPLE.yield_mg.value)
    assert found.share_of_stated.value == pytest.approx(1.0)
    assert found.difference.probability == pytest.approx(1.0)


def test_a_weak_sachet_is_told():
    found = actual_yield(
        EXAMPLE, water_l=WATER, hours=24.0, reading_mg_per_l=Measured(270.0, 13.5), temperature_c=AS_IN_FILE
    )
    assert found.share_of_stated.value == pytest.approx(0.6)
    assert found.difference.probability < 0.01


def test_nothing_can_be_said_of_the_yield_before_anything_is_released():
    with pytest.raises(WaterError, match="stands at 0"):
        actual_yield(EXAMPLE, water_l=WATER, hours=0.0, reading_mg_per_l=Measured(1.0, 0.1))
    with pytest.raises(WaterError, match="over 0"):
        water_for(EXAMPLE, wanted_mg_per_l=420.0, hours=0.0)


def test_water_for_a_wanted_strength_gives_that_strength():
    litres = water_for(EXAMPLE, wanted_mg_per_l=430.0, hours=8.0, sachets=3)
    made = expected_generation(EXAMPLE, water_l=litres, hours=8.0, sachets=3)
    assert made.strength_mg_per_l.value == pytest.approx(430.0)


@each(
    ("key", "value", "match"),
    [
        ("yield_mg", 0, "yield_mg"),
        ("yield_mg", "much", "yield_mg"),
        ("u_yield_mg", -1, "u_yield_mg"),
        ("name", "", "name"),
        ("example", 1, "true or false"),
        ("strog", True, "strog"),
        ("curve", [], "curve"),
        ("curve", [{"hours": 0, "share": 0, "u_share": 0}, {"hours": 0, "share": 1, "u_share": 0}], "grow"),
        ("curve", [{"hours": 1, "share": 0, "u_share": 0}, {"hours": 2, "share": 1, "u_share": 0}], "begin at 0"),
        ("curve", [{"hours": 0, "share": 0, "u_share": 0}, {"hours": 2, "share": 2, "u_share": 0}], "1..share"),
        ("curve", [{"hours": 0, "share": 0, "u_share": 0}, {"hours": 2, "share": float("nan"), "u_share": 0}], "share"),
    ],
)
def test_a_wrong_field_is_named(key, value, match):
    data = copy.deepcopy(DATA)
    data[key] = value
    with pytest.raises(SachetFileError, match=match):
        parse_sachet(data, where="a.toml")


def test_a_missing_or_broken_file_is_named(tmp_path):
    with pytest.raises(SachetFileError, match="no file"):
        load_sachet(str(tmp_path / "none.toml"))
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"\xff\xfename = ")
    with pytest.raises(SachetFileError, match="TOML"):
        load_sachet(str(broken))
    own = tmp_path / "own.toml"
    own.write_bytes(FILE.read_bytes())
    assert load_sachet(str(own)) == EXAMPLE
