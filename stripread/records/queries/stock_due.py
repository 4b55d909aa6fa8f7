"""What is due about the stocks in use - never read, out of range, weak soon - and what stands behind a point."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from stripread.check import judged_state
from stripread.i18n import ByFace, Joined, Message, Number, Shown, Verbatim
from stripread.records.chain.entries import Batch
from stripread.records.queries.batches import readings_of_batch, strength_read
from stripread.records.queries.due import Due, Urgency
from stripread.records.queries.strengths import batch_forecast, strength_of
from stripread.records.queries.tanks import Drawing, drawings, feeding
from stripread.records.store import Records
from stripread.site import SampleType, Site
from stripread.units import Measured, format_interval, format_number, places_for

__all__ = ["behind_words", "stock_due"]

_STOCK_SOON = timedelta(hours=24)  # ours
_KNOWN_LOSS = 2  # readings from which a batch's own loss shows
_LOOK = ByFace(
    Message("Read it; top it up or make a new one if it is weak: stripread water top-up."),
    Message("Read it; top it up or make a new one if it is weak."),
)


def stock_due(records: Records, site: Site, *, now: datetime, told: Collection[int] = ()) -> list[Due]:
    """Return what is due about every batch that an injector draws from; ``told`` are readings named already."""
    drawn: dict[str, list[Drawing]] = {}
    for one in drawings(records, site, at=now):
        if one.batch is not None:
            drawn.setdefault(one.batch.id, []).append(one)
    found = []
    for users in drawn.values():
        batch = users[0].batch
        sample = None if batch is None else site.sample_of_batch(batch.kind)
        if batch is not None and sample is not None:
            by = tuple(Verbatim(user.injector) for user in users if user.injector is not None)
            found += _of_batch(records, batch, sample, _Seen(by=by, now=now, told=told))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """Who draws from a batch, when it is looked at, and which readings are named already."""

    by: tuple[Shown, ...]
    now: datetime
    told: Collection[int]


def _of_batch(records: Records, batch: Batch, sample: SampleType, seen: _Seen) -> list[Due]:
    about: Shown = Verbatim(batch.id)
    if seen.by:
        injectors = Joined(seen.by, ", ", Message("and"))
        about = Message("%(batch)s, drawn by %(injectors)s", batch=batch.id, injectors=injectors)

    def due(urgency: Urgency, matter: Shown, advice: Shown = _LOOK) -> list[Due]:
        return [Due(urgency=urgency, about=about, matter=matter, advice=advice, kind="batch", name=batch.id)]

    read = readings_of_batch(records, batch, until=seen.now)
    if not read:
        return due("today", Message("this stock was never read"), Message("Read its strength."))
    last = strength_read(read[-1])
    low = sample.main.low if sample.main.low > 0 else None
    state = None if last is None else judged_state(last, low, sample.main.high)
    if last is not None and state in ("above", "below") and read[-1].entry.seq not in seen.told:
        read_as = _words(last, sample)
        matter = (
            Message("too strong: read as %(strength)s on %(when)s", strength=read_as, when=_minute(read[-1].when))
            if state == "above"
            else Message("too weak: read as %(strength)s on %(when)s", strength=read_as, when=_minute(read[-1].when))
        )
        strong = Message("Stop drawing from it until it is thinned with water and read again; look at the crops.")
        return due("now", matter, strong if state == "above" else _LOOK)
    forecast = batch_forecast(records, batch, sample, at=seen.now)
    if forecast is None or forecast.use_until is None or forecast.use_until > seen.now + _STOCK_SOON:
        return []
    when, past = _minute(forecast.use_until), forecast.use_until <= seen.now
    limit = Joined((Number(sample.main.low, "g"), sample.main.unit))
    # One reading tells nothing of the loss: what its tank's cover lets expect is a guess.
    if len(read) < _KNOWN_LOSS:
        matter = (
            Message(
                "read once; as such tanks go it may have fallen under %(limit)s about %(when)s", limit=limit, when=when
            )
            if past
            else Message(
                "read once; as such tanks go it may fall under %(limit)s about %(when)s", limit=limit, when=when
            )
        )
        return due("today" if past else "soon", matter)
    matter = (
        Message("by its loss of strength it fell under %(limit)s at %(when)s", limit=limit, when=when)
        if past
        else Message("by its loss of strength it will fall under %(limit)s at %(when)s", limit=limit, when=when)
    )
    return due("now" if past else "soon", matter)


def behind_words(records: Records, site: Site, point: str, *, at: datetime) -> Message | None:
    """Return which injector and which batch in which tank stand behind a point; None where nobody knows."""
    said = next((one.said for one in records.points() if one.said.name == point), None)
    behind = () if said is None else feeding(records, site, said, at=at)
    words = tuple(_behind(records, site, one, at=at) for one in behind if one.injector is not None)
    return Message("Behind it: %(injectors)s.", injectors=Joined(words, "; ")) if words else None


def _behind(records: Records, site: Site, drawing: Drawing, *, at: datetime) -> Message:
    setting: Shown = Message("setting unknown")
    if drawing.setting is not None:
        n = Number(drawing.setting.ratio, "g")
        setting = (
            Message("1 part in %(n)s", n=n) if drawing.setting.convention == "in" else Message("1 part to %(n)s", n=n)
        )
    if drawing.batch is None:
        return Message("injector %(injector)s (%(setting)s)", injector=drawing.injector, setting=setting)
    strength = strength_of(records, drawing.batch, at=at)
    sample = site.sample_of_batch(drawing.batch.kind)
    has: Shown = Message("never read, strength unknown")
    if strength is not None and sample is not None:
        has = Message("%(strength)s now", strength=_words(strength, sample))
    return Message(
        "injector %(injector)s (%(setting)s) draws %(batch)s (%(tank)s; %(strength)s)",
        injector=drawing.injector,
        setting=setting,
        batch=drawing.batch.id,
        tank=drawing.tank or Message("tank not told"),
        strength=has,
    )


def _words(strength: Measured, sample: SampleType) -> Joined:
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    interval = format_interval(strength.interval, places)
    return Joined((Joined((format_number(strength.value, places), sample.main.unit)), interval), ", ")


def _minute(when: datetime) -> str:
    return when.isoformat(sep=" ", timespec="minutes")[:16]
