import pytest

from stripread.errors import QuantityError, WrongUsageError
from stripread.units import K95
from stripread.units.quantities import assumed_u, parse_quantity
from tests.listed import each


def parse(text, dimension, **options):
    return parse_quantity(text, dimension, name="it", **options)


@each(
    ("text", "dimension", "value", "system"),
    [
        ("9 gal", "volume", 9 * 3.785411784, "us"),
        ("12gallons", "volume", 12 * 3.785411784, "us"),
        ("2 imp gal", "volume", 2 * 4.54609, "imperial"),
        ("2 Imperial gallons", "volume", 2 * 4.54609, "imperial"),
        ("20 L", "volume", 20.0, "metric"),
        ("250 mL", "volume", 0.25, "metric"),
        (".5 litres", "volume", 0.5, "metric"),
        ("8 fl oz", "volume", 8 * 0.0295735295625, "us"),
        ("0.35 mg/L", "strength", 0.35, "metric"),
        ("0.35 mg/l", "strength", 0.35, "metric"),
        ("420 ppm", "strength", 420.0, "metric"),
        ("5.25%", "strength", 52_500.0, "metric"),
        ("1 g/L", "strength", 1000.0, "metric"),
        ("20 gpm", "flow", 20 * 60 * 3.785411784, "us"),
        ("20 imp gal/min", "flow", 20 * 60 * 4.54609, "imperial"),
        ("90 L/min", "flow", 5400.0, "metric"),
        ("2 lb", "mass", 907_184.74, "us"),
        ("90 min", "time", 1.5, "metric"),
        ("3 days", "time", 72.0, "metric"),
        ("100 ft", "length", 30.48, "metric"),
        ("68 F", "temperature", 20.0, "us"),
        ("-5 °C", "temperature", -5.0, "metric"),
    ],
)
def test_what_people_type_is_understood(text, dimension, value, system):
    found = parse(text, dimension)
    assert found.measured.value == pytest.approx(value, rel=1e-9)
    assert found.system == system


@each(
    "text",
    ["", "gal", "3", "nan gal", "inf gal", "-3 gal", "0 gal", "1e999 gal", "1e-300 gal", "1,000 gal", "3 h", "3 oz",
     "3 bananas", "3 mg/L", "3 ML", "3 gal gal", "3 gal u", "3 gal u -1", "3 L (4 to 5)", "3 L ± 1", "3 L u 1 h",
     "3 **2 L", "__import__('os')", "3 gal^99999999", "³ L"],
)  # fmt: skip
def test_nonsense_for_a_volume_is_refused_with_what_to_write(text):
    with pytest.raises(QuantityError) as caught:
        parse(text, "volume")
    assert "20 L, 6 gal" in str(caught.value.expected)
    assert caught.value.remedy
    assert isinstance(caught.value, WrongUsageError)  # exit code 2


def test_a_weight_for_a_volume_is_told_apart_from_a_fluid_ounce():
    with pytest.raises(QuantityError, match="write fl oz"):
        parse("12 oz", "volume")


def test_a_strength_over_all_there_is_is_refused():
    with pytest.raises(QuantityError, match="over 100 %"):
        parse("101 %", "strength")


@each(
    ("text", "u"),
    [
        ("220 mg/L u 11", 11.0),
        ("220 mg/L u=11 mg/L", 11.0),
        ("220 mg/L u 5 %", 11.0),
        ("220 mg/L ± 22 (k = 2)", 11.0),
        ("220 mg/L +/- 11 (k=1)", 11.0),
        ("220 mg/L, 95 % interval 198 to 242", 22 / K95),
        ("220 mg/L (198 to 242)", 22 / K95),
        ("220 mg/L (95 %: 198 to 242)", 22 / K95),
        ("0.022 % u 0.0011", 11.0),
        ("0.022 % (0.0198 to 0.0242 %)", 22 / K95),
        ("220 mg/L u 0", 0.0),
    ],
)
def test_an_uncertainty_is_understood(text, u):
    found = parse(text, "strength").measured
    assert found.value == pytest.approx(220.0)
    assert found.u == pytest.approx(u)


@each(
    "text",
    ["220 mg/L u -1", "220 mg/L u 1e999", "220 mg/L, 0 to 1e999", "220 mg/L, 230 to 250", "220 mg/L ± 22", "5 % u 2 %"],
)
def test_an_uncertainty_that_is_none_is_refused(text):
    with pytest.raises(QuantityError):
        parse(text, "strength")


def test_an_interval_is_kept_as_it_is():
    assert parse("0.26 mg/L, 95 % interval 0.20 to 0.35", "strength").measured.interval == pytest.approx((0.20, 0.35))
    assert parse("68 F (66 to 70)", "temperature").measured.interval == pytest.approx((18.889, 21.111), abs=1e-3)


def test_an_interval_never_reaches_under_nothing():
    assert parse("0.05 mg/L (-0.05 to 0.15)", "strength").measured.interval == pytest.approx((0.0, 0.15))


def test_a_bound_is_spread_evenly_from_nothing():
    found = parse("under 0.12 mg/L", "strength").measured
    assert found.value == pytest.approx(0.06)
    assert found.u == pytest.approx(0.12 / 12**0.5)
    assert found.interval == pytest.approx((0.0, 0.12))
    assert parse("<0.12 mg/L", "strength").measured == found
    with pytest.raises(QuantityError, match="Dilute"):
        parse("over 480 mg/L", "strength")


def test_where_no_uncertainty_is_given_one_is_taken_and_told():
    found = parse("220 mg/L", "strength")
    assert found.measured.u == pytest.approx(13.2)
    assert any("6 %" in str(note) for note in found.notes)
    assert parse("0.3 mg/L", "strength").measured.u == pytest.approx(0.03)
    assert parse("20 C", "temperature").measured.u == 1.0
    assert assumed_u(24.0, "time") == 0.0


def test_what_is_wished_for_is_exact_and_may_not_be_uncertain():
    assert parse("220 mg/L", "strength", exact=True).measured.u == 0.0
    with pytest.raises(QuantityError, match="wished for"):
        parse("220 mg/L u 11", "strength", exact=True)


def test_conventions_are_told_and_only_where_they_are_used():
    assert any("United States" in str(note) for note in parse("6 gal", "volume").notes)
    assert any("1 kg/L" in str(note) for note in parse("5 ppm", "strength").notes)
    for text in ("5 US gal", "5 imp gal", "5 L"):
        assert parse(text, "volume", exact=True).notes == ()
    assert parse("5 mg/L", "strength", exact=True).notes == ()


def test_zero_is_allowed_where_it_makes_sense():
    assert parse("0 mg/L", "strength", positive=False).measured.value == 0.0


@each(("text", "litres"), [("20,5 L", 20.5), ("0,055 L", 0.055), ("20,5 litros", 20.5), ("2 galones", 2 * 3.785411784)])
def test_decimal_commas_and_spanish_units_are_understood(text, litres):
    assert parse_quantity(text, "volume", name="it").measured.value == pytest.approx(litres)


@each("text", ["1,500 L", "1,500,25 L", "12,345,678 L"])
def test_a_comma_that_may_be_one_of_thousands_is_refused(text):
    with pytest.raises(QuantityError, match="thousands"):
        parse_quantity(text, "volume", name="it")


def test_a_comma_before_an_interval_stays_one():
    measured = parse_quantity("226 mg/L, 199 to 257", "strength", name="it").measured
    assert measured.value == 226
