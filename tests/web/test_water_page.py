"""The water work that the terminal could do and the page could not: two concentrates, moves, corrections, plans."""

import re
from datetime import datetime, timedelta

import pytest

from stripread.records import (
    Point,
    Stamp,
    StoreItem,
    entered_strength,
    find_batch,
    open_records,
    store_standings,
    tank_standings,
)
from stripread.site import load_site
from tests.listed import each
from tests.web.test_batches import make, post

STAMP = Stamp(at=datetime.now().astimezone(), who="Sol")


@pytest.fixture
def technician(signed_in, site):
    make(site)
    return signed_in("Ines")


def two(site):
    with open_records(site) as records:
        return find_batch(records, "S-1")


def test_a_stock_is_made_of_two_concentrates(technician, site):
    with open_records(site) as records:
        first = entered_strength(find_batch(records, "C-14"))
    assert post(technician, "/batches/generate", id="C-15", water="10 L", sachets="1", after="12 h").status_code == 303
    with open_records(site) as records:
        second = entered_strength(find_batch(records, "C-15"))
    said = {"id": "S-1", "concentrate": "C-14", "add": "4 L", "also": "C-15", "add_also": "2 L", "water": "6 L"}
    assert (
        'name="also"'
        in technician.get("/batches/stock?concentrate=C-14&make=12+L&strength=500+mg/L&wanted=250+mg/L").text
    )
    assert post(technician, "/batches/stock", **said).status_code == 303
    made = two(site)
    assert [(part.batch, part.volume_l) for part in made.parts] == [("C-14", 4.0), ("C-15", 2.0)]
    balance = (4 * first.value + 2 * second.value) / 12
    assert made.expected_mg_per_l <= balance * 1.02  # by mass balance, and what was lost since
    assert made.expected_mg_per_l > 0.4 * balance
    missing = post(technician, "/batches/stock", **{**said, "id": "S-2", "add_also": ""})
    assert missing.status_code == 400
    assert "how much of the second concentrate" in missing.text


def test_a_batch_is_put_into_another_tank(technician, site):
    said = {"id": "S-1", "concentrate": "C-14", "add": "4 L", "water": "6 L", "tank": "blue tank"}
    assert post(technician, "/batches/stock", **said).status_code == 303
    assert post(technician, "/tanks", tank="blue tank", what="moved").status_code == 400  # whereto?
    assert post(technician, "/tanks", tank="blue tank", what="moved", to="west tank").status_code == 303
    with open_records(site) as records:
        now = {one.name: one.batch for one in tank_standings(records, load_site(site), at=datetime.now().astimezone())}
    assert now.get("blue tank") is None
    assert now["west tank"].id == "S-1"


def test_corrected_volumes_move_the_strength_that_follows(technician, site):
    said = {"id": "S-1", "concentrate": "C-14", "add": "4 L", "water": "6 L"}
    assert post(technician, "/batches/stock", **said).status_code == 303
    before = two(site).expected_mg_per_l
    page = technician.get("/batches/correct/S-1").text
    assert 'value="4 L"' in page
    assert 'value="6 L"' in page
    assert 'href="/batches/correct/S-1"' in technician.get("/batches/made/S-1").text
    same = post(technician, "/batches/correct/S-1", water="6 L", why="none")
    assert same.status_code == 400  # nothing is changed
    assert post(technician, "/batches/correct/S-1", water="16 L", why="").status_code == 400
    assert (
        post(technician, "/batches/correct/S-1", **{"water": "16 L", "part-0": "4 L", "why": "misread"}).status_code
        == 303
    )
    after = two(site)
    assert after.water_l == 16
    assert after.parts[0].volume_l == 4
    assert after.expected_mg_per_l == pytest.approx(before * 10 / 20, rel=0.01)  # the same mass in 20 L, not in 10
    refused = post(technician, "/batches/correct/S-1", **{"part-0": "400 L", "why": "misread"})
    assert refused.status_code == 400  # more than C-14 had


def test_a_correction_keeps_what_was_not_touched_to_the_last_digit(technician, site):
    assert (
        post(technician, "/batches/stock", id="S-1", concentrate="C-14", add="1 gal", water="2 gal").status_code == 303
    )
    before = two(site)
    page = technician.get("/batches/correct/S-1").text
    shown = page.split('id="part-0"')[1].split('value="')[1].split('"')[0]
    sent = {
        "part-0": shown,
        "water": page.split('id="water"')[1].split('value="')[1].split('"')[0],
        "tank": "west tank",
    }
    assert post(technician, "/batches/correct/S-1", **sent, why="moved on paper").status_code == 303
    after = two(site)
    assert after.tank == "west tank"
    assert (after.water_l, after.parts) == (before.water_l, before.parts)


def test_others_do_not_correct_what_is_not_theirs(signed_in, technician):
    assert post(technician, "/batches/stock", id="S-1", concentrate="C-14", add="4 L", water="6 L").status_code == 303
    assert signed_in("Gus").get("/batches/correct/S-1").status_code == 403
    assert signed_in("Sol").get("/batches/correct/S-1").status_code == 200
    assert signed_in("Ines").get("/batches/correct/S-99").status_code == 404


def test_sachets_come_from_a_box_of_the_store(technician, site):
    now = datetime.now().astimezone()
    box = StoreItem(name="box 7", what="sachets", count=3, received=now.date().isoformat())
    with open_records(site) as records:
        records.add_store_item(box, Stamp(at=now, who="Ines"))
    assert "box 7" in technician.get("/batches/generate?water=20+L&after=12+h").text
    said = {"id": "C-20", "water": "20 L", "sachets": "2", "after": "12 h", "store": "box 7"}
    for _ in range(2):  # sent twice, taken once
        assert post(technician, "/batches/generate", **said).status_code == 303
    assert left(site) == 1
    refused = post(technician, "/batches/generate", **{**said, "id": "C-21"})
    assert refused.status_code == 400
    assert "at most the 1" in refused.text
    with open_records(site) as records:
        assert find_batch(records, "C-21") is None


def left(site):
    with open_records(site) as records:
        return store_standings(records, at=datetime.now().astimezone() + timedelta(minutes=1))[0].left


def test_an_injection_is_planned_and_its_setting_carried_over(technician, site):
    # 0.35 left, 0.45 taken, of a stock of 220 mg/L: 1 part in 220 / 0.8 = 275
    page = technician.get("/injector/plan?stock=220+mg/L+u+5&demand=0.45+mg/L&residual=0.35+mg/L").text
    assert "1:275" in page
    assert "/injector?ratio=1%3A275&amp;means=in" in page
    pump = technician.get("/injector/plan?stock=220+mg/L+u+5&demand=0.45+mg/L&residual=0.35+mg/L&flow=5000+L/h").text
    assert "18.2 L/h" in pump  # 5000 / 275
    refused = technician.get("/injector/plan?stock=220+mg/L&residual=0.35+mg/L")
    assert refused.status_code == 400
    assert "what the water takes" in refused.text
    assert 'value="1:275"' in technician.get("/injector?ratio=1:275&means=in").text


def test_what_the_water_takes_may_be_typed_with_a_setting(technician, site):
    assert post(technician, "/batches/stock", id="S-1", concentrate="C-14", add="4 L", water="6 L").status_code == 303
    asked = post(technician, "/injector", injector="main", ratio="1:100", batch="S-1", demand="0.4 mg/L")
    assert "It is not entered yet" in asked.text
    assert "TOO MUCH" in asked.text
    wrong = post(technician, "/injector", injector="main", ratio="1:100", batch="S-1", demand="some")
    assert wrong.status_code == 400


SUMS = {  # as the terminal answers the same
    "contact": ({"strength": "2 mg/L", "time": "10 min", "disinfectant": "free chlorine"}, "20 mg min/L"),
    "decay": (
        {"age-0": "0 h", "reading-0": "226 mg/L u 11", "age-1": "24 h", "reading-1": "113 mg/L u 6"},
        "half-life",
    ),
    "demand": ({"dose": "0.80 mg/L u 0.06", "name-0": "far", "reading-0": "0.35 mg/L"}, "0.45 mg/L"),
    "hocl": ({"ph": "7.58", "temperature": "20 C"}, "50 %"),  # at its pKa, which is 7.58 at 20 C (Morris 1966)
    "line": (
        {"name-0": "near", "reading-0": "0.42 mg/L u 0.01", "name-1": "far", "reading-1": "0.28 mg/L u 0.01"},
        "67 %",
    ),
    "recipe": ({"strength": "400 mg/L", "add": "20 L", "water": "20 L"}, "200 mg/L"),
    "vapour": ({"strength": "420 mg/L", "temperature": "20 C"}, "ppm"),
    "yield": ({"water": "20 L", "after": "24 h", "reading": "420 mg/L u 20"}, "gave"),
}


@each("what", sorted(SUMS))
def test_a_sum_is_done_and_says_what_is_missing(technician, what):
    asked, answered = SUMS[what]
    page = technician.get(f"/sums/{what}", params=asked)
    assert page.status_code == 200
    assert answered in page.text
    empty = technician.get(f"/sums/{what}", params={next(iter(asked)): ""})
    assert empty.status_code == 400
    assert 'role="alert"' in empty.text
    assert f'href="/sums/{what}"' in technician.get("/sums").text


def test_a_line_is_filled_in_with_what_its_outlets_were_read_as(technician, site):
    with open_records(site) as records:
        for order, name in enumerate(("near", "far")):
            records.add_point(Point(name=name, sample="line", line="east", order=order), STAMP)
    for name, value in (("far", "0.28"), ("near", "0.42")):
        assert post(technician, "/measure", point=name, analyte="chlorine dioxide", value=f"{value} mg/L u 0.01")
    page = technician.get("/sums/line").text
    rows = re.findall(r'name="(?:name|reading)-\d" value="([^"]+)"', page)
    assert rows == ["near", "0.42 mg/L u 0.01", "far", "0.28 mg/L u 0.01"]
    assert technician.get("/sums/nothing").status_code == 404
