"""Whether the latest readings of a point rise or fall: told where they show it, and hardly ever where chance does."""

import random
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.records import ReadingFilter, course_of, open_records
from tests.unit.made_records import START, made_pad, made_payload, made_stamp


@pytest.fixture
def course(tmp_path: Path):
    """Enter values a day apart, each 10 % uncertain, and return where they go."""
    points = iter(range(1000))
    with open_records(tmp_path, create=True) as records:

        def tell(values, *, lots=("UL-1",), validity="valid", u=0.1, hours=24.0):
            point = f"point {next(points)}"
            for n, value in enumerate(values):
                at = START + timedelta(hours=hours * n)
                pad = {**made_pad(value), **({} if value is None else {"standard_uncertainty": u * value})}
                payload = made_payload(
                    point=point, taken=at, lot=lots[n * len(lots) // len(values)], pads=[pad], validity=validity
                )
                records.add_reading(payload, files=[], stamp=made_stamp(1440 * n))
            return course_of(records.readings(ReadingFilter(point=point)))

        yield tell


def test_a_line_up_or_down_is_told_with_its_size(course):
    up = course([0.20, 0.25, 0.30, 0.35, 0.40, 0.45])
    assert (up.word, up.count, up.unit, up.since) == ("rising", 6, "mg/L", START)
    assert up.change == pytest.approx(0.25)
    assert up.shows < 0.25
    assert course([0.45, 0.40, 0.35, 0.30, 0.25, 0.20]).word == "falling"


def test_what_does_not_change_is_steady_only_if_a_change_would_show(course):
    assert course([0.30, 0.31, 0.30, 0.29, 0.30, 0.31], u=0.03).word == "steady"
    assert course([0.30, 0.31, 0.30, 0.29, 0.30, 0.31], u=0.3) is None


@pytest.mark.parametrize(
    ("values", "more"),
    [
        ([0.2, 0.3, 0.4, 0.5], {}),  # too few
        ([0.2, 0.3, 0.4, 0.5, None], {}),
        ([0.2, 0.25, 0.3, 0.35, 0.4], {"validity": "doubtful"}),
        ([0.2, 0.2, 0.2, 0.4, 0.4, 0.4], {"lots": ("UL-1", "UL-2")}),  # another lot, not another water
        ([0.2, 0.6, 0.1, 0.5, 0.9, 0.3], {}),  # scatter
        ([0.2, 0.25, 0.3, 0.35, 0.4], {"hours": 0.0}),  # all at once
    ],
)
def test_where_nothing_can_be_told_nothing_is(course, values, more):
    assert course(values, **more) is None


@pytest.mark.slow
def test_chance_is_seldom_taken_for_a_course(course):
    rng = random.Random(7)
    words = [course([max(rng.gauss(0.3, 0.03), 0.01) for _ in range(10)]) for _ in range(60)]
    assert sum(one is not None and one.word != "steady" for one in words) <= 2
