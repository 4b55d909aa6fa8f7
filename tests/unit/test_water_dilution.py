import pytest

from stripread.errors import WaterError
from stripread.units import Measured
from stripread.water import check_recipe, dilute, fill_tank, mix, recipe_strength, top_up
from tests.listed import each

GALLON = 3.785411784
CONCENTRATE = Measured(500.0, 25.0)  # the recipe's below: common practice, no source


def gallons(number, relative_u=0.02):
    return Measured(number * GALLON, relative_u * number * GALLON)


# --- mixing and dilution ----------------------------------------------------------------------------------------------


def test_mixing_keeps_the_mass():
    mixed = mix((Measured(2.0), Measured(300.0)), (Measured(3.0), Measured(50.0)))
    assert mixed.value == pytest.approx((600 + 150) / 5)


def test_a_stock_is_made_of_what_the_concentrate_was_read_as():
    made = dilute(CONCENTRATE, wanted_mg_per_l=300.0, total_l=50.0, pour_u=0.02)
    assert made.concentrate_l == pytest.approx(30.0)
    assert made.water_l == pytest.approx(20.0)
    assert made.strength_mg_per_l.value == pytest.approx(300.0)
    # C V / (V + W): 5 % of the concentrate, and of the volumes 2 % each by W / (V + W)
    relative = (0.05**2 + 2 * (0.02 * 20 / 50) ** 2) ** 0.5
    assert made.strength_mg_per_l.u == pytest.approx(300 * relative, rel=1e-4)


@each(
    ("options", "match"),
    [
        ({"wanted_mg_per_l": 600.0, "total_l": 10.0}, "stronger"),
        ({"wanted_mg_per_l": 300.0, "total_l": 50.0, "available_l": 20.0}, "at most 33.3 L"),
        ({"wanted_mg_per_l": 300.0, "total_l": 50.0, "tank_l": 40.0}, "tank"),
    ],
)
def test_what_cannot_be_made_is_refused_with_what_can(options, match):
    with pytest.raises(WaterError, match=match):
        dilute(CONCENTRATE, pour_u=0.02, **options)


def test_a_tank_is_filled_as_far_as_tank_and_concentrate_go():
    by_tank = fill_tank(CONCENTRATE, wanted_mg_per_l=250.0, tank_l=40.0, available_l=30.0, pour_u=0.0)
    assert (by_tank.total_l, by_tank.concentrate_l) == pytest.approx((40.0, 20.0))
    by_concentrate = fill_tank(CONCENTRATE, wanted_mg_per_l=250.0, tank_l=100.0, available_l=30.0, pour_u=0.0)
    assert (by_concentrate.total_l, by_concentrate.concentrate_l) == pytest.approx((60.0, 30.0))


# --- topping up -------------------------------------------------------------------------------------------------------


def top(stock, *, litres=40.0, wanted=300.0, concentrate=CONCENTRATE, tank=None):
    return top_up(
        Measured(stock, 10.0),
        stock_l=Measured(litres, 0.5),
        wanted_mg_per_l=wanted,
        concentrate_mg_per_l=concentrate,
        pour_u=0.0,
        tank_l=tank,
    )


def test_a_weak_stock_is_raised_with_concentrate():
    made = top(200.0)
    assert (made.add, made.add_l, made.remove_l) == ("concentrate", pytest.approx(20.0), 0.0)
    assert made.strength_mg_per_l.value == pytest.approx(300.0)


def test_where_the_tank_is_too_small_stock_is_drawn_off_first():
    made = top(200.0, tank=45.0)
    assert made.add_l == pytest.approx(15.0)
    assert made.remove_l == pytest.approx(10.0)
    assert made.total_l == pytest.approx(45.0)
    assert made.strength_mg_per_l.value == pytest.approx(300.0)


@each("tank", [None, 50.0])
def test_a_strong_stock_is_lowered_with_water(tank):
    made = top(400.0, tank=tank, concentrate=None)
    assert made.add == "water"
    assert made.strength_mg_per_l.value == pytest.approx(300.0)
    assert made.total_l == pytest.approx(tank or 40 * 400 / 300)


def test_a_right_stock_needs_nothing():
    assert top(300.0).add == "nothing"


@each(
    ("options", "match"),
    [
        ({"concentrate": None}, "a concentrate"),
        ({"concentrate": Measured(300.0, 5.0)}, "stronger"),
        ({"tank": 30.0}, "tank"),
    ],
)
def test_a_top_up_that_cannot_be_is_refused(options, match):
    with pytest.raises(WaterError, match=match):
        top(200.0, **options)


# --- recipe against reading -------------------------------------------------------------------------------------------


def check(reading, *, concentrate=CONCENTRATE, add=5.0, water=7.0):
    return check_recipe(
        concentrate_mg_per_l=concentrate,
        concentrate_l=gallons(add),
        water_l=gallons(water),
        reading_mg_per_l=reading,
    )


def test_the_common_recipe_gives_208_and_not_300():
    """5 gal of about 500 mg/L added to 7 gal of water are called 300 (common practice, no source); they are 208."""
    found = check(Measured(300.0, 18.0))
    assert found.expected_mg_per_l.value == pytest.approx(500 * 5 / 12)
    assert found.finding is not None
    assert found.finding.code == "recipe_mismatch"
    assert "cannot both be right" in str(found.finding.message)
    assert "208" in str(found.finding.message)
    assert found.difference.probability < 0.001
    assert found.concentrate_needed_mg_per_l.value == pytest.approx(720.0)
    assert found.water_needed_l.value == pytest.approx((5 * 500 / 300 - 5) * GALLON)
    assert found.made_up_mg_per_l.value == pytest.approx(500 * 5 / 7)


@each("value", [185.0, 208.0, 235.0])
def test_readings_within_the_uncertainties_agree_with_the_recipe(value):
    assert check(Measured(value, 0.06 * value)).finding is None


def test_a_reading_of_wide_interval_agrees_with_much():
    assert check(Measured(300.0, 60.0)).finding is None


def test_between_agreeing_and_impossible_there_is_doubt():
    found = check(Measured(250.0, 15.0))
    assert 0.01 < found.difference.probability < 0.05
    assert "hardly agree" in str(found.finding.message)


def test_a_reading_below_the_recipe_may_be_loss():
    found = check(Measured(120.0, 7.0))
    assert "lost" in str(found.finding.message)


def test_what_would_explain_a_reading_does_explain_it():
    found = check(Measured(300.0, 18.0))
    for explained in (
        recipe_strength(
            concentrate_mg_per_l=found.concentrate_needed_mg_per_l, concentrate_l=gallons(5), water_l=gallons(7)
        ),
        recipe_strength(concentrate_mg_per_l=CONCENTRATE, concentrate_l=gallons(5), water_l=found.water_needed_l),
    ):
        assert explained.value == pytest.approx(300.0)


def test_no_water_explains_a_reading_over_the_concentrate():
    assert check(Measured(600.0, 10.0)).water_needed_l is None
    assert check(Measured(300.0, 18.0), add=7.0, water=5.0).made_up_mg_per_l is None


def test_good_recipes_are_doubted_about_one_time_in_twenty():
    import numpy as np

    rng = np.random.default_rng(3)
    doubted = 0
    for _ in range(600):
        c, v, w = 500 * (1 + 0.05 * rng.normal()), 5 * (1 + 0.02 * rng.normal()), 7 * (1 + 0.02 * rng.normal())
        read = c * v / (v + w) + 12 * rng.normal()
        doubted += check(Measured(read, 12.0)).finding is not None
    assert 0.02 <= doubted / 600 <= 0.09
