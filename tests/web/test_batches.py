"""Batches and the injector: plan with what was read, enter once, say what is wrong; no grower makes anything."""

import html
import re
from datetime import datetime, timedelta
from importlib import resources

import pytest

from stripread.records import Batch, Stamp, open_records
from stripread.units import jug, volume_as_typed
from stripread.units.quantities import parse_quantity
from stripread.web.security import SESSION_COOKIE
from tests.listed import each
from tests.unit.made_records import made_pad, made_payload

NOW = datetime.now().astimezone()


def make(site, batch="C-14", kind="concentrate", *, hours_ago=3.0, expected=435.0):
    at = NOW - timedelta(hours=hours_ago)
    said = Batch(
        id=batch, kind=kind, made_at=at, made_by="Ines", water_l=60.0, u_water_l=0.4, expected_mg_per_l=expected,
        u_expected_mg_per_l=0.08 * expected, cover="sealed",
    )  # fmt: skip
    with open_records(site) as records:
        records.add_batch(said, Stamp(at=at, who="Ines"))


def read(site, batch, value, *, sample, hours_ago=0.1):
    at = NOW - timedelta(hours=hours_ago)
    pad = {**made_pad(value), "standard_uncertainty": 0.05 * value}
    payload = {**made_payload(point="tank", sample=sample, taken=at, pads=[pad]), "how": {"batch": batch}}
    with open_records(site) as records:
        records.add_reading(payload, files=(), stamp=Stamp(at=at, who="Ines"))


def post(client, where, **fields):
    session = client.app.state.people.session(client.cookies[SESSION_COOKIE], now=datetime.now().astimezone())
    return client.post(where, data={"csrf": session.csrf, **fields})


def typed_in(page):
    """Return what stands in the fields of the form that enters, hidden ones too."""
    form = page[page.index('method="post"') :]
    return {
        name: html.unescape(value)
        for name, value in re.findall(r'<input[^>]*?name="([^"]+)"[^>]*?value="([^"]*)"', form)
        if name != "csrf"
    }


def plan_in(page):
    return re.search(r'<p class="pour">(.*?)</p>', page)[1]


def test_a_stock_is_planned_from_the_concentrate_as_read_then_entered_once(signed_in, site):
    make(site)
    read(site, "C-14", 400.0, sample="concentrate")
    client = signed_in("Ines")
    page = client.get("/batches/stock?concentrate=C-14&make=10+gal").text
    assert plan_in(page) == "4.5 US gal (17 L) of water, then 5.5 US gal (20.8 L) of concentrate"  # 10 x 220 / 400
    assert "Water comes first." in page
    assert "gas" in page  # the caution
    assert "wanted 220 mg/L" in page  # the site's target
    fields = typed_in(page)
    assert (fields["water"], fields["add"], fields["id"]) == ("4.5 US gal", "5.5 US gal", "S-1")
    for _ in range(2):
        sent = post(client, "/batches/stock", **fields, cover="covered")
        assert sent.headers["location"] == "/batches/made/S-1"
    with open_records(site) as records:
        (batch,) = [b.said for b in records.batches() if b.said.kind == "stock"]
    assert batch.made_by == "Ines"
    assert batch.water_l == pytest.approx(4.5 * 3.785411784)
    assert batch.parts[0].batch == "C-14"
    shown = client.get("/batches/made/S-1").text
    assert "Read it before it is used." in shown
    assert 'href="/read/tank?batch=S-1"' in shown
    assert "gas" in shown
    page = client.get("/batches").text
    assert "S-1" in page
    assert client.get("/batches/stock").text.count('value="S-2"') == 0  # a name is offered with a plan only
    assert 'value="S-2"' in client.get("/batches/stock?concentrate=C-14&make=40+L").text


def test_nothing_is_planned_with_a_concentrate_that_nobody_read(signed_in, site):
    make(site)
    client = signed_in("Ines")
    answer = client.get("/batches/stock?concentrate=C-14&make=10+gal")
    assert answer.status_code == 400
    assert "never read" in answer.text
    assert 'value="10 gal"' in answer.text  # what was typed stays
    assert 'class="pour"' not in answer.text
    typed = client.get("/batches/stock?concentrate=C-14&make=10+gal&strength=435+mg/L,+400+to+470").text
    assert "US gal" in plan_in(typed)  # what was read through a dilution is typed


def test_what_cannot_be_entered_says_why_beside_what_was_typed(signed_in, site):
    make(site)
    read(site, "C-14", 400.0, sample="concentrate")
    client = signed_in("Ines")
    good = {"concentrate": "C-14", "make": "40 L", "water": "18 L", "add": "22 L", "id": "S-9"}
    later = (NOW + timedelta(hours=2)).replace(tzinfo=None).isoformat(timespec="minutes")
    for name, value in (("water", "17"), ("add", "22 mg/L"), ("id", ""), ("id", 41 * "x"), ("cover", "leaky"),
                        ("at", later), ("concentrate", "C-99"), ("add", "-3 L"), ("add", "1e-300 L"),
                        ("water", "1e300 gal")):  # fmt: skip
        answer = post(client, "/batches/stock", **{**good, name: value})
        assert answer.status_code == 400, (name, value)
        assert 'role="alert"' in answer.text
    assert 'value="22 mg/L"' in post(client, "/batches/stock", **{**good, "add": "22 mg/L"}).text
    assert post(client, "/batches/stock", **{**good, "id": "C-14"}).status_code == 400  # taken by another
    assert client.post("/batches/stock", data=good).status_code == 403  # no token
    with open_records(site) as records:
        assert [b.said.id for b in records.batches()] == ["C-14"]


def test_the_list_holds_the_first_reading_against_the_recipe(signed_in, site):
    make(site, "S-3", "stock", expected=220.0)
    make(site, "S-4", "stock", expected=220.0, hours_ago=2.0)
    read(site, "S-3", 225.0, sample="stock")
    read(site, "S-4", 132.0, sample="stock")
    client = signed_in("Sol")
    page = client.get("/batches").text
    assert page.index("▲ DIFFERS") < page.index("✔ agrees")  # S-4 is the later one
    shown = client.get("/batches/made/S-4").text
    assert "By mass balance the recipe gives 220 mg/L; the reading of 132 mg/L" in shown
    order = ["Generate concentrate", "Measure the concentrate", "Make stock", "Measure the stock", "Set the injector",
             "Measure the line"]  # fmt: skip
    places = [page.index(words) for words in order]
    assert places == sorted(places)
    assert 'href="/read/bench%201"' in page
    assert client.get("/batches/made/nowhere").status_code == 404


def test_a_concentrate_is_planned_and_entered_with_what_its_sachets_give(signed_in, site):
    client = signed_in("Ines")
    page = client.get("/batches/generate?water=47+L&sachets=2&after=12+h&sachet=example").text
    assert plan_in(page).startswith("After 12 h expect")
    fields = typed_in(page)
    assert fields["id"] == "C-1"
    sent = post(client, "/batches/generate", **fields)
    assert sent.headers["location"] == "/batches/made/C-1"
    with open_records(site) as records:
        (batch,) = [b.said for b in records.batches()]
    assert batch.source.startswith("2 x sachet")
    strong = f"expect {batch.expected_mg_per_l:.0f}"
    assert strong in plan_in(page)
    (site / "sachets").mkdir()
    shipped = resources.files("stripread.water") / "sachets" / "example.toml"
    (site / "sachets" / "ours.toml").write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    assert "<option selected>ours" in client.get("/batches/generate?water=20+L&after=12+h&sachet=ours").text
    for sachet in ("../site.toml", str(site / "site.toml"), "other"):
        assert client.get(f"/batches/generate?water=20+L&after=12+h&sachet={sachet}").status_code == 400


def test_a_weak_stock_is_topped_up_and_a_strong_one_thinned(signed_in, site):
    make(site)
    make(site, "S-3", "stock", expected=220.0)
    read(site, "C-14", 420.0, sample="concentrate")
    read(site, "S-3", 160.0, sample="stock")
    client = signed_in("Ines")
    page = client.get("/batches/top-up?stock=S-3&volume=30+L&concentrate=C-14").text
    assert plan_in(page) == "Add 9 L of concentrate"  # 30 (220 - 160) / (420 - 220)
    fields = typed_in(page)
    assert (fields["left"], fields["add"], fields["water"], fields["id"]) == ("30 L", "9 L", "0 L", "S-4")
    assert post(client, "/batches/top-up", **fields).headers["location"] == "/batches/made/S-4"
    with open_records(site) as records:
        batch = records.batches(limit=1)[0].said
    assert [(part.batch, part.volume_l) for part in batch.parts] == [("S-3", 30.0), ("C-14", 9.0)]
    read(site, "S-4", 264.0, sample="stock", hours_ago=0.0)
    page = client.get("/batches/top-up?stock=S-4&volume=30+L").text
    assert plan_in(page) == "Add 6 L of water"  # 30 (264 / 220 - 1)
    assert typed_in(page)["water"] == "6 L"


def test_an_injector_is_set_once_and_listed(signed_in, site):
    make(site, "S-3", "stock", expected=220.0)
    client = signed_in("Ines")
    assert "never read, read it first" in client.get("/injector").text
    good = {"injector": "main", "ratio": "1:275", "means": "to", "batch": "S-3", "flow": "20 gpm"}
    asked = post(client, "/injector", **good)  # what the water takes is not known yet
    assert "It is not entered yet" in asked.text
    assert "only if the water takes" in asked.text
    good["nevertheless"] = "yes"
    for _ in range(2):
        assert post(client, "/injector", **good).status_code == 303
    with open_records(site) as records:
        (setting,) = [s.said for s in records.injector_settings()]
    assert (setting.ratio, setting.convention, setting.batch) == (275.0, "to", "S-3")
    assert setting.flow_l_per_min == pytest.approx(20 * 3.785411784)
    assert "main: 1 part to 275" in client.get("/injector").text
    for name, value in (("ratio", "275"), ("injector", ""), ("means", "of"), ("batch", "S-99"), ("flow", "20 gal"),
                        ("since", "2999-01-01T00:00")):  # fmt: skip
        answer = post(client, "/injector", **{**good, name: value})
        assert answer.status_code == 400, name
        assert 'role="alert"' in answer.text
    assert client.post("/injector", data=good).status_code == 403


def test_a_grower_makes_nothing(signed_in):
    client = signed_in("Gus")
    for where in (
        "/batches",
        "/batches/stock",
        "/batches/generate",
        "/batches/top-up",
        "/injector",
        "/batches/made/C-1",
    ):
        assert client.get(where).status_code == 403, where
    assert post(client, "/injector", injector="main", ratio="1:275").status_code == 403


@each("system", ["metric", "us", "imperial"])
@each("litres", [0.004, 0.3, 0.95, 3.9, 17.2, 5000.0])
def test_a_volume_as_typed_is_read_as_what_the_jug_shows(system, litres):
    shown = jug(litres, system)
    again = parse_quantity(volume_as_typed(shown, system), "volume", name="it")
    assert again.measured.value == pytest.approx(shown, rel=1e-3)


def test_no_more_is_planned_than_a_batch_has_left(signed_in, site):
    make(site)  # 60 L
    read(site, "C-14", 400.0, sample="concentrate")
    client = signed_in("Ines")
    assert plan_in(client.get("/batches/stock?concentrate=C-14&make=90+L").text)
    said = {"concentrate": "C-14", "make": "80 L", "add": "50 L", "water": "30 L", "id": "S-9"}
    assert post(client, "/batches/stock", **said).status_code == 303
    page = client.get("/batches/stock?concentrate=C-14&make=90+L").text
    assert "only 10 L" in page
    assert plan_in(client.get("/batches/stock?concentrate=C-14&make=90+L&available=60+L").text)  # if it was measured
