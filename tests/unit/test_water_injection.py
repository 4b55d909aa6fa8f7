import pytest

from stripread.errors import QuantityError, WaterError
from stripread.units import Measured
from stripread.water import RATIO_U, Ratio, delivered, dose_for, estimate_demand, inject, parse_ratio, stock_for
from tests.listed import each


@each(
    ("text", "convention", "share"),
    [("1:100", "in", 1 / 100), ("1:100", "to", 1 / 101), (" 1 : 64 ", "in", 1 / 64), ("1%", "in", 0.01),
     ("0.8 %", "to", 0.008)],
)  # fmt: skip
def test_settings_are_understood_by_their_convention(text, convention, share):
    assert parse_ratio(text, convention=convention).share == pytest.approx(share)


@each("text", ["", "100", "2:100", "1:0", "1:1", "0%", "90%", "1:-5", "1:nan", "1:1e9"])
def test_what_is_no_setting_is_refused(text):
    with pytest.raises(QuantityError, match="dial"):
        parse_ratio(text, convention="in")


def test_a_ratio_says_its_convention():
    assert "in 100" in str(Ratio(100, "in"))
    assert "to 100" in str(Ratio(100, "to"))
    assert "0.99 %" in str(Ratio(100, "to"))


def test_dose_is_residual_and_demand():
    dose = dose_for(residual_mg_per_l=Measured(0.35), demand_mg_per_l=Measured(0.45, 0.05))
    assert (dose.value, dose.u) == pytest.approx((0.80, 0.05))


def test_ratio_and_pump_for_a_dose():
    made = inject(
        dose_mg_per_l=Measured(0.80, 0.05), stock_mg_per_l=Measured(220.0, 11.0), flow_l_per_h=Measured(2750.0, 55.0)
    )
    assert made.n_in.value == pytest.approx(275.0)
    assert made.n_to.value == pytest.approx(274.0)
    assert made.pump_l_per_h.value == pytest.approx(10.0)
    relative = ((0.05 / 0.80) ** 2 + 0.05**2 + 0.02**2) ** 0.5
    assert made.pump_l_per_h.u == pytest.approx(10 * relative, rel=1e-4)
    assert made.feed_mg_per_h.value == pytest.approx(2200.0)


def test_both_conventions_give_the_same_dose():
    made = inject(dose_mg_per_l=Measured(0.80), stock_mg_per_l=Measured(220.0))
    for ratio in (Ratio(made.n_in.value, "in"), Ratio(made.n_to.value, "to")):
        got = delivered(ratio, stock_mg_per_l=Measured(220.0), demand_mg_per_l=Measured(0.45))
        assert got.dose_mg_per_l.value == pytest.approx(0.80)
        assert got.residual_mg_per_l.value == pytest.approx(0.35)


@each(("dose", "stock"), [(0.0, 220.0), (150.0, 220.0)])
def test_a_dose_that_no_injector_gives_is_refused(dose, stock):
    with pytest.raises(WaterError, match="dose"):
        inject(dose_mg_per_l=Measured(dose), stock_mg_per_l=Measured(stock))


@each("convention", ["in", "to"])
def test_the_stock_that_suits_a_ratio_gives_the_dose(convention):
    ratio = Ratio(128, convention)
    stock = stock_for(ratio, dose_mg_per_l=Measured(0.80, 0.05))
    assert delivered(ratio, stock_mg_per_l=stock, demand_mg_per_l=Measured(0.0)).dose_mg_per_l.value == pytest.approx(
        0.80
    )
    assert stock.u / stock.value == pytest.approx(0.05 / 0.80)


def test_an_injector_s_own_scatter_is_in_the_dose():
    got = delivered(Ratio(100, "in"), stock_mg_per_l=Measured(220.0), demand_mg_per_l=Measured(0.0))
    assert got.dose_mg_per_l.u == pytest.approx(2.2 * RATIO_U)


def test_a_water_that_takes_all_leaves_less_than_nothing():
    got = delivered(Ratio(1000, "in"), stock_mg_per_l=Measured(220.0), demand_mg_per_l=Measured(0.45, 0.01))
    assert got.residual_mg_per_l.value == pytest.approx(-0.23)
    assert got.residual_mg_per_l.interval[1] < 0


def test_demand_is_what_is_missing_at_each_outlet():
    found = estimate_demand(Measured(0.75, 0.06), [Measured(0.42, 0.04), Measured(0.28, 0.03)])
    assert [d.value for d in found.per_outlet_mg_per_l] == pytest.approx([0.33, 0.47])
    assert found.largest == 1
    assert found.mean_mg_per_l.value == pytest.approx(0.40)
    # the dose's own uncertainty does not average out
    assert found.mean_mg_per_l.u == pytest.approx((0.06**2 + (0.04**2 + 0.03**2) / 4) ** 0.5)
    assert found.above_dose == (None, None)


def test_an_outlet_over_the_dose_is_told_only_beyond_chance():
    found = estimate_demand(Measured(0.5, 0.03), [Measured(0.52, 0.03), Measured(0.8, 0.03)])
    assert found.above_dose[0] is None
    assert found.above_dose[1] is not None


def test_no_outlets_are_no_demand():
    with pytest.raises(ValueError, match="outlets"):
        estimate_demand(Measured(0.5), [])
