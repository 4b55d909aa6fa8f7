"""Six weeks of a small nursery as a script: what was made and sampled when, and the truth behind each strip.

All of it is invented. Four faults may be hidden in it: a stock that gassed off under an open lid, a strip of the wrong
range, a lot past its date, and a recipe that cannot give what it is said to give. `season_play` plays it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Literal

import numpy as np

from stripread.records import Batch, InjectorSetting, Part, Point

__all__ = ["END", "LOTS", "OLD_LOT", "START", "Check", "Event", "Remark", "Sample", "season_events", "season_points"]

ZONE = timezone(timedelta(hours=2), "CEST")
START = datetime(2026, 4, 6, tzinfo=ZONE)  # a Monday
WEEKS = 6
END = START + timedelta(days=7 * WEEKS)
OLD_LOT = "UL-2511"  # of which the last strips are used up; it ends in the fourth week
LOTS = {"ultralow": "UL-2603", "wide": "WR-2601"}
WHO = "Ines"

_YIELD = 405.0  # mg/L after a night, a little under what the sachets promise
_LOSS = 0.010 / 24  # per hour, under a lid
_LOSS_OPEN = np.log(2) / 90  # per hour, with the lid beside the tank
_PAIL_L = 40.0  # a night's concentrate; of which, and of water [L], the stock
# 405 x 20/37 = 219 mg/L; by the wrong recipe 405 x 20/54 = 150.
_CONCENTRATE_L, _WATER_L, _WRONG_WATER_L = 20.0, 17.0, 34.0
# 1 part in 275: 219/275 = 0.80 mg/L, of which the water takes 0.45 and leaves 0.35, and the line to its far end 0.03.
_RATIO, _DEMAND, _ALONG = 275.0, 0.45, 0.03
_DILUTED = "100 mL u 0.5 mL + 100 mL u 0.5 mL"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A strip dipped and photographed: ``truth`` is what was sampled [mg/L]; the strip got it ``diluted``, if told."""

    at: datetime
    point: str
    sample: str
    lot: str
    truth: float
    flushed_s: float | None = None
    diluted: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check standard read with a lot [mg/L]."""

    at: datetime
    lot: str
    known: float
    u_known: float
    truth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A note, about the last reading at a point where it names one."""

    at: datetime
    text: str
    about_point: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A batch as it was entered."""

    at: datetime
    batch: Batch


@dataclass(frozen=True, slots=True, kw_only=True)
class Set:
    """An injector's setting."""

    at: datetime
    setting: InjectorSetting


Event = Sample | Check | Remark | Made | Set


def season_points() -> tuple[Point, ...]:
    """Return the nursery's points."""
    return (
        Point(name="well", sample="source", flush_min=2.0, before_injector=True, note="the tap at the pump"),
        Point(name="pail", sample="concentrate", flush_min=0.0, note="the covered pail in the store"),
        Point(name="stock tank", sample="stock", flush_min=0.0, note="ladle from the middle; do not stir"),
        Point(name="bench-1", sample="line", line="east", order=1, flush_min=1.5),
        Point(name="bench-4", sample="line", line="east", order=2, flush_min=1.5, note="the far end"),
    )


def season_events(rng: np.random.Generator, *, faults: bool) -> tuple[Event, ...]:
    """Return what happened, in the order of time."""
    events: list[Event] = [
        Set(at=START.replace(hour=6), setting=InjectorSetting(
            injector="east", since=START.replace(hour=6), ratio=_RATIO, convention="in"))
    ]  # fmt: skip
    for week in range(WEEKS):
        events += _week(week, rng, faults=faults)
    return tuple(sorted(events, key=lambda event: event.at))


@dataclass(slots=True)
class _Tank:
    """What is truly in the stock tank: a strength at a time, and how fast it is lost from then on."""

    batch: str
    since: datetime
    strength: float
    loss: float = _LOSS

    def at(self, when: datetime) -> float:
        return self.strength * float(np.exp(-self.loss * (when - self.since).total_seconds() / 3600))


def _week(week: int, rng: np.random.Generator, *, faults: bool) -> Iterator[Event]:
    monday = START + timedelta(days=7 * week)
    weak, wrong_strip, wrong_recipe = (faults and week == n for n in (1, 2, 4))
    made_at = monday - timedelta(hours=7)
    concentrate, stock = f"C-{week + 1}", f"S-{week + 1}"
    strength = _YIELD * float(np.exp(rng.normal(0, 0.015)))
    yield Made(at=made_at, batch=_generated(concentrate, made_at))
    # Every other week the concentrate is read through a dilution, as one that is over the strip's range has to be.
    yield Sample(at=_clock(monday, 6, 40), point="pail", sample="concentrate", lot=LOTS["wide"], truth=strength,
                 diluted=_DILUTED if week % 2 else None)  # fmt: skip

    water = _WRONG_WATER_L if wrong_recipe else _WATER_L
    mixed_at = _clock(monday, 7, 0)
    yield Made(at=mixed_at, batch=_mixed(stock, "stock", mixed_at, {concentrate: _CONCENTRATE_L}, water))
    tank = _Tank(stock, mixed_at, strength * _CONCENTRATE_L / (_CONCENTRATE_L + water))
    yield _of_stock(tank, _clock(monday, 7, 20))
    yield Sample(at=_clock(monday, 8, 30), point="well", sample="source", lot=_ultralow(monday, faults),
                 truth=0.0, flushed_s=130.0)  # fmt: skip
    if week % 2 == 0:
        yield from _checks(_clock(monday, 10, 0), _ultralow(monday, faults), rng)

    for day in range(6):
        morning = monday + timedelta(days=day)
        if day in (2, 4):
            yield _of_stock(tank, _clock(morning, 7, 20))
        if wrong_strip and day == 2:
            yield Sample(at=_clock(morning, 8, 40), point="bench-1", sample="line", lot=LOTS["wide"],
                         truth=tank.at(morning) / _RATIO - _DEMAND, flushed_s=95.0)  # fmt: skip
            text = "Took a strip from the stock's vial by mistake; dipped the right one at once."
            yield Remark(at=_clock(morning, 8, 50), about_point="bench-1", text=text)
        yield from _of_line(tank, morning, rng, faults=faults)
        if weak and day == 2:
            noon = _clock(morning, 12, 0)
            tank = _Tank(tank.batch, noon, tank.at(noon), float(_LOSS_OPEN))
        if weak and day == 4:
            at = _clock(morning, 10, 30)
            yield Remark(at=at - timedelta(minutes=15), about_point="stock tank",
                         text="The lid lay beside the tank. Put it back, stock topped up.")  # fmt: skip
            events, tank = _topped_up(tank, at, left=22.0, concentrate=(concentrate, 10.0), strength=strength)
            yield from events
        if wrong_recipe and day == 0:
            at = _clock(morning, 11, 0)
            yield Remark(at=at - timedelta(minutes=15), about_point="stock tank",
                         text="Recipe copied from the old sheet: 20 L into 34 L. Sheet thrown away.")  # fmt: skip
            events, tank = _topped_up(tank, at, left=52.0, concentrate=(concentrate, 19.0), strength=strength)
            yield from events
        if faults and (week, day) == (4, 0):
            yield Remark(
                at=_clock(morning, 8, 0),
                about_point="bench-4",
                text=f"Lot {OLD_LOT} is past its date. Opened {LOTS['ultralow']}.",
            )


def _clock(day: datetime, hour: int, minute: int) -> datetime:
    return day.replace(hour=hour, minute=minute)


def _ultralow(day: datetime, faults: bool) -> str:
    """Return the vial in use. A careful nursery changes it in the week before it expires."""
    last = START + timedelta(days=28 if faults else 21)
    return OLD_LOT if day < last else LOTS["ultralow"]


def _of_stock(tank: _Tank, at: datetime) -> Sample:
    return Sample(at=at, point="stock tank", sample="stock", lot=LOTS["wide"], truth=tank.at(at))


def _of_line(tank: _Tank, morning: datetime, rng: np.random.Generator, *, faults: bool) -> Iterator[Sample]:
    demand = _DEMAND + float(rng.normal(0, 0.012))
    for number, (point, along) in enumerate((("bench-1", 0.0), ("bench-4", _ALONG))):
        at = _clock(morning, 9, 12 * number)
        left = tank.at(at) / _RATIO - demand - along + float(rng.normal(0, 0.006))
        yield Sample(at=at, point=point, sample="line", lot=_ultralow(morning, faults), truth=max(left, 0.0),
                     flushed_s=float(rng.integers(90, 121)))  # fmt: skip


def _checks(at: datetime, ultralow: str, rng: np.random.Generator) -> Iterator[Check]:
    for minutes, lot, known, u in ((0, ultralow, 0.35, 0.005), (15, LOTS["wide"], 220.0, 3.0)):
        truth = known + u * float(rng.normal())
        yield Check(at=at + timedelta(minutes=minutes), lot=lot, known=known, u_known=u, truth=truth)


def _topped_up(
    tank: _Tank, at: datetime, *, left: float, concentrate: tuple[str, float], strength: float
) -> tuple[tuple[Event, ...], _Tank]:
    """Bring the tank to strength with what is left in the pail; return what is done, and the tank as it then is."""
    name, added = concentrate
    batch = f"{tank.batch}-b"
    now = (left * tank.at(at) + added * strength) / (left + added)
    after = _Tank(batch, at, now)
    made = Made(at=at, batch=_mixed(batch, "top-up", at, {tank.batch: left, name: added}, 0.0))
    return (made, _of_stock(after, at + timedelta(minutes=20))), after


def _generated(name: str, at: datetime) -> Batch:
    return Batch(id=name, kind="concentrate", made_at=at, made_by=WHO, water_l=_PAIL_L, u_water_l=0.4,
                 source="2 x sachet example, 12 h", tank="pail", cover="covered")  # fmt: skip


def _mixed(name: str, kind: Literal["stock", "top-up"], at: datetime, litres: dict[str, float], water: float) -> Batch:
    return Batch(
        id=name,
        kind=kind,
        made_at=at,
        made_by=WHO,
        parts=tuple(Part(batch=part, volume_l=v, u_volume_l=0.01 * v) for part, v in litres.items()),
        water_l=water,
        u_water_l=0.01 * water,
        tank="stock tank",
        cover="covered",
    )
