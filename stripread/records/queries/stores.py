"""The stores: how much of a box or vial is left, when it was opened, when it ends, and whether it runs out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from stripread.errors import RecordsError
from stripread.i18n import Message, Number, Verbatim
from stripread.records.chain.entries import Entry, Stamp, StoreItem, StoreUse
from stripread.records.queries.due import Due, Urgency
from stripread.records.queries.readings import ReadingFilter
from stripread.records.store import Recorded, Records

__all__ = ["StoreStanding", "check_store", "store_due", "store_standings", "take_from_store"]

_MOST = 5000
_SOON, _PACE = timedelta(days=14), timedelta(days=14)  # ours: what is used in so long tells how fast it goes


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreStanding:
    """A box or vial, what is left of it, and how much went in the last two weeks."""

    entry: Entry
    said: StoreItem
    left: int
    lately: int
    opened: datetime | None

    def expires(self) -> date | None:
        """Return the day after which it is not to be used; None where nobody said."""
        return None if self.said.expires is None else date.fromisoformat(self.said.expires)


def store_standings(records: Records, *, at: datetime) -> tuple[StoreStanding, ...]:
    """Return how each box and vial stands: those that end first before the others.

    Of strips, what the readings with their lot used counts as well: nobody enters each strip.
    """
    uses = [one.said for one in records.store_uses(limit=_MOST) if one.said.at <= at]
    found = [_standing(records, one, uses, at=at) for one in records.store_items(limit=_MOST)]
    return tuple(sorted(found, key=lambda one: (one.left <= 0, one.said.expires or "9999", one.said.name)))


def _standing(records: Records, item: Recorded[StoreItem], uses: Sequence[StoreUse], *, at: datetime) -> StoreStanding:
    own = [use for use in uses if use.item == item.said.name]
    times = [(use.at, use.count) for use in own]
    if item.said.what == "strips":
        since = datetime.combine(date.fromisoformat(item.said.received), datetime.min.time(), at.tzinfo)
        wanted = ReadingFilter(lot=item.said.name, since=since, until=at)
        times += [(reading.when, 1) for reading in records.iterate_readings(wanted)]
    opened = min((when for when, _ in times), default=None)
    return StoreStanding(
        entry=item.entry,
        said=item.said,
        left=item.said.count - sum(count for _, count in times),
        lately=sum(count for when, count in times if when > at - _PACE),
        opened=opened,
    )


def take_from_store(records: Records, use: StoreUse, stamp: Stamp) -> Entry:
    """Enter what was taken from a box or vial; `RecordsError` where it cannot have been (`check_store`)."""
    check_store(records, use, at=stamp.at)
    return records.add_store_use(use, stamp)


def check_store(records: Records, use: StoreUse, *, at: datetime) -> None:
    """Refuse what cannot be taken.

    Raises
    ------
    RecordsError
        If there is no such box or vial, or less in it.
    """
    known = {one.said.name: one for one in store_standings(records, at=at)}
    item = known.get(use.item)
    if item is None:
        raise RecordsError(
            expected=Message("one of the stores: %(known)s", known=", ".join(known) or Message("none")),
            found=Verbatim(repr(use.item)),
            remedy=Message("Enter what was received first."),
        )
    if use.count > item.left:
        raise RecordsError(
            expected=Message("at most the %(left)s that are left of %(name)s", left=item.left, name=use.item),
            found=Number(use.count),
            remedy=Message("Correct the number, or first what was received."),
        )


def store_due(records: Records, *, now: datetime) -> list[Due]:
    """Return what of the stores is past its date, ends soon or runs out; an empty one is told by the next."""
    found = []
    standings = store_standings(records, at=now)
    for one in standings:
        ends = one.expires()
        others = [o for o in standings if o.said.what == one.said.what and o.said.name != one.said.name and o.left > 0]
        if one.left > 0 and ends is not None and ends < now.date():
            matter = Message("past its date, %(date)s: %(left)s left", date=ends.isoformat(), left=one.left)
            found.append(_due(one, "now", matter, Message("Do not use it; discard it as its label asks.")))
        elif one.left > 0 and ends is not None and ends <= now.date() + _SOON:
            matter = Message("ends on %(date)s: %(left)s left", date=ends.isoformat(), left=one.left)
            found.append(_due(one, "soon", matter, Message("Use it first, and order more.")))
        if 0 < one.left <= one.lately and not others:
            matter = Message("runs out: %(left)s left, %(used)s went in two weeks", left=one.left, used=one.lately)
            found.append(_due(one, "soon", matter, Message("Order more.")))
        elif one.left <= 0 and one.lately > 0 and not others:
            found.append(_due(one, "today", Message("empty, and nothing else of it in store"), Message("Order more.")))
    return found


def _due(one: StoreStanding, urgency: Urgency, matter: Message, advice: Message) -> Due:
    return Due(
        urgency=urgency,
        about=Message("%(what)s %(name)s", what=Message(one.said.what), name=one.said.name),
        matter=matter,
        advice=advice,
        kind="store",
        name=one.said.name,
    )
