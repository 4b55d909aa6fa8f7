"""What people type, understood alike on the page and in the terminal; what is not clear is refused.

Gallons: NIST Handbook 44, appendix C (231 cubic inches; 4.546 09 L). Months as Unicode CLDR names them.
"""

import math
from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripread.errors import StripReadError
from stripread.units import ParsedInputs, parse_moment, parse_number, parse_period
from stripread.units.quantities import parse_quantity
from stripread.water import parse_ratio
from stripread.web.forms import moment, number
from tests.listed import each

NOW = datetime(2026, 11, 28, 16, 0).astimezone()
US, IMPERIAL = 3.785411784, 4.54609


@each(
    ("text", "dimension", "value"),
    [
        ("1/2 gal", "volume", US / 2),
        ("2 1/2 gal", "volume", 2.5 * US),
        ("2½ imp gal", "volume", 2.5 * IMPERIAL),
        ("20 Liter", "volume", 20.0),
        ("20,5 litros", "volume", 20.5),
        ("3 galones", "volume", 3 * US),
        ("1h30", "time", 1.5),
        ("1 h 30 min", "time", 1.5),
        ("90 min", "time", 1.5),
        ("0,8 %", "strength", 8000.0),
        ("480-560 mg/L", "strength", 520.0),
    ],
)
def test_amounts(text, dimension, value):
    assert parse_quantity(text, dimension, name="it").measured.value == pytest.approx(value, rel=1e-9)


def test_a_bare_span_is_a_95_percent_interval_and_that_is_said():
    found = parse_quantity("480-560 mg/L", "strength", name="it")
    assert found.measured.interval == (480.0, 560.0)
    assert found.measured.u == pytest.approx(80 / (2 * 1.959964))
    assert any("95 % interval" in str(note) for note in found.notes)


def test_a_bare_gallon_is_the_sites():
    for units, litres in (("us", US), ("imperial", IMPERIAL), ("metric", US)):
        assert ParsedInputs.of(units).exact("1 gal", "volume", name="it") == pytest.approx(litres)
        assert ParsedInputs.of(units).exact("1 US gal", "volume", name="it") == pytest.approx(US)


@each(
    ("text", "share"),
    [
        ("1 to 128", 1 / 129), ("1 in 100", 1 / 100), ("1 part to 128", 1 / 129), ("1:100", 1 / 100),
        ("0,8 %", 0.008), ("1 a 99", 1 / 100), ("1 en 100", 1 / 100),
    ],
)  # fmt: skip
def test_ratios_keep_the_convention_that_their_word_says(text, share):
    assert parse_ratio(text, convention="in").share == pytest.approx(share)


@each("text", ["1,000 L", "1.000,5 L", "2 3/2 gal", "1/0 gal", "half a gal", "1 h 90 min", "20", "--", "1e400 L"])
def test_what_is_not_clear_is_refused(text):
    dimension = "time" if " h " in text else "volume"
    with pytest.raises(StripReadError):
        parse_quantity(text, dimension, name="it")


@each(
    ("text", "when"),
    [
        ("2026-11-20", (2026, 11, 20, 12, 0)),  # its noon, which is said
        ("20 Nov 7:30", (2026, 11, 20, 7, 30)),
        ("20 nov 7:30", (2026, 11, 20, 7, 30)),
        ("20 de noviembre 7:30", (2026, 11, 20, 7, 30)),
        ("5 Dec 7:30", (2025, 12, 5, 7, 30)),  # the latest that is past
        ("enero 5, 16:00", (2026, 1, 5, 16, 0)),
        ("yesterday 16:00", (2026, 11, 27, 16, 0)),
        ("7:30", (2026, 11, 28, 7, 30)),
    ],
)
def test_times(text, when):
    expected = datetime(*when).astimezone()
    assert parse_moment(text, now=NOW).at == expected
    assert moment({"at": text}, "at", now=NOW) == expected  # the page reads it alike


@each("text", ["29 Nov 2026 7:30", "17:00", "2027-01-01", "20/11/2026", "31 Feb 2026 7:30", "Juneuary 3", "25:00"])
def test_times_that_lie_ahead_or_are_none_are_refused(text):
    with pytest.raises(StripReadError):
        parse_moment(text, now=NOW)


def test_a_month_and_a_day_are_spans_for_filters():
    first, after = parse_period("2026-04", now=NOW)
    assert (first.date().isoformat(), after.date().isoformat()) == ("2026-04-01", "2026-05-01")
    first, after = parse_period("2026-11-20", now=NOW)
    assert (first.date().isoformat(), after.date().isoformat()) == ("2026-11-20", "2026-11-21")


@given(value=st.floats(1e-3, 1e6), comma=st.booleans())
def test_numbers_are_read_with_either_sign_of_decimals(value, comma):
    text = f"{value:.2f}"
    typed = text.replace(".", ",") if comma else text
    assert parse_number(typed, name="it") == float(text)
    assert number({"n": typed}, "n", "it", low=0, high=1e7) == float(text)


@given(whole=st.integers(0, 999), over=st.integers(1, 31), under=st.integers(2, 32))
def test_fractions_are_what_they_say(whole, over, under):
    if over >= under:
        return
    found = parse_quantity(f"{whole} {over}/{under} L", "volume", name="it").measured.value
    assert found == pytest.approx(whole + over / under)


@given(minutes=st.integers(61, 5000))
def test_hours_and_minutes_add_up(minutes):
    hours, rest = divmod(minutes, 60)
    for text in (f"{hours} h {rest} min", f"{hours}h{rest:02d}"):
        found = parse_quantity(text, "time", name="it", positive=False).measured.value
        assert found == pytest.approx(minutes / 60)


@given(text=st.text("0123456789.,/ -:hminLgalNovJ%", max_size=14))
def test_nothing_that_is_typed_does_worse_than_an_error(text):
    for read in (
        lambda: parse_quantity(text, "volume", name="it").measured.value,
        lambda: parse_quantity(text, "time", name="it").measured.value,
        lambda: parse_number(text, name="it"),
        lambda: parse_moment(text, now=NOW).at.timestamp(),
    ):
        try:
            assert math.isfinite(read())
        except StripReadError:
            continue


@given(at=st.datetimes(datetime(2001, 1, 1), datetime(2026, 11, 27)))  # noqa: DTZ001 - naive ones are asked for
def test_a_time_in_iso_8601_comes_back(at):
    zone = timezone(timedelta(hours=2))
    typed = at.replace(microsecond=0, tzinfo=zone)
    assert parse_moment(typed.isoformat(), now=NOW).at == typed
