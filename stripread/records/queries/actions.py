"""Corrective actions: what is to be done about a finding, by whom and when, and what closed it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from stripread.errors import RecordsError
from stripread.findings import REGISTRY
from stripread.i18n import Message, Verbatim
from stripread.records.chain.entries import Action, ActionDone, Entry, Stamp
from stripread.records.queries.readings import RecordedReading
from stripread.records.store import Recorded, Records

__all__ = ["ActionStanding", "action_standings", "close_action", "without_action"]

_MOST = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionStanding:
    """An action, and what was done for it; None while it is open."""

    entry: Entry
    said: Action
    done: Recorded[ActionDone] | None

    def is_overdue(self, today: date) -> bool:
        """Tell whether it is open and its day has passed."""
        return self.done is None and date.fromisoformat(self.said.by) < today


def action_standings(records: Records) -> tuple[ActionStanding, ...]:
    """Return all actions: the open ones first, those due first before the others."""
    done = {one.said.action: one for one in reversed(records.actions_done(limit=_MOST))}
    found = [
        ActionStanding(entry=one.entry, said=one.said, done=_done(records, one.entry, done))
        for one in records.actions(limit=_MOST)
    ]
    return tuple(sorted(found, key=lambda one: (one.done is not None, one.said.by, one.entry.seq)))


def _done(records: Records, entry: Entry, done: "dict[int, Recorded[ActionDone]]") -> "Recorded[ActionDone] | None":
    """Return what was done for an action, whichever of its corrections was named."""
    if entry.supersedes is None:
        return done.get(entry.seq)
    return next((done[e.seq] for e in records.corrections_of(entry.seq) if e.seq in done), None)


def close_action(records: Records, seq: int, *, text: str, reading: int | None, stamp: Stamp) -> Entry:
    """Enter what was done for an action.

    Raises
    ------
    RecordsError
        If there is no such open action, or the reading does not show that the matter is in order.
    """
    known = {one.entry.seq: one for one in action_standings(records)}
    action = known.get(seq)
    if action is None or action.done is not None:
        still = [str(number) for number, one in known.items() if one.done is None]
        raise RecordsError(
            expected=Message("an open action: %(known)s", known=", ".join(still) or Message("none")),
            found=Verbatim(str(seq)),
            remedy=Message("Take its number from the list of actions."),
        )
    if reading is not None:
        wrong = _why_not(records.reading(action.said.about), records.reading(reading), action.said.code)
        if wrong is not None:
            raise RecordsError(
                expected=Message("a later valid reading at the same point, within its range where that was the matter"),
                found=wrong,
                remedy=Message("Name another entry, or leave it out and say in words what shows it."),
            )
    return records.add_action_done(ActionDone(action=seq, text=text, reading=reading), stamp)


def _why_not(wrong: RecordedReading, closing: RecordedReading, code: str) -> Message | None:
    """Return why a reading does not close what was found in another one; None where it does."""
    if closing.point != wrong.point or closing.sample != wrong.sample:
        return Message("a reading of another point or sample")
    if closing.when <= wrong.when:
        return Message("a reading that is not later")
    if closing.validity != "valid" or closing.superseded_by is not None:
        return Message("a reading that is not valid")
    about_water = code in REGISTRY and REGISTRY[code].about == "sample"
    if about_water and closing.main.range_state != "within":
        return Message("a reading that is not within its range")
    return None


def without_action(readings: Sequence[RecordedReading], actions: Sequence[ActionStanding]) -> int:
    """Count readings with a finding of severity error about which no action was opened."""
    told = {one.said.about for one in actions}
    return sum(
        any(f.get("severity") == "error" for f in r.entry.payload.get("findings") or ()) and r.entry.seq not in told
        for r in readings
    )
