import pytest

from stripread.errors import WaterError
from stripread.units import Measured
from stripread.water import contact_time, hypochlorous, vapour_over
from stripread.water.vapour import air_over_water_ppm
from tests.listed import each


def test_gas_grows_with_strength_and_warmth():
    assert air_over_water_ppm(420, 20) == pytest.approx(420 * air_over_water_ppm(1, 20))
    assert air_over_water_ppm(420, 5) < air_over_water_ppm(420, 20) < air_over_water_ppm(420, 35)


def test_uncertainties_of_strength_warmth_and_constant_are_all_in_it():
    """To the sides apart, as other sources' constants give up to 1.42 times as much gas, and hardly less."""
    found = vapour_over(Measured(420.0, 25.2), Measured(20.0, 1.0)).air_ppm
    below, above = 0.10 / 1.96, 0.42 / 1.96
    sides = [(0.06**2 + u**2 + (3467.35 / 293.15**2) ** 2) ** 0.5 for u in (below, above)]
    low, high = found.interval
    assert 1 - low / found.value == pytest.approx(1.96 * sides[0], rel=0.15)
    assert high / found.value - 1 == pytest.approx(1.96 * sides[1], rel=0.15)


def test_the_gas_by_other_sources_constants_is_within_the_interval():
    """0.7e-2 to 1.0e-2 mol/(m3 Pa) at 25 C: by hand 1 mg/L is 1 / 67.45 mol/m3, over H in Pa, over 101325 Pa."""
    low, high = vapour_over(Measured(1.0), Measured(25.0)).air_ppm.interval
    for henry in (0.7e-2, 1.0e-2):
        ppm = 1 / 67.45 / henry / 101325 * 1e6
        assert low <= ppm <= high * 1.005, henry


def test_the_strength_that_reaches_a_limit_does_reach_it():
    for limit, strength in vapour_over(Measured(420.0), Measured(20.0)).reaches_limit_mg_per_l:
        assert air_over_water_ppm(strength, 20.0) == pytest.approx(limit.ppm)


@each(("strength", "explosive"), [(420.0, False), (3000.0, False), (6000.0, True)])
def test_solutions_near_what_can_explode_are_told(strength, explosive):
    assert vapour_over(Measured(strength), Measured(20.0)).explosive is explosive


@each("celsius", [-1.0, 41.0])
def test_no_number_where_the_constant_is_not_known(celsius):
    with pytest.raises(WaterError, match="0 to 40 C"):
        vapour_over(Measured(420.0), Measured(celsius))


def test_hypochlorous_share_carries_the_uncertainty_of_ph_and_stays_a_share():
    found = hypochlorous(Measured(7.5, 0.1), Measured(25.0, 1.0), free_chlorine_mg_per_l=Measured(2.0, 0.2))
    assert found.share.u == pytest.approx(2.302585 * 0.25 * 0.1, rel=0.05)  # ln 10 s (1 - s) u(pH)
    assert found.hocl_mg_per_l.value == pytest.approx(2 * found.share.value)
    assert hypochlorous(Measured(5.5, 1.0), Measured(25.0)).share.interval[1] <= 1.0


@each(("ph", "celsius"), [(4.0, 20.0), (11.0, 20.0), (7.0, 60.0)])
def test_hypochlorous_acid_has_its_range(ph, celsius):
    with pytest.raises(WaterError, match="pH from 5 to 10"):
        hypochlorous(Measured(ph), Measured(celsius))


def test_contact_is_held_against_rows_of_the_same_disinfectant_only():
    found = contact_time(Measured(2.0, 0.2), Measured(3.0), disinfectant="free chlorine")
    assert found.ct_mg_min_per_l.value == pytest.approx(6.0)
    states = {row.what: state for row, state in found.rows}
    assert states["Phytophthora cactorum"] == "reached"
    assert states["Pythium aphanidermatum"] == "undecided"
    assert states["Fusarium"] == "not reached"
    assert {row.disinfectant for row, _ in found.rows} == {"free chlorine"}
    other = contact_time(Measured(2.0, 0.2), Measured(3.0), disinfectant="chlorine dioxide")
    assert {row.disinfectant for row, _ in other.rows} == {"chlorine dioxide"}
