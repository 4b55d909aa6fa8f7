"""What a period's report says of duties: readings that were due, corrective actions, treatments that are not over."""

from collections.abc import Iterator
from datetime import timedelta

from stripread.i18n import Message, Say, plural
from stripread.records import DueReading, Period, when_noted
from stripread.report.document.document import Alarm, Heading, Part, Table, Words
from stripread.report.period.words import day, moment

__all__ = ["duty_alarms", "duty_parts"]


def duty_alarms(period: Period, say: Say) -> Iterator[Part]:
    """Return what heads the report: open actions, and events whose checks are not all ticked."""
    today = period.end.date()
    still = [one for one in period.actions if one.done is None]
    if still:
        overdue = sum(one.is_overdue(today) for one in still)
        words = plural(
            "▲ %(count)s corrective action is open, %(overdue)s of them overdue.",
            "▲ %(count)s corrective actions are open, %(overdue)s of them overdue.",
            count=len(still),
            overdue=overdue,
        )
        yield Alarm(say(words))
    for event in period.open_events:
        words = Message(
            "▲ %(type)s of %(when)s is not over; not ticked: %(checks)s.",
            type=Message(event.note.said.type or "event"),
            when=moment(when_noted(event.note), say),
            checks=", ".join(event.missing),
        )
        yield Alarm(say(words))


def duty_parts(period: Period, say: Say) -> Iterator[Part]:
    """Return the auditor's table of due readings, and the corrective actions."""
    yield from _due(period, say)
    yield from _actions(period, say)
    yield from _stores(period, say)


def _due(period: Period, say: Say) -> Iterator[Part]:
    if not period.due:
        return
    yield Heading(say(Message("Readings that were due")))
    points = list(dict.fromkeys(one.point for one in period.due))
    rows = []
    for point in points:
        own = [one for one in period.due if one.point == point]
        states = {state: sum(one.state == state for one in own) for state in ("done", "done late", "missed", "late")}
        past = len([one for one in own if one.state != "due"])
        done = states["done"] + states["done late"]
        share = "" if past == 0 else f"{100 * done / past:.0f} %"
        missed = states["missed"] + states["late"]
        rows.append((point, str(past), str(states["done"]), str(states["done late"]), str(missed), share))
    words = (
        Message("point"), Message("due"), Message("in time"), Message("late"), Message("missed"), Message("share done")
    )  # fmt: skip
    yield Table(tuple(say(word) for word in words), rows, (25, 15, 15, 15, 15, 15), frozenset(range(1, 6)))
    missed_rows = [
        (_until(one, say), one.point, _why(one, period, say)) for one in period.due if one.state in ("missed", "late")
    ]
    if missed_rows:
        heads_missed = (say(Message("due until")), say(Message("point")), say(Message("reason")))
        yield Table(heads_missed, missed_rows, (20, 20, 60))
    else:
        yield Words(say(Message("✔ None was missed.")))


def _until(due: DueReading, say: Say) -> str:
    """Return until when a reading was due: a day, or a time of it."""
    return day(due.before - timedelta(microseconds=1), say) if due.any_time else moment(due.before, say)


def _why(due: DueReading, period: Period, say: Say) -> str:
    """Return the reasons that were noted for a missed reading."""
    zone = due.before.tzinfo
    told = [
        note.said.text
        for note in period.notes
        if note.said.type == "missed"
        and note.said.point == due.point
        and when_noted(note).astimezone(zone).date() == due.day
    ]
    return "; ".join(told) or say(Message("▲ no reason given"))


def _actions(period: Period, say: Say) -> Iterator[Part]:
    if not period.actions and not period.unattended:
        return
    yield Heading(say(Message("Corrective actions")))
    rows = []
    for one in period.actions:
        closed = say(Message("○ open"))
        if one.done is not None:
            closed = f"✔ {moment(one.done.entry.at, say)}, {one.done.entry.who}: {one.done.said.text}"
            if one.done.said.reading is not None:
                closed += " " + say(Message("(entry %(seq)s)", seq=one.done.said.reading))
        elif one.is_overdue(period.end.date()):
            closed = say(Message("▲ OVERDUE"))
        about = say(Message("%(code)s, entry %(seq)s", code=one.said.code, seq=one.said.about))
        rows.append((moment(one.entry.at, say), about, one.said.text, one.said.owner, one.said.by, closed))
    if rows:
        known = (
            Message("opened"), Message("about"), Message("what is to be done"), Message("who"), Message("until"),
            Message("what was done"),
        )  # fmt: skip
        yield Table(tuple(say(word) for word in known), rows, (13, 17, 22, 10, 11, 27))
    if period.unattended:
        words_left = plural(
            "%(count)s reading with an error has no action.",
            "%(count)s readings with an error have no action.",
            count=period.unattended,
        )
        yield Words(say(words_left))


def _stores(period: Period, say: Say) -> Iterator[Part]:
    if not period.stores:
        return
    yield Heading(say(Message("Stores at the end")))
    heads = (
        Message("name"), Message("what"), Message("left"), Message("used in two weeks"), Message("good until"),
        Message("state"),
    )  # fmt: skip
    rows = []
    for one in period.stores:
        ends, low = one.expires(), one.left <= one.lately
        state = Message("▲ low") if low else Message("✔ in order")
        if ends is not None and ends < period.end.date() and one.left > 0:
            state = Message("▲ past its date")
        counts = (str(one.left), str(one.lately))
        rows.append((one.said.name, say(Message(one.said.what)), *counts, one.said.expires or "", say(state)))
    yield Table(tuple(say(word) for word in heads), rows, (25, 15, 10, 15, 15, 20), frozenset((2, 3)))
