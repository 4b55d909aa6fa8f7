"""What else the nursery of the season does besides its strips: tanks, two injectors, a meter, a schedule, a treatment.

All of it is invented. Nothing in it is a fault, but that one reading was missed while the pump was off.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from stripread.records import Batch, InjectorSetting, Note, Part, StoreItem, StoreUse
from stripread.simulate.season.script import END, START, WEEKS, WHO, Event, Made, Sample, Set

__all__ = [
    "SITE_TABLES",
    "Closed",
    "Duty",
    "Measured",
    "Noted",
    "Opened",
    "Stored",
    "Ticked",
    "duty_events",
    "is_missed",
]

SITE_TABLES = """
# Of the simulated season.
[tank.pail]
volume = "40 L"
cover = "covered"

[tank."stock tank"]
volume = "60 L"
cover = "covered"

[tank."north tank"]
volume = "20 L"
cover = "covered"

[injector.east]
tank = "stock tank"
line = "east"

[injector.north]
tank = "north tank"
line = "north"

[line.east]
points = ["bench-1", "bench-4"]
crops = ["begonia"]

[line.north]
crops = ["lettuce"]

[schedule]
closed = ["sunday"]

[schedule.point.well]
on = ["monday"]
before = "10:00"

[schedule.point."stock tank"]
on = ["monday", "wednesday", "friday"]
before = "8:00"

[schedule.point."bench-1"]
before = "10:00"
who = "Ines"

[schedule.point."bench-4"]
before = "10:00"
who = "Ines"
"""

_MISSED = START + timedelta(days=24, hours=9, minutes=12)  # bench-4 in the fourth week: the pump was off
_SHOCK = START + timedelta(days=26, hours=14)  # a Saturday afternoon; Sunday is closed
_METER_U, _LEAST = 0.03, 0.05  # relative; and under which the photometer is not used [mg/L]
_NORTH_WEEKS = (0, 2, 3, 5)  # in the others the pail is needed for the stock tank


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A reading by other means, as it was typed."""

    at: datetime
    point: str | None
    sample: str
    text: str
    by: str
    instrument: str
    batch: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """An event, or why a reading was missed."""

    at: datetime
    note: Note


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticked:
    """A check of the last event."""

    at: datetime
    check: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """An action about the last reading at a point that has a finding."""

    at: datetime
    point: str
    code: str
    text: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """What was done for the last action, and the last reading at a point that shows it."""

    at: datetime
    text: str
    point: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A box or vial that came, or something taken from one."""

    at: datetime
    said: StoreItem | StoreUse


Duty = Measured | Noted | Ticked | Opened | Closed | Stored


def is_missed(sample: Sample) -> bool:
    """Tell whether a sample of the script was not taken."""
    return sample.at == _MISSED and sample.point == "bench-4"


def duty_events(events: Sequence[Event], rng: np.random.Generator, *, faults: bool) -> tuple[Event | Duty, ...]:
    """Return what else was done in the season that a script tells of."""
    north = Set(at=START, setting=InjectorSetting(injector="north", since=START, ratio=300.0, convention="in"))
    found: list[Event | Duty] = [north, *_north(events, rng), *_by_meter(events, rng)]
    found += _stores(events)
    pump = Note(text="pump off, no water at the far end", type="missed", point="bench-4", at=_MISSED)
    found.append(Noted(at=_MISSED + timedelta(hours=2), note=pump))
    shock = Note(text="50 mg/L for an hour, no crop on the line", type="shock", line="east", at=_SHOCK)
    found.append(Noted(at=_SHOCK + timedelta(minutes=5), note=shock))
    found.append(Ticked(at=_SHOCK + timedelta(minutes=6), check="crop off the line"))
    found.append(Ticked(at=_SHOCK + timedelta(hours=3), check="line rinsed"))
    if faults:
        weak = START + timedelta(days=11, hours=10)
        found.append(Opened(at=weak, point="stock tank", code="weaker_than_forecast", by="2026-04-18",
                            text="Find out why the stock is so weak, and bring it to strength."))  # fmt: skip
        found.append(Closed(at=weak + timedelta(hours=2), point="stock tank",
                            text="The lid is back, the stock topped up."))  # fmt: skip
    return tuple(one for one in found if one.at < END)


def _north(events: Sequence[Event], rng: np.random.Generator) -> Iterator[Event | Duty]:
    """Make a small stock for the north line on some Mondays; it is titrated, not read by strip."""
    strengths = {s.at.date(): s.truth for s in events if isinstance(s, Sample) and s.point == "pail"}
    for week in range(WEEKS):
        if week not in _NORTH_WEEKS:
            continue
        at = START + timedelta(days=7 * week, hours=7, minutes=40)
        part = Part(batch=f"C-{week + 1}", volume_l=8.0, u_volume_l=0.08)
        batch = Batch(id=f"N-{week + 1}", kind="stock", made_at=at, made_by=WHO, parts=(part,), water_l=6.8,
                      u_water_l=0.07, tank="north tank", cover="covered")  # fmt: skip
        yield Made(at=at, batch=batch)
        truth = strengths[at.date()] * 8.0 / (8.0 + 6.8)
        value = truth * float(np.exp(rng.normal(0, 0.02)))
        yield Measured(at=at + timedelta(minutes=40), point=None, sample="stock", text=f"{value:.1f} mg/L u 2 %",
                       by="titration", instrument="burette 1", batch=batch.id)  # fmt: skip


def _by_meter(events: Sequence[Event], rng: np.random.Generator) -> Iterator[Duty]:
    """Measure the first outlet with a photometer, too, each Thursday."""
    for sample in events:
        if not isinstance(sample, Sample) or sample.point != "bench-1" or sample.at.weekday() != 3:
            continue
        if sample.truth > _LEAST:
            value = sample.truth * float(np.exp(rng.normal(0, _METER_U)))
            text = f"{value:.3f} mg/L u {100 * _METER_U:g} %"
            yield Measured(at=sample.at + timedelta(minutes=5), point="bench-1", sample="line", text=text, by="meter",
                           instrument="photometer 1")  # fmt: skip


def _stores(events: Sequence[Event]) -> Iterator[Duty]:
    """Receive a box of sachets, of which two go into each night's concentrate, and the vials: the box runs low."""
    came = START - timedelta(days=2)
    received = came.date().isoformat()
    for name, what, count in (("box 3", "sachets", 14), ("UL-2603", "strips", 50), ("WR-2601", "strips", 50)):
        kind: Literal["sachets", "strips"] = "sachets" if what == "sachets" else "strips"
        yield Stored(at=came, said=StoreItem(name=name, what=kind, count=count, received=received))
    for event in events:
        if isinstance(event, Made) and event.batch.kind == "concentrate":
            yield Stored(at=event.at, said=StoreUse(item="box 3", count=2, at=event.at, batch=event.batch.id))
