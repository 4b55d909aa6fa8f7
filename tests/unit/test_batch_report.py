"""What a report says of batches: nothing that was found is left out, and a thing is in order only by its own kind."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.findings import make_finding
from stripread.records import Batch, InjectorSetting, Part, Point, Records, open_records, period_of, trend_of
from stripread.report import document_html, period_report
from stripread.site import Site, load_site, write_demo_site
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

DAY = timedelta(days=1)
SPAN = {"start": START - 10 * DAY, "end": START + 10 * DAY}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return load_site(write_demo_site(tmp_path).parent)


@pytest.fixture
def records(site: Site) -> Iterator[Records]:
    with open_records(site.folder, create=True) as opened:
        yield opened


def add_reading(
    records: Records, sample: str, value: float, *, days: float, point: str | None = None, state: str = "within",
    batch: str | None = None, finding: str | None = None,
) -> None:  # fmt: skip
    pad = made_pad(value) | {"range_state": state, "standard_uncertainty": 0.04 * value}
    payload = made_payload(sample=sample, point=point, taken=START + days * DAY, pads=[pad])
    payload["how"]["batch"] = batch
    if finding is not None:
        made = make_finding(finding, "as made up")
        words = {"severity": made.severity, "message": str(made.message), "advice": str(made.advice)}
        payload["findings"] = [{"code": finding, **words}]
    records.add_reading(payload, files=[], stamp=made_stamp(1440 * days))


def test_a_failed_concentrate_is_not_in_order_by_a_stock_that_read_well(records, site):
    add_reading(records, "concentrate", 200.0, days=0, state="below", finding="out_of_range")
    add_reading(records, "stock", 220.0, days=0.1)
    (episode,) = period_of(records, site, **SPAN).episodes
    assert episode.righted is None
    add_reading(records, "concentrate", 420.0, days=0.2)
    (episode,) = period_of(records, site, **SPAN).episodes
    assert episode.righted.main.value == 420.0


def test_readings_at_no_point_are_kept_apart_from_those_of_a_point(records, site):
    add_reading(records, "line", 0.1, days=0, point="bench-1", state="below", finding="out_of_range")
    add_reading(records, "line", 0.1, days=0.1, state="below", finding="out_of_range")
    episodes = period_of(records, site, **SPAN).episodes
    assert [episode.points for episode in episodes] == [("bench-1",), ("no point",)]


def test_a_stock_that_is_too_low_and_a_recipe_that_differs_are_among_what_was_found(records, site):
    for name, strength in (("S-1", 220.0), ("S-2", 220.0)):
        batch = Batch(id=name, kind="stock", made_at=START - DAY, made_by="Ana", water_l=17.0, ready_at=START + 5 * DAY,
                      expected_mg_per_l=strength, u_expected_mg_per_l=6.0, tank="tank")  # fmt: skip
        records.add_batch(batch, made_stamp())
    add_reading(records, "stock", 120.0, days=0, point="tank", state="below", batch="S-1", finding="out_of_range")
    add_reading(records, "stock", 150.0, days=1, batch="S-2")  # no finding: its recipe was entered afterwards
    period = period_of(records, site, **SPAN)
    assert {one.said.id for one in period.differing} == {"S-1", "S-2"}
    html = document_html(period_report(period, site, made_at=START))
    found = html[html.index("What was found:") : html.index("<h2", html.index("What was found:"))]
    assert "S-2" in found
    assert "tank: " in found


def test_a_points_trend_tells_of_the_stock_and_injector_that_reach_it_and_of_no_other(records, site):
    file = site.folder / "site.toml"
    tables = [f'[tank."{n} tank"]\n[injector.{n}]\ntank = "{n} tank"\nline = "{n}"\n[line.{n}]\n' for n in ("a", "b")]
    file.write_text(file.read_text() + "\n" + "\n".join(tables))
    site = load_site(site.folder)
    records.add_point(Point(name="bench-1", sample="line", line="a", order=1), made_stamp())
    for name, days in (("a", 1.0), ("b", 1.5)):
        batch = Batch(id=f"S-{name}", kind="stock", made_at=START + days * DAY, made_by="Ana", water_l=1.0,
                      parts=(Part(batch=None, volume_l=1.0),), tank=f"{name} tank")  # fmt: skip
        records.add_batch(batch, made_stamp())
        said = InjectorSetting(injector=name, since=START + days * DAY, ratio=275.0, convention="in")
        records.add_injector_setting(said, made_stamp())
    for days in (0.0, 3.0):
        add_reading(records, "line", 0.3, days=days, point="bench-1")
    events = trend_of(records, site, "bench-1", since=None, until=None).events
    assert [event.words for event in events] == ["S-a", "a 1:275 in"]
