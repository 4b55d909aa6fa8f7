"""Where the batches stand, what is left of them, which injector draws them and what reaches a point."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from stripread.records.chain.entries import Batch, InjectorSetting, Point, TankEvent
from stripread.records.queries.batches import find_batch, latest_batches
from stripread.records.queries.strengths import strength_of
from stripread.records.store import Records
from stripread.site import SampleType, Site
from stripread.units import Measured, propagate

__all__ = [
    "Drawing",
    "Left",
    "TankStanding",
    "batch_in_tank",
    "batch_left",
    "batch_of",
    "drawings",
    "feeding",
    "line_of",
    "tank_of",
    "tank_standings",
]

# Which entries make a batch of the kind that a sample type names.
_MADE_BY = {"concentrate": ("concentrate",), "stock": ("stock", "top-up")}
_EVENTS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What an injector draws at a time; a field of None is not known."""

    injector: str | None
    setting: InjectorSetting | None
    tank: str | None
    batch: Batch | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left of a batch [L]; ``at_most`` where an injector draws from it, which nobody measures."""

    volume_l: Measured
    at_most: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TankStanding:
    """A tank, the batch in it with its strength by now [mg/L] and what is left, and the injectors that draw from it."""

    name: str
    batch: Batch | None
    strength: Measured | None
    left: Left | None
    injectors: tuple[str, ...]


def tank_standings(records: Records, site: Site, *, at: datetime) -> tuple[TankStanding, ...]:
    """Return how every tank stands that the site file or a batch names, those of the site file first."""
    events, drawn = _events(records, until=at), drawings(records, site, at=at)
    of_batches = sorted({tank for b in latest_batches(records, until=at) if (tank := _tank_of(b, events)) is not None})
    found = []
    for name in dict.fromkeys((*site.supply.tanks, *of_batches)):
        batch = batch_in_tank(records, name, at=at)
        found.append(
            TankStanding(
                name=name,
                batch=batch,
                strength=None if batch is None else strength_of(records, batch, at=at),
                left=None if batch is None else batch_left(records, batch, at=at, site=site),
                injectors=tuple(
                    one.injector
                    for one in drawn
                    if one.injector is not None and (one.tank == name or (batch is not None and one.batch == batch))
                ),
            )
        )
    return tuple(found)


def batch_of(records: Records, sample: SampleType, *, at: datetime, point: Point | None = None) -> str | None:
    """Return the batch that a sample of this type was of at a time; None where there is none.

    At a tank's point it is what stood in that tank: one names its tank, or has the tank's name. Elsewhere it is the
    latest one made.
    """
    kinds = () if sample.batch is None else _MADE_BY[sample.batch]
    if point is not None and kinds:
        batch = batch_in_tank(records, point.tank or point.name, at=at)
        if batch is not None and batch.kind in kinds:
            return batch.id
        if point.tank is not None:
            return None
    return next((batch.id for batch in latest_batches(records, until=at) if batch.kind in kinds), None)


def batch_in_tank(records: Records, tank: str, *, at: datetime) -> Batch | None:
    """Return the batch that stands in a tank: the last one that came in, unless it was emptied or thrown away."""
    events = _events(records, until=at)
    came = [
        (when, batch)
        for batch in latest_batches(records, until=at)
        if (when := _arrival(batch, tank, events)) is not None
    ]
    if not came:
        return None
    when, batch = max(came, key=lambda pair: pair[0])
    gone = any(_takes_all(event, batch, tank) and event.at >= when for event in events)
    return None if gone else batch


def tank_of(records: Records, batch: Batch, *, at: datetime) -> str | None:
    """Return the tank in which a batch stands at a time."""
    return _tank_of(batch, _events(records, until=at))


def batch_left(records: Records, batch: Batch, *, at: datetime, site: Site) -> Left:
    """Return what is left of a batch: what was made, less what went into others, was thrown away or was emptied."""
    events, others = _events(records, until=at), latest_batches(records, until=at)
    tank = _tank_of(batch, events)
    topped_up = any(o.kind == "top-up" and _litres_of(o, batch.id) for o in others)
    if topped_up or any(_takes_all(event, batch, tank) and event.at >= batch.made_at for event in events):
        return Left(volume_l=Measured(0.0), at_most=False)
    out = [Measured(p.volume_l, p.u_volume_l) for o in others for p in o.parts if p.batch == batch.id]
    out += [Measured(e.volume_l) for e in events if e.batch == batch.id and e.volume_l is not None]
    drawn = any(one.batch is not None and one.batch.id == batch.id for one in drawings(records, site, at=at))
    return Left(volume_l=_less(_made_l(batch), out), at_most=drawn)


def _made_l(batch: Batch) -> Measured:
    """Return the volume of a batch when it was made [L]."""
    parts = [Measured(batch.water_l, batch.u_water_l), *(Measured(p.volume_l, p.u_volume_l) for p in batch.parts)]
    return propagate(lambda *litres: sum(litres), *parts)


def drawings(records: Records, site: Site, *, at: datetime) -> tuple[Drawing, ...]:
    """Return what each injector draws at a time, by its last setting and the site's tanks.

    Where nothing says from where, it is the latest stock; so it is where no injector is known at all.
    """
    settings: dict[str, InjectorSetting] = {}
    for entered in records.injector_settings(limit=_EVENTS):
        one = entered.said
        if one.since <= at and (one.injector not in settings or settings[one.injector].since < one.since):
            settings[one.injector] = one
    names = list(dict.fromkeys((*site.supply.injectors, *sorted(settings))))
    stock = next((b for b in latest_batches(records, until=at) if b.kind in _MADE_BY["stock"]), None)
    if not names:
        return () if stock is None else (Drawing(injector=None, setting=None, tank=stock.tank, batch=stock),)
    found = []
    for name in names:
        setting, known = settings.get(name), site.supply.injectors.get(name)
        tank = None if known is None else known.tank
        if setting is not None and setting.batch is not None:
            batch = _followed(records, setting.batch, since=setting.since, at=at)
            tank = tank or (None if batch is None else tank_of(records, batch, at=at))
        else:
            batch = stock if tank is None else batch_in_tank(records, tank, at=at)
        found.append(Drawing(injector=name, setting=setting, tank=tank, batch=batch))
    return tuple(found)


def feeding(records: Records, site: Site, point: Point, *, at: datetime) -> tuple[Drawing, ...]:
    """Return what the injectors draw whose water reaches a point; nothing for one before the injector or off a line."""
    line = line_of(site, point)
    if point.before_injector or line is None:
        return ()
    drawn = drawings(records, site, at=at)
    named = {one.name for one in site.supply.injectors_of_line(line)} or {line}
    own = tuple(one for one in drawn if one.injector in named)
    return own or (drawn if len(drawn) == 1 else ())


def line_of(site: Site, point: Point) -> str | None:
    """Return the line of a point: as it was entered, else as the site file lists it."""
    listed = site.supply.line_of_point(point.name)
    return point.line or (None if listed is None else listed.name)


def _followed(records: Records, name: str, *, since: datetime, at: datetime) -> Batch | None:
    """Return a batch that was named, or what has stood in its place since: a top-up of it, or its tank's next."""
    batch = find_batch(records, name)
    if batch is None:
        return None
    tank = tank_of(records, batch, at=at)
    later = [b for b in latest_batches(records, until=at) if b.made_at > max(since, batch.made_at)]
    if tank is not None:
        return batch_in_tank(records, tank, at=at) if any(b.tank == tank for b in later) else batch
    topped = next((b for b in later if b.kind == "top-up" and _litres_of(b, batch.id)), None)
    return batch if topped is None else _followed(records, topped.id, since=topped.made_at, at=at)


def _events(records: Records, *, until: datetime) -> list[TankEvent]:
    """Return the tanks' events until then, the earliest first."""
    found = [one.said for one in records.tank_events(limit=_EVENTS) if one.said.at <= until]
    return sorted(found, key=lambda event: event.at)


def _arrival(batch: Batch, tank: str, events: Sequence[TankEvent]) -> datetime | None:
    """Return when a batch came into a tank in which it still stands, but for what emptied it."""
    if _tank_of(batch, events) != tank:
        return None
    moved = [e.at for e in events if e.what == "moved" and e.batch == batch.id]
    return moved[-1] if moved else batch.made_at


def _tank_of(batch: Batch, events: Sequence[TankEvent]) -> str | None:
    for event in events:
        if event.what == "moved" and event.batch == batch.id:
            batch = replace(batch, tank=event.tank)
    return batch.tank


def _takes_all(event: TankEvent, batch: Batch, tank: str | None) -> bool:
    if event.what == "emptied":
        return tank is not None and event.tank == tank
    return event.what == "discarded" and event.batch == batch.id and event.volume_l is None


def _litres_of(batch: Batch, part: str) -> float:
    return sum(one.volume_l for one in batch.parts if one.batch == part)


def _less(made: Measured, out: Sequence[Measured]) -> Measured:
    left = propagate(lambda whole, *parts: whole - sum(parts), made, *out, floor=float("-inf"))
    return Measured(max(left.value, 0.0), left.u)
