"""An interval is never shown narrower than it was computed, whatever shows it."""

import re
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from stripread.report.words import bound_words
from stripread.units import Measured, bound, format_interval, lower_end, places_for, upper_end
from stripread.units.amounts import tell, tell_volume_read
from stripread.units.durations import tell_hours
from stripread.water.recipe import recipe_range_finding

NUMBERS = st.floats(1e-4, 9e4)
_A_HAIR = Decimal("1e-7")  # relative: what floats leave of a number with few digits


def shown(text: str) -> list[Decimal]:
    return [Decimal(number) for number in re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", text)]


def holds(low: Decimal, high: Decimal, interval: tuple[float, float], *, step: Decimal = Decimal(0)) -> bool:
    hair = _A_HAIR * max(Decimal(max(map(abs, interval))), step)
    return low <= Decimal(interval[0]) + hair and high >= Decimal(interval[1]) - hair


@given(low=st.floats(-1e4, 1e4), width=st.floats(1e-4, 1e4), places=st.integers(-2, 6))
def test_format_interval(low: float, width: float, places: int) -> None:
    ends = shown(str(format_interval((low, low + width), places)))
    step = Decimal(10) ** -places
    assert holds(ends[0], ends[1], (low, low + width), step=step)
    assert ends[1] - ends[0] < Decimal(width) + 2 * step * (1 + _A_HAIR)  # and no wider than rounding makes it


@given(number=NUMBERS, digits=st.integers(2, 3))
def test_ends_and_bounds_with_so_many_digits(number: float, digits: int) -> None:
    low, high = shown(str(lower_end(number, digits=digits)))[0], shown(str(upper_end(number, digits=digits)))[0]
    assert holds(low, high, (number, number))
    assert float(high - low) <= 10.0 ** (1 - digits) * number * 1.001 or float(high - low) <= 1
    assert holds(Decimal(0), shown(str(bound_words("below", bound(number, "below"))))[0], (0.0, number))
    assert shown(str(bound_words("above", bound(number, "above"))))[0] <= Decimal(number) * (1 + _A_HAIR)


@given(value=NUMBERS, relative=st.floats(0.001, 2))
def test_amounts_with_an_interval(value: float, relative: float) -> None:
    amount = Measured(value, relative * value)
    low, high = amount.interval
    assert high is not None
    assert holds(*shown(str(tell(amount, "")).split("95 %: ")[1]), (low, high))
    assert holds(*shown(str(tell_volume_read(amount, "metric")).split("95 %: ")[1]), (low, high))
    found = recipe_range_finding(amount, low=1e6, high=2e6)
    assert found is not None
    ends = re.search(r"\((\S+) to (\S+), 95 %\)", str(found.message))
    assert ends is not None
    assert holds(Decimal(ends[1]), Decimal(ends[2]), (low, high))


@given(hours=st.floats(0.02, 8000))
def test_times(hours: float) -> None:
    units = {"s": 1 / 3600, "min": 1 / 60, "h": 1.0, "days": 24.0}
    low, high = (
        float(number) * units[unit]
        for number, unit in (str(tell_hours(hours, end=end)).split() for end in ("lower", "upper"))  # type: ignore[arg-type]
    )
    assert low <= hours * (1 + 1e-7)
    assert high >= hours * (1 - 1e-7)


def test_what_has_few_digits_stays_as_it_is() -> None:
    assert str(format_interval((0.3, 0.1 + 0.2), 1)) == "0.3 to 0.3"
    assert [str(upper_end(n)) for n in (0.4, 12.0, 500.0, 0.0451, 0.04511, 1234.2)] == [
        "0.4", "12", "500", "0.0451", "0.0452", "1235",
    ]  # fmt: skip
    assert places_for(0.07) == 2
