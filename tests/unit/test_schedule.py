"""What the schedule asks for: due, done, late, missed, with closed days; across a change of clocks."""

from collections import Counter
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from stripread.errors import SiteError
from stripread.records import Note, Point, due_today, open_records, period_of
from stripread.records.queries.due_readings import due_readings
from stripread.report import document_html, period_report
from stripread.site import load_site, write_demo_site
from tests.listed import each
from tests.unit.made_records import made_payload, made_stamp

ZONE = ZoneInfo("Europe/Madrid")
TEXT = """
[schedule]
closed = ["sunday", "2026-05-01"]
[schedule.point."bench-1"]
before = ["10:00", "16:00"]
who = "Ines"
[schedule.point.well]
on = ["monday"]
"""


def at(*when: int) -> datetime:
    return datetime(*when, tzinfo=ZONE)


@pytest.fixture
def site(tmp_path):
    file = write_demo_site(tmp_path)
    file.write_text(file.read_text() + TEXT)
    return load_site(tmp_path)


def states(site, read, first, last, now):
    found = due_readings(site.schedule, read, first=first, last=last, now=now)
    return [(one.point, one.day.day, one.state) for one in found]


def test_closed_days_owe_nothing_and_days_of_the_week_only_theirs(site):
    found = states(site, {}, date(2026, 4, 27), date(2026, 5, 4), at(2026, 5, 9, 12))
    days = Counter(day for point, day, _ in found if point == "bench-1")
    assert set(days) == {27, 28, 29, 30, 2, 4}  # not 1 May, not Sunday 3 May
    assert set(days.values()) == {2}
    assert [day for point, day, _ in found if point == "well"] == [27, 4]  # Mondays


def test_a_reading_counts_for_the_time_that_it_came_before(site):
    day, now = date(2026, 5, 5), at(2026, 5, 5, 17)
    read = {"bench-1": [at(2026, 5, 5, 9, 50), at(2026, 5, 5, 15, 0)]}
    assert [state for *_, state in states(site, read, day, day, now)] == ["done", "done"]
    read = {"bench-1": [at(2026, 5, 5, 11, 0)]}  # late for the first, in time for the second
    assert [state for *_, state in states(site, read, day, day, now)] == ["late", "done"]
    read = {"bench-1": [at(2026, 5, 5, 11, 0), at(2026, 5, 5, 15, 0)]}
    assert [state for *_, state in states(site, read, day, day, now)] == ["done late", "done"]
    assert [state for *_, state in states(site, {}, day, day, at(2026, 5, 5, 11))] == ["late", "due"]
    assert [state for *_, state in states(site, {}, day, day, at(2026, 5, 6, 1))] == ["missed", "missed"]


def test_the_clock_of_the_place_counts_also_where_it_changes(site):
    spring = date(2026, 3, 30)  # the day after the clocks went forward
    utc_morning = datetime(2026, 3, 30, 7, 55, tzinfo=ZoneInfo("UTC"))  # 9:55 there
    assert states(site, {"bench-1": [utc_morning]}, spring, spring, at(2026, 3, 30, 10, 30))[0][2] == "done"


@each(
    "text",
    [
        '[schedule]\nclosed = ["someday"]',
        '[schedule.point.a]\nbefore = "25:00"',
        '[schedule.point.a]\non = "x"',
        '[schedule.point.a]\nbefore = ["16:00", "10:00"]',
        "[schedule.point.a]\nwhen = 1",
    ],
)
def test_what_is_no_schedule_is_told(site, text):
    file = site.folder / "site.toml"
    known = file.read_text()
    file.write_text(known.replace(TEXT, "\n" + text + "\n"))
    try:
        with pytest.raises(SiteError, match="schedule"):
            load_site(site.folder)
    finally:
        file.write_text(known)


def test_today_tells_what_is_due_late_and_done(site):
    with open_records(site.folder, create=True) as records:
        records.add_point(Point(name="bench-1", sample="line", flush_min=1.5), made_stamp())
        now = at(2026, 5, 5, 10, 30)
        (late, due) = [d for d in due_today(records, site, now=now) if d.kind == "point"]
        assert "LATE" in str(late.matter)
        assert "Ines" in str(due.matter)
        payload = made_payload(point="bench-1", taken=at(2026, 5, 5, 10, 40))
        records.add_reading(payload, files=[], stamp=made_stamp())
        found = [
            (d.urgency, str(d.matter)) for d in due_today(records, site, now=at(2026, 5, 5, 11)) if d.kind == "point"
        ]
        assert [urgency for urgency, _ in found] == ["today", "done"]


def test_the_report_has_the_missed_readings_with_their_reasons(site):
    with open_records(site.folder, create=True) as records:
        records.add_point(Point(name="bench-1", sample="line"), made_stamp())
        for hour in (9, 15):
            payload = made_payload(point="bench-1", taken=at(2026, 5, 4, hour))
            records.add_reading(payload, files=[], stamp=made_stamp())
        records.add_note(Note(text="pump off", type="missed", point="bench-1", at=at(2026, 5, 5, 12)), made_stamp())
        period = period_of(records, site, start=at(2026, 5, 4), end=at(2026, 5, 7))
        html = document_html(period_report(period, site, made_at=at(2026, 5, 7)))
    assert Counter(one.state for one in period.due if one.point == "bench-1") == {"done": 2, "missed": 4}
    table = html[html.index("Readings that were due") :]
    assert "33 %" in table  # 2 of 6
    assert table.count("pump off") >= 2
    assert "no reason given" in table
    assert period.due[0].before - at(2026, 5, 4) == timedelta(hours=10)
