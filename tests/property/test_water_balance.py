"""What must hold for any amounts in any units: the mass balances, plans and readings go together, round trips."""

import contextlib
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stripread.errors import QuantityError, WaterError
from stripread.units import ASSUMED_U, Measured, jug, propagate, tell_volume
from stripread.units.quantities import parse_quantity
from stripread.water import (
    COVERS,
    Ratio,
    Timed,
    check_recipe,
    delivered,
    dilute,
    fill_tank,
    fit_loss,
    inject,
    mix,
    stock_for,
    strength_at,
    time_until,
    top_up,
)
from stripread.water.vapour import air_over_water_ppm

LITRES_OF = {"L": 1.0, "mL": 0.001, "gal": 3.785411784, "imp gal": 4.54609, "fl oz": 0.0295735295625, "m3": 1000.0}
MG_PER_L_OF = {"mg/L": 1.0, "ppm": 1.0, "%": 10_000.0, "g/L": 1000.0, "mg/mL": 1000.0}
volumes = st.tuples(st.floats(0.1, 500.0), st.sampled_from(sorted(LITRES_OF)))
strengths = st.tuples(st.floats(0.5, 20.0), st.sampled_from(sorted(MG_PER_L_OF)))
shares = st.floats(0.01, 1.0)
few = settings(max_examples=60, deadline=None, derandomize=True)


def litres(volume: tuple[float, str]) -> float:
    return parse_quantity(f"{volume[0]!r} {volume[1]}", "volume", name="it", exact=True).measured.value


def mg_per_l(strength: tuple[float, str]) -> float:
    return parse_quantity(f"{strength[0]!r} {strength[1]}", "strength", name="it", exact=True).measured.value


@given(volumes, strengths)
@few
def test_any_unit_in_gives_what_its_definition_says(volume: tuple[float, str], strength: tuple[float, str]) -> None:
    assert litres(volume) == pytest.approx(volume[0] * LITRES_OF[volume[1]], rel=1e-9)
    assert mg_per_l(strength) == pytest.approx(strength[0] * MG_PER_L_OF[strength[1]], rel=1e-9)


@given(volumes, strengths, shares)
@few
def test_a_plan_that_is_followed_gives_the_strength_wanted(
    volume: tuple[float, str], strength: tuple[float, str], share: float
) -> None:
    concentrate, total = Measured(mg_per_l(strength)), litres(volume)
    wanted = share * concentrate.value
    plan = dilute(concentrate, wanted_mg_per_l=wanted, total_l=total, pour_u=0.0)
    poured = mix((Measured(plan.water_l), Measured(0.0)), (Measured(plan.concentrate_l), concentrate))
    assert poured.value == pytest.approx(wanted, rel=1e-9)
    assert plan.water_l + plan.concentrate_l == pytest.approx(total, rel=1e-9)
    check = check_recipe(
        concentrate_mg_per_l=concentrate,
        concentrate_l=Measured(plan.concentrate_l),
        water_l=Measured(max(plan.water_l, 0.0)),
        reading_mg_per_l=Measured(wanted, 0.01 * wanted),
    )
    assert check.finding is None


@given(volumes, volumes, strengths, shares)
@few
def test_a_full_tank_wastes_nothing(
    tank: tuple[float, str], there: tuple[float, str], strength: tuple[float, str], share: float
) -> None:
    concentrate = Measured(mg_per_l(strength))
    made = fill_tank(
        concentrate,
        wanted_mg_per_l=share * concentrate.value,
        tank_l=litres(tank),
        available_l=litres(there),
        pour_u=0.0,
    )
    assert made.total_l <= litres(tank) * (1 + 1e-9)
    assert made.concentrate_l <= litres(there) * (1 + 1e-9)
    full, used_up = made.total_l / litres(tank), made.concentrate_l / litres(there)
    assert max(full, used_up) == pytest.approx(1.0)
    assert made.strength_mg_per_l.value == pytest.approx(share * concentrate.value)


@given(st.floats(1, 900), st.floats(1, 900), st.floats(1.05, 5), volumes, st.floats(1.0, 2.0))
@few
def test_a_top_up_reaches_the_strength_and_fits_the_tank(
    stock: float, wanted: float, stronger: float, volume: tuple[float, str], room: float
) -> None:
    have_l = litres(volume)
    tank = room * have_l
    made = top_up(
        Measured(stock),
        stock_l=Measured(have_l),
        wanted_mg_per_l=wanted,
        concentrate_mg_per_l=Measured(stronger * max(stock, wanted)),
        pour_u=0.0,
        tank_l=tank,
    )
    assert made.strength_mg_per_l.value == pytest.approx(wanted, rel=1e-6)
    assert 0 <= made.remove_l <= have_l * (1 + 1e-9)
    assert made.add_l >= 0
    assert made.total_l <= tank * (1 + 1e-9)


@given(st.floats(0.05, 10), st.floats(50, 5000), st.floats(1, 1e5), st.sampled_from(["in", "to"]))
@few
def test_ratio_stock_and_pump_tell_of_one_dose(dose: float, stock: float, flow: float, convention: str) -> None:
    made = inject(dose_mg_per_l=Measured(dose), stock_mg_per_l=Measured(stock), flow_l_per_h=Measured(flow))
    n = made.n_in.value if convention == "in" else made.n_to.value
    ratio = Ratio(n, convention)  # type: ignore[arg-type]
    got = delivered(ratio, stock_mg_per_l=Measured(stock), demand_mg_per_l=Measured(0.0))
    assert got.dose_mg_per_l.value == pytest.approx(dose)
    assert stock_for(ratio, dose_mg_per_l=Measured(dose)).value == pytest.approx(stock)
    assert made.pump_l_per_h is not None
    assert made.pump_l_per_h.value * stock == pytest.approx(flow * dose)  # what is pumped in comes out


@given(st.floats(5, 500), st.floats(100, 900), st.floats(1.05, 8))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_a_stock_is_at_its_limit_when_it_is_said_to_be(half_life: float, start: float, times: float) -> None:
    readings = [Timed(t * half_life, Measured(start * 0.5**t, 0.002 * start * 0.5**t)) for t in (0.0, 0.4, 0.8, 1.2)]
    fit = fit_loss(readings)
    when = time_until(fit, limit_mg_per_l=start / times)
    assert when.value == pytest.approx(half_life * math.log2(times), rel=0.02, abs=0.02 * half_life)
    assert strength_at(fit, when.value).value == pytest.approx(start / times, rel=0.02)
    low, high = when.interval
    assert high is not None
    assert low < when.value < high


@given(st.floats(0.01, 5000), st.floats(0, 5000), st.floats(0, 40), st.floats(0, 40))
@few
def test_gas_never_falls_with_strength_or_warmth(c1: float, more: float, ta: float, tb: float) -> None:
    c2, (t1, t2) = c1 + more, sorted((ta, tb))
    assert air_over_water_ppm(c1, t1) <= air_over_water_ppm(c2, t2) * (1 + 1e-12)


@given(st.floats(1e-3, 1e5), st.sampled_from(["metric", "us", "imperial"]))
@few
def test_what_a_jug_shows_is_near_and_can_be_told(volume: float, system: str) -> None:
    rounded = jug(volume, system)  # type: ignore[arg-type]
    half_step = math.sqrt(3) * ASSUMED_U["volume"]  # whose standard uncertainty is that of pouring
    assert rounded == pytest.approx(volume, rel=half_step)
    assert jug(rounded, system) == pytest.approx(rounded, rel=1e-9)  # type: ignore[arg-type]
    assert "e+" not in str(tell_volume(rounded, system))  # type: ignore[arg-type]


@given(st.lists(st.tuples(st.floats(0.5, 100), st.floats(0, 20)), min_size=1, max_size=5), st.floats(0.1, 10))
@few
def test_uncertainty_scales_with_the_unit(parts: list[tuple[float, float]], factor: float) -> None:
    inputs = [Measured(value, u) for value, u in parts]
    plain = propagate(lambda *x: sum(x), *inputs)
    scaled = propagate(lambda *x: sum(x), *(one.scaled(factor) for one in inputs))
    assert scaled.u == pytest.approx(factor * plain.u, rel=1e-6)


@given(st.one_of(st.text(max_size=30), st.from_regex(r"-?[0-9.,eE]{1,6} ?[A-Za-z%/^*µ° 0-9]{0,12}", fullmatch=True)))
@settings(max_examples=120, deadline=None, derandomize=True)
def test_any_text_is_a_quantity_or_a_clear_error(text: str) -> None:
    for dimension in ("strength", "volume", "flow", "temperature", "time"):
        with contextlib.suppress(QuantityError):
            assert math.isfinite(parse_quantity(text, dimension, name="it").measured.value)  # type: ignore[arg-type]


@given(st.floats(1, 900), st.floats(1, 900), st.floats(1, 900))
@few
def test_a_dilution_is_made_or_refused_but_never_wrong(concentrate: float, wanted: float, total: float) -> None:
    try:
        made = dilute(Measured(concentrate), wanted_mg_per_l=wanted, total_l=total, pour_u=0.02)
    except WaterError:
        assert wanted > concentrate
    else:
        assert made.strength_mg_per_l.value == pytest.approx(wanted)
        assert made.water_l >= 0


@given(
    st.lists(st.tuples(st.floats(0, 1000), st.floats(0.05, 1000), st.floats(0.002, 0.5)), min_size=1, max_size=5),
    st.sampled_from([None, "open", "covered", "sealed"]),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_readings_give_a_loss_or_a_clear_error(rows: list[tuple[float, float, float]], cover: str | None) -> None:
    readings = [Timed(at, Measured(value, share * value)) for at, value, share in rows]
    with contextlib.suppress(WaterError):
        fit = fit_loss(readings, prior=None if cover is None else COVERS[cover])
        found = (
            fit.rate,
            fit.half_life,
            fit.start_mg_per_l,
            strength_at(fit, 500.0),
            time_until(fit, limit_mg_per_l=1.0),
        )
        for one in found:
            low, high = one.interval
            assert high is not None
            assert low <= one.value <= high
            assert math.isfinite(high)
        assert fit.rate.interval[0] >= 0
