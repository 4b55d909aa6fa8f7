"""Days are those of the place: an evening in America is the next day in UTC. Zones are of POSIX, without a database."""

import time
from datetime import UTC, datetime, timedelta, timezone

import pytest

from stripread.lot import CheckRow
from stripread.report import check_cells, new_figure
from stripread.report.pictures.trend import short_dates
from tests.listed import each

CENTRAL = timezone(timedelta(hours=-5))
EVENING = datetime(2026, 5, 4, 21, 30, tzinfo=CENTRAL)


@pytest.fixture
def _in_america(monkeypatch):
    monkeypatch.setenv("TZ", "CST6CDT,M3.2.0,M11.1.0")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("_in_america")
@each("when", [EVENING, EVENING.astimezone(UTC)])
def test_a_check_of_the_evening_is_of_that_day(when):
    row = CheckRow(
        when=when, photo="a.jpg", photo_sha256="0" * 64, lot_sha256="1" * 64, pad="clo2", known=0.35, u_known=0.01,
        value=0.36, u=0.02, low=0.32, high=0.4, e_n=0.2, findings=(),
    )  # fmt: skip
    assert check_cells(row)[0] == "2026-05-04"


def test_a_check_keeps_the_day_of_its_own_place_wherever_it_is_looked_at():
    row = CheckRow(
        when=EVENING, photo="a.jpg", photo_sha256="0" * 64, lot_sha256="1" * 64, pad="clo2", known=0.35, u_known=0.01,
        value=0.36, u=0.02, low=0.32, high=0.4, e_n=0.2, findings=(),
    )  # fmt: skip
    assert row.read_at == EVENING
    assert check_cells(row)[0] == "2026-05-04"


def test_the_axis_of_a_trend_begins_its_days_at_the_midnight_of_the_place():
    from matplotlib.dates import date2num, num2date

    ax = new_figure(6, 3).subplots()
    ax.plot([EVENING - timedelta(days=5), EVENING], [1, 2])
    short_dates(ax, zone=CENTRAL)
    assert ax.xaxis.get_major_formatter()(date2num(EVENING)) == "04 May"
    assert {num2date(tick, CENTRAL).hour for tick in ax.get_xticks()} == {0}
