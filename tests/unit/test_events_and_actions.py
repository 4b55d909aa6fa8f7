"""Events with a time of their own and checks to be ticked; actions about a finding, closed by a good reading."""

from datetime import timedelta

import pytest

from stripread.errors import RecordsError
from stripread.findings import make_finding
from stripread.records import (
    Action,
    Note,
    Point,
    action_standings,
    close_action,
    due_today,
    open_records,
    period_of,
    tick_check,
    trend_of,
)
from stripread.report import document_html, period_report
from stripread.site import load_site, write_demo_site
from stripread.workflow import SampleContext, history_for
from tests.unit.made_readings import made_reading
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def site(tmp_path):
    file = write_demo_site(tmp_path)
    file.write_text(file.read_text() + '\n[event."tank cleaned"]\nchecks = ["filled again"]\n')
    return load_site(tmp_path)


@pytest.fixture
def records(site):
    with open_records(site.folder, create=True) as opened:
        opened.add_point(Point(name="bench-1", sample="line", line="east", order=1), made_stamp())
        opened.add_point(Point(name="bench-9", sample="line", line="west", order=1), made_stamp())
        yield opened


def shock(records, **facts):
    return records.add_note(
        Note(text="50 mg/L for an hour", type="shock", line="east", at=START, **facts), made_stamp(90)
    )


def add_reading(records, value, *, hours, state="within", finding=None, point="bench-1", validity="valid"):
    pad = made_pad(value) | {"range_state": state}
    payload = made_payload(point=point, taken=START + hours * HOUR, pads=[pad], validity=validity)
    if finding is not None:
        made = make_finding(finding, "as made up")
        words = {"severity": made.severity, "message": str(made.message), "advice": str(made.advice)}
        payload["findings"] = [{"code": finding, **words}]
    return records.add_reading(payload, files=[], stamp=made_stamp(60 * hours)).seq


def test_a_shock_treatment_stands_open_until_both_checks_are_ticked(records, site):
    event = shock(records)
    now = START + 5 * HOUR
    (due,) = [d for d in due_today(records, site, now=now) if d.kind == "event"]
    assert due.urgency == "now"
    assert "crop off the line, line rinsed" in str(due.matter)
    assert "licensed practice" in str(due.advice)
    stamp = made_stamp(100, who="Ben")
    _, left = tick_check(records, site.events, event.seq, check="line rinsed", at=None, stamp=stamp)
    assert left == ("crop off the line",)
    with pytest.raises(RecordsError, match="crop off the line"):
        tick_check(records, site.events, event.seq, check="line rinsed", at=None, stamp=stamp)
    tick_check(records, site.events, event.seq, check="crop off the line", at=None, stamp=stamp)
    assert not [d for d in due_today(records, site, now=now) if d.kind == "event"]


def test_the_lines_readings_say_so_meanwhile_and_no_other_lines(records, site):
    shock(records)
    context = SampleContext(sample=site.samples["line"], point="bench-1")
    reading = made_reading()
    now = START + 2 * HOUR

    def not_over(point):
        said = SampleContext(sample=context.sample, point=point)
        return history_for(records, reading, said, now=now).not_over

    assert "shock" in str(not_over("bench-1"))
    assert not_over("bench-9") is None


def test_events_stand_at_their_own_time_in_trend_and_report(records, site):
    for hours in (-2.0, 3.0):
        add_reading(records, 0.3, hours=hours)
    records.add_note(Note(text="mains down", type="power cut", at=START - HOUR), made_stamp(600))
    shock(records)
    records.add_note(Note(text="west only", type="flush", line="west", at=START), made_stamp(600))
    events = trend_of(records, site, "bench-1", since=None, until=None).events
    assert [event.words for event in events] == ["power cut: mains down", "shock: 50 mg/L for an hour"]
    assert events[0].at == START - HOUR
    html = document_html(
        period_report(period_of(records, site, start=START - DAY, end=START + DAY), site, made_at=START + DAY)
    )
    assert "is not over; not ticked: crop off the line, line rinsed" in html
    assert html.index("mains down") < html.index("west only")


def test_an_action_is_open_overdue_and_closed_by_a_good_later_reading(records, site):
    wrong = add_reading(records, 0.1, hours=0, state="below", finding="out_of_range")
    by = (START + DAY).date().isoformat()
    action = Action(about=wrong, code="out_of_range", text="clean the injector", owner="Ines", by=by)
    seq = records.add_action(action, made_stamp(10)).seq
    (due,) = [d for d in due_today(records, site, now=START + HOUR) if d.kind == "action"]
    assert (due.urgency, "clean the injector" in str(due.matter)) == ("today", True)
    first = due_today(records, site, now=START + 3 * DAY)[0]
    assert first.kind == "action"
    assert "OVERDUE" in str(first.matter)
    for hours, facts, why in (
        (1.0, {"state": "below"}, "within its range"),
        (2.0, {"validity": "doubtful"}, "not valid"),
        (3.0, {"point": "bench-9"}, "another point"),
        (-1.0, {}, "not later"),
    ):
        with pytest.raises(RecordsError, match=why):
            close_action(
                records, seq, text="done", reading=add_reading(records, 0.3, hours=hours, **facts), stamp=made_stamp()
            )
    good = add_reading(records, 0.35, hours=5)
    close_action(records, seq, text="injector cleaned", reading=good, stamp=made_stamp(400))
    (standing,) = action_standings(records)
    assert standing.done.said.reading == good
    with pytest.raises(RecordsError, match="open action"):
        close_action(records, seq, text="again", reading=None, stamp=made_stamp())
    assert not [d for d in due_today(records, site, now=START + 3 * DAY) if d.kind == "action"]


def test_the_report_tells_of_actions_and_of_errors_without_one(records, site):
    add_reading(records, None, hours=0, finding="off_curve", validity="invalid")
    wrong = add_reading(records, 0.1, hours=1, state="below", finding="out_of_range")
    by = (START + DAY).date().isoformat()
    records.add_action(Action(about=wrong, code="out_of_range", text="clean it", owner="Ines", by=by), made_stamp(70))
    period = period_of(records, site, start=START - DAY, end=START + 3 * DAY)
    html = document_html(period_report(period, site, made_at=START + 3 * DAY))
    assert "1 corrective action is open, 1 of them overdue" in html
    assert "clean it" in html
    assert "OVERDUE" in html
    assert period.unattended == 1


def test_an_action_is_about_a_finding_that_is_there_and_may_be_put_off_with_a_reason(records):
    wrong = add_reading(records, 0.1, hours=0, state="below", finding="out_of_range")
    by = (START + DAY).date().isoformat()
    with pytest.raises(RecordsError, match="out_of_range"):
        records.add_action(Action(about=wrong, code="jump_at_point", text="x", owner="I", by=by), made_stamp())
    seq = records.add_action(Action(about=wrong, code="out_of_range", text="x", owner="I", by=by), made_stamp()).seq
    later = records.correct(seq, why="parts on order", changes={"by": "2026-06-01"}, stamp=made_stamp()).seq
    (standing,) = action_standings(records)
    assert (standing.entry.seq, standing.said.by) == (later, "2026-06-01")
