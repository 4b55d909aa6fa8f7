"""The stocks that injectors draw from are watched, each of them; and a low outlet names what stands behind it.

Strengths are made up; volumes are recomputed by plain arithmetic.
"""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.records import (
    Batch,
    InjectorSetting,
    Part,
    Point,
    Records,
    TankEvent,
    due_today,
    find_batch,
    open_records,
)
from stripread.records.queries.tanks import batch_in_tank, batch_left, batch_of, drawings
from stripread.site import Site, load_site, write_demo_site
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

SUPPLY = """
[tank."east tank"]
volume = "60 L"

[tank."west tank"]

[injector.east]
tank = "east tank"
line = "east"

[line.east]
points = ["bench-1", "bench-4"]
crops = ["begonia"]
"""
DAY = timedelta(days=1)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    file = write_demo_site(tmp_path)
    return load_site(file.parent)


@pytest.fixture
def records(site: Site) -> Iterator[Records]:
    with open_records(site.folder, create=True) as opened:
        yield opened


def with_supply(site: Site) -> Site:
    file = site.folder / "site.toml"
    file.write_text(file.read_text() + SUPPLY)
    return load_site(site.folder)


def add_stock(records: Records, name: str, *, tank: str, days: float = 0.0, water_l: float = 17.0) -> None:
    batch = Batch(id=name, kind="stock", made_at=START + days * DAY, made_by="Ana", water_l=water_l, tank=tank,
                  parts=(Part(batch=None, volume_l=20.0),), cover="covered")  # fmt: skip
    records.add_batch(batch, made_stamp())


def read_stock(records: Records, batch: str, value: float, *, days: float, point: str | None = None) -> None:
    pad = made_pad(value) | {"standard_uncertainty": 0.04 * value, "interval": [0.92 * value, 1.08 * value]}
    payload = made_payload(sample="stock", point=point, taken=START + days * DAY, pads=[pad])
    payload["how"]["batch"] = batch
    records.add_reading(payload, files=[], stamp=made_stamp(days * 1440))


def set_injector(records: Records, name: str, batch: str | None, days: float = 0.0) -> None:
    said = InjectorSetting(injector=name, since=START + days * DAY, ratio=275, convention="in", batch=batch)
    records.add_injector_setting(said, made_stamp())


def of_batches(records: Records, site: Site, days: float) -> dict[str | None, tuple[str, str]]:
    due = due_today(records, site, now=START + days * DAY)
    return {one.name: (one.urgency, str(one.matter)) for one in due if one.kind == "batch"}


def test_an_over_strong_stock_that_an_injector_draws_is_told_though_read_at_no_point(records, site):
    add_stock(records, "S-1", tank="east tank")
    set_injector(records, "east", "S-1")
    read_stock(records, "S-1", 450.0, days=0.1)  # the site expects 180 to 260
    urgency, matter = of_batches(records, site, 0.2)["S-1"]
    assert urgency == "now"
    assert "too strong" in matter
    assert "450" in matter


def test_a_new_stock_in_another_tank_does_not_hide_the_one_in_use(records, site):
    add_stock(records, "S-1", tank="east tank")
    set_injector(records, "east", "S-1")
    read_stock(records, "S-1", 226.0, days=0.1)
    read_stock(records, "S-1", 150.0, days=3.0)
    add_stock(records, "S-2", tank="west tank", days=3.1)
    read_stock(records, "S-2", 222.0, days=3.2)
    assert of_batches(records, site, 3.3)["S-1"][0] == "now"


def test_each_of_two_injectors_has_its_stock_watched(records, site):
    for name, tank, strength in (("S-1", "east tank", 150.0), ("S-2", "west tank", 450.0)):
        add_stock(records, name, tank=tank)
        set_injector(records, tank.split()[0], name)
        read_stock(records, name, strength, days=0.1)
    assert set(of_batches(records, site, 0.2)) == {"S-1", "S-2"}


def test_what_is_in_the_injectors_tank_is_what_it_draws_after_a_top_up_and_a_refill(records, site):
    site = with_supply(site)
    add_stock(records, "S-1", tank="east tank")
    set_injector(records, "east", "S-1")
    top_up = Batch(id="S-1b", kind="top-up", made_at=START + DAY, made_by="Ana", water_l=0.0, tank="east tank",
                   parts=(Part(batch="S-1", volume_l=22.0), Part(batch=None, volume_l=4.0)))  # fmt: skip
    records.add_batch(top_up, made_stamp())
    drawn = {days: drawings(records, site, at=START + days * DAY) for days in (0.5, 1.5)}
    assert [one.batch.id for one in drawn[0.5] if one.batch] == ["S-1"]
    assert [one.batch.id for one in drawn[1.5] if one.batch] == ["S-1b"]
    left = batch_left(records, find_batch(records, "S-1"), at=START + 1.5 * DAY, site=site)
    assert left.volume_l.value == 0.0


def test_what_is_left_of_a_batch_is_made_less_taken_and_thrown_away(records, site):
    made = Batch(id="C-1", kind="concentrate", made_at=START, made_by="Ana", water_l=40.0, tank="pail")
    records.add_batch(made, made_stamp())
    stock = Batch(id="S-1", kind="stock", made_at=START + DAY, made_by="Ana", water_l=17.0,
                  parts=(Part(batch="C-1", volume_l=20.0),))  # fmt: skip
    records.add_batch(stock, made_stamp())
    records.add_tank_event(TankEvent(what="discarded", at=START + 2 * DAY, batch="C-1", volume_l=5.0), made_stamp())
    for days, litres in ((0.5, 40.0), (1.5, 40.0 - 20.0), (2.5, 40.0 - 20.0 - 5.0)):
        left = batch_left(records, made, at=START + days * DAY, site=site)
        assert left.volume_l.value == pytest.approx(litres)
        assert not left.at_most
    records.add_tank_event(TankEvent(what="emptied", at=START + 3 * DAY, tank="pail"), made_stamp())
    assert batch_left(records, made, at=START + 4 * DAY, site=site).volume_l.value == 0.0
    assert batch_in_tank(records, "pail", at=START + 4 * DAY) is None


def test_a_moved_batch_is_in_its_new_tank(records):
    add_stock(records, "S-1", tank="east tank")
    records.add_tank_event(TankEvent(what="moved", at=START + DAY, batch="S-1", tank="west tank"), made_stamp())
    assert batch_in_tank(records, "east tank", at=START + 2 * DAY) is None
    assert batch_in_tank(records, "west tank", at=START + 2 * DAY).id == "S-1"


def test_a_sample_at_a_tanks_point_is_of_what_stands_there(records, site):
    add_stock(records, "S-1", tank="east tank")
    add_stock(records, "S-2", tank="west tank", days=1.0)
    point = Point(name="ladle east", sample="stock", tank="east tank")
    assert batch_of(records, site.samples["stock"], at=START + 2 * DAY, point=point) == "S-1"
    assert batch_of(records, site.samples["stock"], at=START + 2 * DAY) == "S-2"


def test_an_outlet_that_is_too_low_names_the_injector_and_the_tank_behind_it(records, site):
    site = with_supply(site)
    records.add_point(Point(name="bench-1", sample="line"), made_stamp())
    add_stock(records, "S-1", tank="east tank")
    set_injector(records, "east", None)
    read_stock(records, "S-1", 226.0, days=0.1)
    low = made_pad(0.12) | {"range_state": "below"}
    records.add_reading(
        made_payload(point="bench-1", taken=START + 0.2 * DAY, pads=[low]), files=[], stamp=made_stamp(290)
    )
    (due,) = [one for one in due_today(records, site, now=START + 0.21 * DAY) if one.kind == "reading"]
    for word in ("injector east", "1 part in 275", "S-1", "east tank"):
        assert word in str(due.advice)


def test_a_stock_is_not_made_of_a_withdrawn_batch(records):
    add_stock(records, "S-1", tank="east tank")
    records.correct(records.entries(kind="batch")[0].seq, why="wrong", withdraw=True, stamp=made_stamp())
    batch = Batch(id="S-2", kind="top-up", made_at=START, made_by="Ana", water_l=0.0,
                  parts=(Part(batch="S-1", volume_l=1.0),))  # fmt: skip
    with pytest.raises(Exception, match="withdrawn"):
        records.add_batch(batch, made_stamp())
