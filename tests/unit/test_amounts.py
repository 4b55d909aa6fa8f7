import pytest

from stripread.measured import Measured
from stripread.report.amounts import jug, tell, tell_flow, tell_hours, tell_volume, tell_volume_read

GALLON = 3.785411784


@pytest.mark.parametrize(
    ("litres", "rounded"),
    [(0.00123, 0.0012), (0.0373, 0.037), (0.453, 0.455), (3.333, 3.35), (13.06, 13.1), (45.42, 45.5), (333.3, 335.0),
     (1333.0, 1350.0), (0.0, 0.0), (0.00002, 0.00002)],
)  # fmt: skip
def test_litres_are_rounded_to_what_is_used_to_measure_them(litres, rounded):
    assert jug(litres, "metric") == pytest.approx(rounded)


@pytest.mark.parametrize(("gallons", "rounded"), [(4.783, 4.8), (6.94, 6.9), (33.3, 33.5), (0.123, 15.5 / 128)])
def test_gallons_are_rounded_in_gallons_or_fluid_ounces(gallons, rounded):
    assert jug(gallons * GALLON, "us") == pytest.approx(rounded * GALLON)


def test_a_few_drops_are_told_in_millilitres_in_any_system():
    assert tell_volume(0.003, "us") == "3 mL"


@pytest.mark.parametrize(
    ("litres", "system", "words"),
    [
        (18.93, "metric", "18.9 L"),
        (5 * GALLON, "us", "5 US gal (18.9 L)"),
        (5 * 4.54609, "imperial", "5 imp gal (22.7 L)"),
        (0.355, "us", "12 US fl oz (355 mL)"),
        (12_345.0, "metric", "12345 L"),
    ],
)
def test_volumes_are_told_in_their_own_units_with_litres_beside_them(litres, system, words):
    assert tell_volume(litres, system) == words


def test_numbers_bear_no_more_digits_than_their_interval():
    assert tell(Measured(208.333, 12.96), "mg/L") == "208 mg/L (95 %: 183 to 234)"
    assert tell(Measured(0.7512, 0.01), "mg/L") == "0.751 mg/L (95 %: 0.732 to 0.771)"
    assert tell(Measured(300.0), "mg/L") == "300 mg/L"
    assert tell(Measured(300.0, 10.0, (280.0, None)), "mg/L").endswith("280 to no end known)")
    assert tell_volume_read(Measured(12.618, 2.69), "metric") == "12.6 L, 95 %: 7.35 to 17.9 L"


def test_pump_rates_are_told_in_units_of_a_dial():
    assert tell_flow(Measured(11.36, 1.0), "metric") == "11.4 L/h (95 %: 9.4 to 13.3); 189 mL/min"
    assert tell_flow(Measured(0.5, 0.05), "metric").startswith("500 mL/h")
    assert tell_flow(Measured(3 * GALLON, 1.0), "us").startswith("3 US gal/h, 6.4 US fl oz/min; 11.4 L/h")


@pytest.mark.parametrize(
    ("hours", "words"), [(0.4, "24 min"), (12.2, "12 h"), (71.0, "71 h"), (96.0, "4 days"), (2520.0, "105 days")]
)
def test_times_are_told_as_people_tell_them(hours, words):
    assert tell_hours(hours) == words
