"""What is due and what is wrong at a site today, by its record: the most urgent first."""

from datetime import datetime, timedelta

from stripread.check import RANGE_STATES, VALIDITY, drifted
from stripread.errors import StripReadError
from stripread.findings import VERIFY_LOT
from stripread.i18n import Joined, Message, Number, Shown, Verbatim
from stripread.lot import load_lot
from stripread.records.queries.actions import action_standings
from stripread.records.queries.checks import lot_scores
from stripread.records.queries.due import Due, Urgency
from stripread.records.queries.due_readings import due_readings
from stripread.records.queries.events import open_events, when_noted
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.queries.stock_due import behind_words, stock_due
from stripread.records.queries.stores import store_due
from stripread.records.store import Records
from stripread.site import Schedule, Site
from stripread.units import findings_of

__all__ = ["Due", "due_today"]

_ORDER: dict[Urgency, int] = {"now": 0, "today": 1, "soon": 2, "done": 3}
_LOT_SOON = timedelta(days=14)  # ours
_IN_USE = timedelta(days=30)  # a lot that no reading used for so long is not asked about
_ENTERED = 500  # the latest entered readings that are looked at


def due_today(records: Records, site: Site, *, now: datetime) -> tuple[Due, ...]:
    """Return what is due, the most urgent first; nothing where all is well.

    By a schedule, what was done today comes last, as ``done``.
    """
    latest = records.latest_by_point(site.main_analytes)
    found = [
        *_actions(records, now),
        *_events(records, site, now),
        *_wrong(records, site, [*sorted(latest.items()), *_others(records, latest, now)], now),
        *(_unsampled(records, latest, now) if site.schedule is None else _scheduled(records, site.schedule, now)),
        *stock_due(records, site, now=now, told={one.entry.seq for one in latest.values()}),
        *_lots(records, site, now),
        *store_due(records, now=now),
    ]
    return tuple(sorted(found, key=lambda due: _ORDER[due.urgency]))


def _others(records: Records, latest: dict[str, RecordedReading], now: datetime) -> list[tuple[str, RecordedReading]]:
    """Return, of each point, the latest entered readings of what its latest one does not tell, as of its pH."""
    found: dict[tuple[str, str], RecordedReading] = {}
    for reading in records.readings(ReadingFilter(entered=True, since=now - _IN_USE), limit=_ENTERED):
        if reading.point is not None:
            found.setdefault((reading.point, reading.main.analyte), reading)
    told = {(point, pad.analyte) for point, reading in latest.items() for pad in reading.pads}
    return [(point, found[point, analyte]) for point, analyte in sorted(found.keys() - told)]


def _wrong(records: Records, site: Site, latest: list[tuple[str, RecordedReading]], now: datetime) -> list[Due]:
    """Points whose latest reading is not a good one within its range."""
    found = []
    for point, reading in latest:
        worst = next((f for f in findings_of(reading.entry.payload) if f.severity != "info"), None)
        states = {pad.range_state for pad in reading.pads if pad.range_state is not None}
        if reading.validity == "valid" and states <= {"within"}:
            continue
        out = states & {"above", "below"}
        matter: Shown = VALIDITY[reading.validity]
        if out:
            sides = [RANGE_STATES[side] for side in sorted(out)]
            matter = Message(
                "%(validity)s, %(side)s range", validity=matter, side=Joined(tuple(sides), ", ", Message("and"))
            )
        if worst is not None:
            matter = Message("%(validity)s: %(message)s", validity=matter, message=worst.message)
        if not reading.method.is_strip:
            matter = Message(
                "%(analyte)s by %(method)s: %(matter)s",
                analyte=Message(reading.main.analyte),
                method=reading.method.words,
                matter=matter,
            )
        advice: Shown = Message("Read a second strip and take both together.")
        if worst is not None:
            advice = worst.advice
        elif not reading.method.is_strip:
            advice = Message("Measure again.")
        found.append(
            Due(
                urgency="now" if out else "today",
                about=Verbatim(point),
                matter=Message(
                    "entry %(seq)s, %(when)s, %(matter)s",
                    seq=reading.entry.seq,
                    when=reading.when.isoformat(sep=" ", timespec="minutes")[:16],
                    matter=matter,
                ),
                advice=_with_behind(records, site, point, advice, now) if out else advice,
                kind="reading" if reading.method.is_strip else "measurement",
                entry=reading.entry.seq,
            )
        )
    return found


def _with_behind(records: Records, site: Site, point: str, advice: Shown, at: datetime) -> Shown:
    """Add to an advice which injector and tank stand behind a point whose water is out of range."""
    behind = behind_words(records, site, point, at=at)
    return advice if behind is None else Joined((advice, behind), " ")


def _unsampled(records: Records, latest: dict[str, RecordedReading], now: datetime) -> list[Due]:
    found = []
    for point in records.points_in_order():
        reading = latest.get(point.name)
        if reading is not None and reading.when.astimezone(now.tzinfo).date() >= now.date():
            continue
        sample = Message(point.sample)
        matter = (
            Message("no %(sample)s sample yet", sample=sample)
            if reading is None
            else Message(
                "no %(sample)s sample today; the last was on %(when)s",
                sample=sample,
                when=reading.when.date().isoformat(),
            )
        )
        found.append(
            Due(
                urgency="today",
                about=Verbatim(point.name),
                matter=matter,
                advice=_flush_and_dip(point.flush_min),
                kind="point",
            )
        )
    return found


def _actions(records: Records, now: datetime) -> list[Due]:
    """Open actions, those that are overdue as what is to be done now."""
    found = []
    for one in action_standings(records):
        if one.done is not None:
            continue
        overdue = one.is_overdue(now.date())
        words = {"text": one.said.text, "owner": one.said.owner, "by": one.said.by, "entry": one.said.about}
        matter = (
            Message("OVERDUE since %(by)s: %(text)s (%(owner)s; entry %(entry)s)", **words)
            if overdue
            else Message("to be done by %(by)s: %(text)s (%(owner)s; entry %(entry)s)", **words)
        )
        found.append(
            Due(
                urgency="now" if overdue or one.said.by == now.date().isoformat() else "today",
                about=Message("action %(seq)s", seq=one.entry.seq),
                matter=matter,
                advice=Message("Do it, read again, and close the action with that reading."),
                kind="action",
                entry=one.said.about,
                name=str(one.entry.seq),
            )
        )
    return found


def _events(records: Records, site: Site, now: datetime) -> list[Due]:
    """Events whose checks are not all ticked, as the rinse after a shock treatment."""
    return [
        Due(
            urgency="now",
            about=Message(
                "%(type)s of %(when)s",
                type=Message(one.note.said.type or "event"),
                when=when_noted(one.note).isoformat(sep=" ", timespec="minutes")[:16],
            ),
            matter=Message("not ticked yet: %(checks)s", checks=", ".join(one.missing)),
            advice=Message(
                "Let no crop have this water before all is ticked. Product label, local codes and licensed practice "
                "come first."
            ),
            kind="event",
            entry=one.note.entry.seq,
            name=str(one.note.entry.seq),
        )
        for one in open_events(records, site.events, until=now)
    ]


def _scheduled(records: Records, schedule: Schedule, now: datetime) -> list[Due]:
    """Return what the schedule asks for today: due, late, done."""
    day = now.date()
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    points = {point.name: point for point in records.points_in_order()}
    read = {name: [r.when for r in records.readings(ReadingFilter(point=name, since=midnight))] for name in points}
    found = []
    for one in due_readings(schedule, read, first=day, last=day, now=now):
        if one.point not in points:
            continue
        before = Number(0) if one.any_time else one.before.strftime("%H:%M")
        sample = Message(points[one.point].sample)
        if one.read_at is not None:
            matter = Message("%(sample)s sample read at %(when)s", sample=sample, when=one.read_at.strftime("%H:%M"))
        elif one.state == "late":
            matter = Message("LATE: %(sample)s sample was due before %(before)s", sample=sample, before=before)
        elif one.any_time:
            matter = Message("%(sample)s sample due today", sample=sample)
        else:
            matter = Message("%(sample)s sample due before %(before)s", sample=sample, before=before)
        who = () if one.who is None or one.read_at is not None else (Message("(%(who)s)", who=one.who),)
        found.append(
            Due(
                urgency="done" if one.read_at is not None else "today",
                about=Verbatim(one.point),
                matter=Joined((matter, *who), " "),
                advice=Message("Nothing more.") if one.read_at else _flush_and_dip(points[one.point].flush_min),
                kind="point",
            )
        )
    return found


def _flush_and_dip(flush_min: float | None) -> Message:
    if not flush_min:
        return Message("Dip a new strip and read it.")
    return Message("Flush for %(seconds)s s, then dip a new strip and read it.", seconds=Number(60 * flush_min, ".0f"))


def _lots(records: Records, site: Site, now: datetime) -> list[Due]:
    """Lots in use that expire, were never checked, or have drifted."""
    found = []
    for name, path in sorted(site.lots.items()):
        try:
            lot = load_lot(path)
        except StripReadError as error:
            found.append(
                Due(
                    urgency="today",
                    about=Message("lot %(name)s", name=name),
                    matter=error.found,
                    advice=error.remedy,
                    kind="lot",
                )
            )
            continue
        if not records.readings(ReadingFilter(lot=lot.number, since=now - _IN_USE), limit=1):
            continue
        left = lot.expires - now.date()
        if left < timedelta():
            found.append(
                Due(
                    urgency="now",
                    about=Message("lot %(name)s", name=lot.number),
                    matter=Message("expired on %(expires)s", expires=lot.expires.isoformat()),
                    advice=Message("Open a fresh lot; calibrate it first."),
                    kind="lot",
                )
            )
        elif left <= _LOT_SOON:
            found.append(
                Due(
                    urgency="soon",
                    about=Message("lot %(name)s", name=lot.number),
                    matter=Message("expires on %(expires)s", expires=lot.expires.isoformat()),
                    advice=Message("Order a fresh lot and calibrate it while this one is still good."),
                    kind="lot",
                )
            )
        checks = lot_scores(records, lot)
        if checks == ():
            found.append(
                Due(
                    urgency="soon",
                    about=Message("lot %(name)s", name=lot.number),
                    matter=Message("no check standard was ever read with it"),
                    advice=VERIFY_LOT,
                    kind="lot",
                )
            )
        elif checks and (words := drifted(checks)):
            found.append(
                Due(
                    urgency="today",
                    about=Message("lot %(name)s", name=lot.number),
                    matter=words,
                    advice=Message("Read a fresh known dilution; if it is off as well, calibrate the lot anew."),
                    kind="lot",
                )
            )
    return found
