"""An injector's setting is judged before it is entered. Doses are recomputed by plain arithmetic."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.records import Batch, InjectorSetting, Point, Records, open_records
from stripread.site import Site, load_site, write_demo_site
from stripread.units import Measured
from stripread.workflow import judge_setting
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

DAY = timedelta(days=1)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return load_site(write_demo_site(tmp_path).parent)


@pytest.fixture
def records(site: Site) -> Iterator[Records]:
    with open_records(site.folder, create=True) as opened:
        for name, kind, strength in (("S-1", "stock", 316.0), ("S-2", "stock", 219.0), ("C-1", "concentrate", 420.0)):
            opened.add_batch(
                Batch(id=name, kind=kind, made_at=START - DAY, made_by="Ana", water_l=20.0, ready_at=START + 3 * DAY,
                      expected_mg_per_l=strength, u_expected_mg_per_l=0.03 * strength),
                made_stamp(),
            )  # fmt: skip
        yield opened


def set_to(ratio: float, batch: str, *, days: float = 0.0) -> InjectorSetting:
    return InjectorSetting(injector="east", since=START + days * DAY, ratio=ratio, convention="in", batch=batch)


def test_a_setting_far_too_strong_needs_attention_and_its_dose_is_said_with_the_crops(records, site):
    judged = judge_setting(records, site, set_to(40, "S-1"), demand=Measured(0.45, 0.05))  # 316 / 40 = 7.9
    assert judged.needs_attention
    assert "TOO MUCH" in str(judged.headline)
    assert "crops" in " ".join(map(str, judged.cautions)).casefold()
    unknown = judge_setting(records, site, set_to(40, "S-1"))
    assert unknown.needs_attention
    assert "NOT SURE" in str(unknown.headline)
    assert "7.4 to 7.7 mg/L" in str(unknown.headline)  # 7.9 - 0.50 and 7.9 - 0.22, aged by a day or not


def test_a_concentrate_behind_an_injector_is_told(records, site):
    judged = judge_setting(records, site, set_to(128, "C-1"))
    assert judged.needs_attention
    assert "CONCENTRATE" in str(judged.notes[0])


def test_a_dose_that_cannot_reach_the_limits_is_too_little_whatever_the_water_takes(records, site):
    judged = judge_setting(records, site, set_to(2000, "S-2"))  # 219 / 2000 = 0.11, of 0.22 needed
    assert "TOO LITTLE" in str(judged.headline)


def test_the_demand_is_what_the_outlets_showed_under_the_setting_before(records, site):
    records.add_point(Point(name="bench-1", sample="line", line="east", order=1), made_stamp())
    records.add_injector_setting(set_to(275, "S-2"), made_stamp())
    pad = made_pad(0.35) | {"standard_uncertainty": 0.01, "interval": [0.33, 0.37]}
    records.add_reading(made_payload(point="bench-1", taken=START + DAY, pads=[pad]), files=[], stamp=made_stamp(1440))
    judged = judge_setting(records, site, set_to(275, "S-2", days=2.0))
    left = judged.result.residual_mg_per_l
    demand = 219 / 275 - 0.35  # a little less, as the stock has aged since it was made
    assert left.value == pytest.approx(219 / 275 - demand, abs=0.03)
    assert any("latest readings" in str(note) for note in judged.notes)


def test_of_what_nobody_knows_the_strength_nothing_is_judged(records, site):
    records.add_batch(Batch(id="S-9", kind="stock", made_at=START - DAY, made_by="Ana", water_l=20.0), made_stamp())
    judged = judge_setting(records, site, set_to(275, "S-9"))
    assert judged.sign == "?"
