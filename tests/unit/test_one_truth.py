"""A batch has one strength at a time, for plan and record: aged from its readings, else from its recipe."""

import math
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.records import Batch, Part, Records, expected_strength, open_records, strength_of
from stripread.records.queries.strengths import with_expected
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

HOUR = timedelta(hours=1)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with open_records(tmp_path, create=True) as opened:
        yield opened


def add_concentrate(records: Records, expected: float, u: float, *, cover: str | None = None) -> Batch:
    batch = Batch(id="C-1", kind="concentrate", made_at=START, made_by="Ana", water_l=20.0, u_water_l=0.2, cover=cover,
                  expected_mg_per_l=expected, u_expected_mg_per_l=u)  # fmt: skip
    records.add_batch(batch, made_stamp())
    return batch


def read_as(records: Records, value: float, *, hours: float, u: float = 0.05) -> None:
    pad = made_pad(value) | {
        "standard_uncertainty": u * value, "interval": [value * (1 - 1.96 * u), value * (1 + 1.96 * u)]
    }  # fmt: skip
    payload = made_payload(sample="concentrate", point=None, taken=START + hours * HOUR, pads=[pad])
    payload["how"]["batch"] = "C-1"
    records.add_reading(payload, files=[], stamp=made_stamp(60 * hours))


def test_a_stock_of_a_read_concentrate_is_entered_by_the_reading_not_by_the_sachets(records):
    add_concentrate(records, 913.0, 40.0)  # two sachets, of which one was dead; the cover was not told
    read_as(records, 310.0, hours=10)
    stock = Batch(id="S-1", kind="stock", made_at=START + 10.5 * HOUR, made_by="Ana", water_l=1e-9,
                  parts=(Part(batch="C-1", volume_l=10.0),))  # fmt: skip
    entered = with_expected(records, stock)
    assert entered.expected_mg_per_l == pytest.approx(310, rel=0.03)


def test_half_an_hour_after_two_readings_a_strength_is_not_lost_in_doubt(records):
    concentrate = add_concentrate(records, 310.0, 12.0)
    read_as(records, 303.0, hours=10)
    read_as(records, 301.0, hours=10.2, u=0.043)  # 275 to 327
    now = strength_of(records, concentrate, at=START + 10.7 * HOUR)
    low, high = now.interval
    assert now.value == pytest.approx(301, rel=0.03)
    assert low > 260
    assert high < 330


def test_an_unread_concentrate_ages_by_its_cover(records):
    concentrate = add_concentrate(records, 420.0, 12.0, cover="open")
    now = strength_of(records, concentrate, at=START + 12 * HOUR)  # the half-life that an open tank lets expect
    assert now.value == pytest.approx(210, rel=0.05)
    assert now.interval[1] < 420 + 2 * 12
    assert now.interval[0] < 100  # how fast is a guess


def test_what_is_not_told_of_the_cover_is_wide(records):
    concentrate = add_concentrate(records, 420.0, 1.0)
    low, high = strength_of(records, concentrate, at=START + 48 * HOUR).interval
    half_lives = [48 / math.log2(421 / end) for end in (low, high)]
    assert half_lives[0] < 12  # faster than an open tank
    assert half_lives[1] > 336  # slower than a sealed one


def test_a_concentrate_ages_from_when_it_was_ready(records):
    batch = Batch(id="C-1", kind="concentrate", made_at=START, made_by="Ana", water_l=20.0, cover="open",
                  ready_at=START + 12 * HOUR, expected_mg_per_l=420.0, u_expected_mg_per_l=5.0)  # fmt: skip
    records.add_batch(batch, made_stamp())
    assert strength_of(records, batch, at=START + 12 * HOUR).value == pytest.approx(420)
    assert strength_of(records, batch, at=START + 24 * HOUR).value == pytest.approx(210, rel=0.05)


def test_a_mixture_recorded_has_no_end_over_what_went_in(records):
    add_concentrate(records, 546.0, 20.0)
    read_as(records, 300.0, hours=72)  # read late: what it was when poured is unsure, and at most what went in
    gallon = 3.785
    stock = Batch(id="S-1", kind="stock", made_at=START + HOUR, made_by="Ana", water_l=1.5 * gallon,
                  parts=(Part(batch="C-1", volume_l=gallon),))  # fmt: skip
    entered = with_expected(records, stock)
    most = (546 + 2 * 20) * 1 / 2.5
    assert entered.expected_interval[1] < most * 1.01
    again = expected_strength(records, entered)
    assert again.interval == pytest.approx(entered.expected_interval)


def test_a_reading_that_seems_older_than_its_batch_is_of_the_new_batch(records):
    batch = Batch(id="C-1", kind="concentrate", made_at=START + 20 * HOUR, made_by="Ana", water_l=20.0)
    records.add_batch(batch, made_stamp())
    read_as(records, 400.0, hours=2)  # by a phone in another zone
    assert strength_of(records, batch, at=START + 20 * HOUR).value == pytest.approx(400, rel=0.02)


def warm(records: Records, celsius: float, *, hours: float) -> None:
    pad = made_pad(celsius) | {"analyte": "temperature", "unit": "C", "standard_uncertainty": 1.0}
    payload = made_payload(sample="concentrate", point=None, taken=START + hours * HOUR, pads=[pad])
    payload["how"]["batch"] = "C-1"
    records.add_reading(payload, files=[], stamp=made_stamp(60 * hours))


def test_a_tank_that_was_measured_cold_loses_less_and_is_known_better(records):
    concentrate = add_concentrate(records, 420.0, 12.0, cover="covered")
    at = START + 48 * HOUR
    unknown = strength_of(records, concentrate, at=at)
    warm(records, 5.0, hours=1)
    cold = strength_of(records, concentrate, at=at)
    # Arrhenius with 50 kJ/mol: exp(-50/8.314e-3 (1/278.15 - 1/293.15)) = 0.331 as fast as at 20 C
    slower = math.exp(-50 / 8.314463e-3 * (1 / 278.15 - 1 / 293.15))
    assert cold.value == pytest.approx(420 * 0.5 ** (48 / (96 / slower)), rel=0.03)
    assert cold.value > unknown.value
    assert cold.interval[1] - cold.interval[0] < unknown.interval[1] - unknown.interval[0]


def test_a_temperature_measured_later_or_of_no_water_says_nothing(records):
    concentrate = add_concentrate(records, 420.0, 12.0, cover="covered")
    at = START + 48 * HOUR
    before = strength_of(records, concentrate, at=at)
    warm(records, 5.0, hours=60)  # not known then
    warm(records, 80.0, hours=2)  # that of something else
    assert strength_of(records, concentrate, at=at) == before
