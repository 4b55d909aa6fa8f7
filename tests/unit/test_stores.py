"""What is left in store, by plain subtraction; strips count by the readings that used them."""

from datetime import timedelta

import pytest

from stripread.errors import RecordsError
from stripread.records import StoreItem, StoreUse, due_today, open_records, store_standings, take_from_store
from stripread.site import load_site, write_demo_site
from tests.unit.made_records import START, made_payload, made_stamp

DAY = timedelta(days=1)


@pytest.fixture
def site(tmp_path):
    return load_site(write_demo_site(tmp_path).parent)


@pytest.fixture
def records(site):
    with open_records(site.folder, create=True) as opened:
        yield opened


def receive(records, name="box 7", *, what="sachets", count=20, expires=None):
    received = (START - DAY).date().isoformat()
    records.add_store_item(
        StoreItem(name=name, what=what, count=count, received=received, expires=expires), made_stamp()
    )


def take(records, count, *, item="box 7", days=0.0):
    return take_from_store(records, StoreUse(item=item, count=count, at=START + days * DAY), made_stamp(1440 * days))


def matters(records, site, days):
    return [(d.urgency, str(d.matter)) for d in due_today(records, site, now=START + days * DAY) if d.kind == "store"]


def test_what_is_left_is_what_came_less_what_was_taken(records):
    receive(records)
    take(records, 2)
    take(records, 3, days=1)
    (standing,) = store_standings(records, at=START + 2 * DAY)
    assert (standing.left, standing.lately, standing.opened) == (20 - 2 - 3, 5, START)
    with pytest.raises(RecordsError, match="at most the 15"):
        take(records, 16, days=2)
    with pytest.raises(RecordsError, match="box 7"):
        take(records, 1, item="box 9")


def test_strips_are_counted_by_the_readings_of_their_lot(records):
    receive(records, "UL-1", what="strips", count=50)
    for hour in range(3):
        records.add_reading(made_payload(taken=START + hour * DAY / 24), files=[], stamp=made_stamp(60 * hour))
    take(records, 1, item="UL-1")  # one that fell into the water
    (standing,) = store_standings(records, at=START + DAY)
    assert standing.left == 50 - 3 - 1


def test_a_name_is_received_once(records):
    receive(records)
    with pytest.raises(RecordsError, match="box 7"):
        receive(records)


def test_today_tells_what_is_past_its_date_ends_soon_and_runs_out(records, site):
    receive(records, "old", expires=(START + DAY).date().isoformat())
    receive(records, "soon", expires=(START + 10 * DAY).date().isoformat(), count=4)
    found = dict.fromkeys(urgency for urgency, _ in matters(records, site, 3))
    assert list(found) == ["now", "soon"]
    (late,) = [words for urgency, words in matters(records, site, 3) if urgency == "now"]
    assert "past its date" in late


def test_what_goes_faster_than_it_lasts_runs_out(records, site):
    receive(records, count=6)
    take(records, 4)
    assert matters(records, site, 1) == [("soon", "runs out: 2 left, 4 went in two weeks")]
    receive(records, "box 8", count=20)  # there is another
    assert not matters(records, site, 1)
