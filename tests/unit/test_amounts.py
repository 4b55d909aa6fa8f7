import pytest

from stripread.i18n import Message, Reader
from stripread.units import (
    Measured,
    Volume,
    jug,
    tell,
    tell_flow,
    tell_hours,
    tell_line_flow,
    tell_temperature,
    tell_volume,
    tell_volume_read,
    volume_as_typed,
)
from stripread.units.quantities import parse_quantity
from tests.listed import each

GALLON = 3.785411784


@each(
    ("litres", "rounded"),
    [(0.001234, 0.00123), (0.00223, 0.0022), (0.0122, 0.012), (0.0373, 0.037), (0.453, 0.455),
     (3.333, 3.35), (13.06, 13.1), (45.42, 45.5), (333.3, 335.0), (1333.0, 1350.0), (0.0, 0.0), (0.00002, 0.00002)],
)  # fmt: skip
def test_litres_are_rounded_to_what_is_used_to_measure_them(litres, rounded):
    assert jug(litres, "metric") == pytest.approx(rounded)


@each(("gallons", "rounded"), [(4.783, 4.8), (6.94, 6.9), (33.3, 33.5), (0.123, 15.5 / 128), (0.0103, 1.3 / 128)])
def test_gallons_are_rounded_in_gallons_or_fluid_ounces(gallons, rounded):
    assert jug(gallons * GALLON, "us") == pytest.approx(rounded * GALLON)


def test_a_few_drops_are_told_in_millilitres_in_any_system():
    assert str(tell_volume(0.003, "us")) == "3 mL"


@each(
    ("litres", "system", "words"),
    [
        (22.71, "metric", "22.7 L"),
        (6 * GALLON, "us", "6 US gal (22.7 L)"),
        (6 * 4.54609, "imperial", "6 imp gal (27.3 L)"),
        (0.355, "us", "12 US fl oz (355 mL)"),
        (12_345.0, "metric", "12345 L"),
        (999.7, "metric", "1000 L"),
        (999.7 * GALLON, "us", "1000 US gal (3784 L)"),
        (0.0, "metric", "0 L"),
        (0.0, "us", "0 US gal"),
    ],
)
def test_volumes_are_told_in_their_own_units_with_litres_beside_them(litres, system, words):
    assert str(tell_volume(litres, system)) == words


def test_numbers_bear_no_more_digits_than_their_interval():
    assert str(tell(Measured(155.556, 9.68), "mg/L")) == "156 mg/L (95 %: 136 to 175)"
    assert str(tell(Measured(0.7512, 0.01), "mg/L")) == "0.751 mg/L (95 %: 0.731 to 0.771)"
    assert str(tell(Measured(220.0), "mg/L")) == "220 mg/L"
    assert str(tell(Measured(220.0, 8.0, (200.0, None)), "mg/L")).endswith("200 to no end known)")
    assert str(tell_volume_read(Measured(12.618, 2.69), "metric")) == "12.6 L, 95 %: 7.34 to 17.9 L"


def test_pump_rates_are_told_in_units_of_a_dial():
    assert str(tell_flow(Measured(11.36, 1.0), "metric")) == "11.4 L/h (95 %: 9.4 to 13.4); 189 mL/min"
    assert str(tell_flow(Measured(0.5, 0.05), "metric")).startswith("500 mL/h")
    assert str(tell_flow(Measured(3 * GALLON, 1.0), "us")).startswith("3 US gal/h, 6.4 US fl oz/min; 11.4 L/h")


@each(
    ("hours", "words"),
    [(0.4, "24 min"), (12.2, "12.2 h"), (1.5, "90 min"), (71.0, "71 h"), (96.0, "4 days"), (2520.0, "105 days")],
)
def test_times_are_told_as_people_tell_them(hours, words):
    assert str(tell_hours(hours)) == words


def test_a_line_s_flow_and_a_temperature_are_told_in_their_own_units_first():
    assert str(tell_line_flow(20 * GALLON, "us")) == "20 US gal/min (75.7 L/min)"
    assert str(tell_line_flow(20 * GALLON, "metric")) == "75.7 L/min"
    assert str(tell_temperature(20.0, "us")) == "68 F (20 C)"
    assert str(tell_temperature(20.0, "metric")) == "20 C"


def test_a_volume_for_a_form_has_no_powers_of_ten_in_it():
    assert volume_as_typed(12_350.0, "metric") == "12350 L"
    assert volume_as_typed(12_350 * GALLON, "us") == "12350 US gal"


@each("system", ["us", "imperial"])
def test_the_gallon_told_is_the_one_understood(system):
    for litres in (1.0, 40.0):
        again = parse_quantity(str(tell_volume(litres, system)).split(" (")[0], "volume", name="it").measured.value
        assert again == pytest.approx(litres, rel=0.005)
    whole = {"us": "1 US gal", "imperial": "1 imp gal"}[system]
    litres = parse_quantity(whole, "volume", name="it").measured.value
    assert volume_as_typed(litres, system) == whole
    assert litres == pytest.approx({"us": 3.785411784, "imperial": 4.54609}[system], rel=1e-12)


def test_a_volume_within_a_message_is_in_the_readers_units_and_in_litres_for_the_record():
    said = Message("%(volume)s of %(batch)s", volume=Volume(20.82), batch="C-14")
    assert str(said) == "20.82 L of C-14"
    assert said.shown(Reader(units="us")) == "5.5 US gal (20.8 L) of C-14"
