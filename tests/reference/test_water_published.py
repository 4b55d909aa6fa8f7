"""Published numbers of water arithmetic: units, doses, injectors, Henry's law, free chlorine; the source at each check.

"Recomputed" means that the source states the formula or part of the figures and the rest was calculated anew.
"""

import math

import pytest
from published import rows

from stripread.units import Measured
from stripread.units.quantities import parse_quantity
from stripread.water import Ratio, crop_cautions, delivered, inject, stock_for, vapour_over
from stripread.water.chlorine import hocl_pka, hocl_share
from stripread.water.contact import PUBLISHED
from stripread.water.crops import HARM
from stripread.water.injection import feed_mg_per_h
from stripread.water.vapour import LIMITS, air_over_water_ppm, henry_pa
from tests.listed import each

POUND_MG = 453_592.37
EXACT_ZERO = Measured(0.0)


def inside(text: str, dimension: str) -> float:
    return parse_quantity(text, dimension, name="it", exact=True).measured.value  # type: ignore[arg-type]


# --- units: NIST SP 811 B.8; NIST Handbook 44, appendix C (exact definitions) ------------------------------------


@each(
    ("text", "litres"),
    [
        ("1 US gal", 3.785411784),
        ("1 gal", 3.785411784),
        ("1 imp gal", 4.54609),
        ("1 fl oz", 0.0295735295625),
        ("1 imp fl oz", 0.0284130625),
        ("1 quart", 0.946352946),
        ("1 pint", 0.473176473),
        ("1 cup", 0.2365882365),
        ("1 ft^3", 28.316846592),
        ("1 m3", 1000.0),
    ],
)
def test_volumes_are_those_of_their_definitions(text: str, litres: float) -> None:
    assert inside(text, "volume") == pytest.approx(litres, rel=1e-12)


@each(("text", "grams"), [("1 lb", 453.59237), ("1 oz", 28.349523125), ("1 grain", 0.06479891)])
def test_masses_are_those_of_their_definitions(text: str, grams: float) -> None:
    assert inside(text, "mass") == pytest.approx(1000 * grams, rel=1e-12)


def test_an_imperial_gallon_is_a_fifth_more_than_that_of_the_united_states() -> None:
    assert inside("1 imp gal", "volume") / inside("1 US gal", "volume") == pytest.approx(1.2009499255, abs=5e-11)


def test_ppm_and_percent_are_taken_at_one_kilogram_a_litre() -> None:
    """UMass Extension: 1 ppm equals 1 mg/L. (By weight at 20 C 1 mg/L is 1.0018 mg/kg, IAPWS-95.)"""
    assert inside("1 ppm", "strength") == pytest.approx(1.0)
    assert inside("5.25 %", "strength") == pytest.approx(52_500.0)


# --- injection: 162 entries of a table --------------------------------------------------------------------------------

TABLE = rows("chlorine_injection_rate_table.csv")
MISPRINT = ("5.25", "25", "450")  # printed 12.89; its neighbours and the rule give 12.86


@each("row", TABLE)
def test_injection_rates_of_the_table(row: dict[str, str]) -> None:
    """Management of micro irrigation systems, Table 3 (Research Advances in Sustainable Micro Irrigation)."""
    dose = Measured(inside(f"{row['ppm']} ppm", "strength"))
    stock = Measured(inside(f"{row['solution_percent']} %", "strength"))
    flow = Measured(inside(f"{row['gpm']} gpm", "flow"))
    pump = inject(dose_mg_per_l=dose, stock_mg_per_l=stock, flow_l_per_h=flow).pump_l_per_h
    assert pump is not None
    printed = row["gal_per_hour"]
    if (row["solution_percent"], row["ppm"], row["gpm"]) == MISPRINT:
        printed = "12.86"
    places = len(printed.partition(".")[2])
    assert pump.value / 3.785411784 == pytest.approx(float(printed), abs=0.5 * 10**-places + 1e-9)


def test_the_table_has_all_its_entries() -> None:
    assert len(TABLE) == 162


# --- the 8.34 problems: pounds a day = million gallons a day x mg/L x 8.34 --------------------------------------------

EIGHT_34 = 8.34 / (3.785411784 / 0.45359237)  # the trade's rounded constant beside the exact 8.3454


@each(
    ("flow", "dose", "pounds_a_day", "source"),
    [
        ("1.5 MGD", "4 mg/L", 50.04, "NESC/Satterfield formulas, printed 50"),
        ("3 MGD", "3.9968 mg/L", 100.0, "the same: 100 lb/day in 3 MGD, printed 33.33 / 8.34"),
        ("1.5 MGD", "2.5 mg/L", 31.275, "waterandwastewatercourses.com, printed 31.28"),
        ("2.5 MGD", "3.7 mg/L", 77.145, "classroom worksheet, chlorinator settings; recomputed"),
        ("0.745 MGD", "8.4 mg/L", 52.19, "the same"),
        ("1.89 MGD", "1.586 mg/L", 25.0, "the same: the dose of 25 lb/day"),
        ("2.85 MGD", "3.6 mg/L", 85.57, "the same: demand 2.9 + residual 0.7"),
        ("2.25 MGD", "2.8 mg/L", 52.54, "the same"),
    ],
)
def test_feed_in_pounds_a_day(flow: str, dose: str, pounds_a_day: float, source: str) -> None:
    feed = feed_mg_per_h(flow_l_per_h=Measured(inside(flow, "flow")), dose_mg_per_l=Measured(inside(dose, "strength")))
    found = feed.value * 24 / POUND_MG * EIGHT_34
    assert found == pytest.approx(pounds_a_day, rel=2e-4), source


def test_gallons_of_hypochlorite_a_day() -> None:
    """The same course: 31.275 lb/day from 12.5 % solution of 10.2 lb/gal are 24.53 gal/day (recomputed)."""
    strength = 0.125 * 10.2 * POUND_MG / 3.785411784  # mg/L
    made = inject(
        dose_mg_per_l=Measured(2.5),
        stock_mg_per_l=Measured(strength),
        flow_l_per_h=Measured(inside("1.5 MGD", "flow")),
    )
    assert made.pump_l_per_h is not None
    assert made.pump_l_per_h.value * 24 / 3.785411784 * EIGHT_34 == pytest.approx(24.53, abs=0.005)


# --- injectors --------------------------------------------------------------------------------------------------------


@each(("n", "percent"), [(50, 2.0), (100, 1.0), (200, 0.5)])
def test_percent_settings(n: int, percent: float) -> None:
    """UMass Extension, Ratios and Concentrations: 1:50 = 2 %, 1:100 = 1 %, 1:200 = 0.5 %."""
    assert 100 * Ratio(n, "in").share == pytest.approx(percent)


def test_the_two_conventions_differ_by_one_part() -> None:
    """UMass: 1 gallon of concentrate makes 100 gallons. UGA Extension: 1 part into 100 parts of water, 1 % less."""
    stock = Measured(10_100.0)
    by_in = delivered(Ratio(100, "in"), stock_mg_per_l=stock, demand_mg_per_l=EXACT_ZERO).dose_mg_per_l.value
    by_to = delivered(Ratio(100, "to"), stock_mg_per_l=stock, demand_mg_per_l=EXACT_ZERO).dose_mg_per_l.value
    assert (by_in, by_to) == pytest.approx((101.0, 100.0))


@each(("ounces", "nitrogen_percent"), [(13.5, 20), (18.0, 15)])
def test_two_hundred_ppm_of_nitrogen(ounces: float, nitrogen_percent: float) -> None:
    """UMass, Fertilizer Calculations for Greenhouse Crops: each in 100 gal gives 200 ppm N, by the trade's constant 75
    for 1 oz in 100 gal (74.89 exactly): 1.5 %."""
    strength = inside(f"{ounces} oz", "mass") * nitrogen_percent / 100 / inside("100 gal", "volume")
    assert strength == pytest.approx(200, rel=0.015)


def test_uga_stock_tank() -> None:
    """UGA Extension: 16 oz in 100 gal final, a stock tank of 25 gal, 1:30: 120 oz = 7.5 lb (recomputed)."""
    wanted = Measured(inside("16 oz", "mass") / inside("100 gal", "volume"))
    stock = stock_for(Ratio(30, "in"), dose_mg_per_l=wanted)
    assert stock.value * inside("25 gal", "volume") == pytest.approx(inside("7.5 lb", "mass"))


def test_dilutions_by_arithmetic() -> None:
    """C1 V1 = C2 V2: 1:100 for 0.25 mg/L needs 25 mg/L; 3000 mg/L to 100 US gal of 2 mg/L: 0.25236 L."""
    assert stock_for(Ratio(100, "in"), dose_mg_per_l=Measured(0.25)).value == pytest.approx(25.0)
    share = inject(dose_mg_per_l=Measured(2.0), stock_mg_per_l=Measured(3000.0)).share.value
    assert share * inside("100 gal", "volume") == pytest.approx(0.25236, abs=5e-6)


# --- Henry's law ------------------------------------------------------------------------------------------------------


def test_henrys_constant_at_25_degrees() -> None:
    """Sander's compilation, as the thermo package tabulates it: 5.572875e6 Pa per mole fraction; 1.006 mol/(L atm)."""
    assert henry_pa(25.0) == pytest.approx(5.572875e6, rel=1e-6)
    molar_water = 997.047 / 18.015
    assert molar_water / (henry_pa(25.0) / 101_325) == pytest.approx(1.006, abs=5e-4)


@each(("celsius", "mol_per_l_atm"), [(10, 1.863), (15, 1.507), (20, 1.227)])
def test_henrys_constant_in_the_cold(celsius: float, mol_per_l_atm: float) -> None:
    """By the same fit, in moles a litre of water of 997.047 kg/m3 at all three (recomputed)."""
    assert 997.047 / 18.015 / (henry_pa(celsius) / 101_325) == pytest.approx(mol_per_l_atm, abs=5e-4)


def test_air_over_one_milligram_a_litre() -> None:
    """About 14.7 ppm at 25 C (14.8 with 1.0 mol/(L atm)): over the 0.3 ppm STEL and the 5 ppm IDLH."""
    assert air_over_water_ppm(1.0, 25.0) == pytest.approx(14.75, abs=0.1)
    times = {limit.name: times.value for limit, times in vapour_over(Measured(1.0), Measured(25.0)).times_limit}
    assert times["STEL"] > 1
    assert times["IDLH"] > 1


def test_published_solubility_agrees_within_the_constants_uncertainty() -> None:
    """NIOSH: 0.3 % at 25 C, at a partial pressure of 34.5 mm Hg (the pressure from memory, not verified)."""
    found = vapour_over(Measured(3010.0), Measured(25.0)).air_ppm
    low, high = found.interval
    assert high is not None
    assert low <= 34.5 / 760 * 1e6 <= high


@each(("celsius", "mg_per_m3", "abs_"), [(25, 2.76, 0.005), (20, 2.8, 0.05)])
def test_one_ppm_in_milligrams_a_cubic_metre(celsius: float, mg_per_m3: float, abs_: float) -> None:
    """NIOSH Pocket Guide: 2.76 at 25 C; WHO CICAD 37: 2.8 at 20 C."""
    found = vapour_over(Measured(1.0), Measured(celsius))
    assert found.air_mg_per_m3.value / found.air_ppm.value == pytest.approx(mg_per_m3, abs=abs_)


def test_limits_are_those_published() -> None:
    """OSHA PEL and NIOSH REL 0.1 ppm (8 h), NIOSH STEL 0.3 ppm, NIOSH IDLH 5 ppm."""
    assert {limit.name: limit.ppm for limit in LIMITS} == {"TWA": 0.1, "STEL": 0.3, "IDLH": 5.0}


# --- free chlorine ----------------------------------------------------------------------------------------------------


@each(("ph", "percent"), [(6, 97.1), (6.5, 91.5), (7, 77.2), (7.5, 51.7), (8, 25.3), (8.5, 9.7)])
def test_share_of_hypochlorous_acid(ph: float, percent: float) -> None:
    """With a pKa of 7.53: the definition, recomputed by other code."""
    assert 100 * hocl_share(ph, 7.53) == pytest.approx(percent, abs=0.05)


def test_pka_of_morris_falls_with_warmth() -> None:
    assert hocl_pka(5.0) > hocl_pka(15.0) > hocl_pka(25.0) > hocl_pka(35.0)


def test_share_as_extension_services_round_it() -> None:
    """UC ANR, Chlorination: at least 75 % at pH 7 or less, about 25 % at pH 8."""
    assert hocl_share(7.0, hocl_pka(25.0)) > 0.75
    assert hocl_share(8.0, hocl_pka(25.0)) == pytest.approx(0.25, abs=0.01)


# --- contact ----------------------------------------------------------------------------------------------------------


def test_contact_products_are_those_published_and_no_others() -> None:
    """Cayanan, thesis, Guelph: mg/L x min; Nursery Industry Accreditation Scheme Australia; Zheng and others."""
    assert {row.what.partition(" (")[0].partition(",")[0]: row.ct for row in PUBLISHED} == {
        "Phytophthora infestans": 3.0,
        "Phytophthora cactorum": pytest.approx(1.8),
        "Pythium aphanidermatum": 6.0,
        "Fusarium": 84.0,
        "Rhizoctonia": 120.0,
        "treatment target": 40.0,
        "shock treatment of lines": 20.0 * 12 * 60,
    }
    assert all(math.isfinite(row.ct) and row.source for row in PUBLISHED)


# --- crops: abstracts ------------------------------------------------------------------------------------------------

PLUGS = "Donovan, Fisher, Huang, Proc. Fla. State Hort. Soc. 128 (2015)"
POTTED = "Response of potted plants and vegetable seedlings to chlorinated water"
OVERHEAD = "Sensitivity of five container-grown nursery species to chlorine in overhead irrigation water"
SHRUBS = "Response of container-grown nursery plants to chlorine used to disinfest irrigation water"


@each(
    ("analyte", "mg_per_l", "crop", "source"),
    [
        ("chlorine dioxide", 8.0, "dianthus", PLUGS),
        ("free chlorine", 2.0, "geranium", POTTED),
        ("free chlorine", 2.4, "17 shrubs", SHRUBS),
        ("free chlorine", 2.5, "Hydrangea", OVERHEAD),
        ("free chlorine", 5.0, "Physocarpus", OVERHEAD),
        ("free chlorine", 8.0, "tomato", POTTED),
        ("free chlorine", 8.0, "dianthus", PLUGS),
        ("free chlorine", 18.0, "lettuce", POTTED),
        ("free chlorine", 37.0, "petunia", POTTED),
    ],
)
def test_harm_to_a_crop_is_told_from_the_published_strength_on_and_not_below(
    analyte: str, mg_per_l: float, crop: str, source: str
) -> None:
    def named(dose: float) -> list[str]:
        rows = [line for line in crop_cautions(analyte, dose) if str(line).startswith(f"{mg_per_l:g} mg/L ")]
        return [line for line in rows if crop in str(line) and source[:15] in str(line)]

    assert len(named(mg_per_l)) == 1
    assert not named(mg_per_l * 0.999)


def test_no_other_harm_is_in_the_table() -> None:
    assert len(HARM) == 9
    strengths = [row.strength_mg_per_l for row in HARM if row.disinfectant == "free chlorine"]
    assert strengths == sorted(strengths)


@each("analyte", ["chlorine dioxide", "free chlorine", "something else"])
@each("dose", [0.0, 0.25, 1.9])
def test_below_what_was_published_nothing_is_cleared(analyte: str, dose: float) -> None:
    (only,) = crop_cautions(analyte, dose)
    assert "no clearance" in str(only)
    assert "a few plants first" in str(only)
