"""Readings judged with what the record knows: recipe, stock, point, line, photos used before. Photos are simulated."""

import json
import shutil
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from PIL import ExifTags, Image
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.records import Batch, Part, Point, Records, Stamp, batch_of, open_records
from stripread.site import load_site, resolve_lot
from stripread.workflow import SampleContext, history_for
from tests.unit.made_readings import made_reading

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
ZONE = timezone(timedelta(hours=2))
MORNING = datetime(2026, 4, 14, 7, 0, tzinfo=ZONE)  # of the day on which the sample photos say they were taken
ANA = Stamp(at=MORNING, who="Ana")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(ROOT / "calibration", tmp_path / "site"))
    with open_records(folder, create=True) as records:
        records.add_point(Point(name="bench-1", sample="line", line="A", order=1, flush_min=1.0), ANA)
        records.add_point(Point(name="bench-2", sample="line", line="A", order=2, flush_min=1.0), ANA)
        records.add_batch(
            Batch(
                id="C-1", kind="concentrate", made_at=MORNING - timedelta(hours=14), made_by="Ana", water_l=40.0,
                expected_mg_per_l=420.0, u_expected_mg_per_l=15.0, ready_at=MORNING,
            ),
            ANA,
        )  # fmt: skip
    return folder


def add_stock(site: Path, water_l: float) -> None:
    part = Part(batch="C-1", volume_l=20.0, u_volume_l=0.1)
    batch = Batch(
        id="S-1", kind="stock", made_at=MORNING, made_by="Ana", parts=(part,), water_l=water_l,
        u_water_l=0.1, tank="blue tank", cover="covered",
    )  # fmt: skip
    with open_records(site) as records:
        records.add_batch(batch, ANA)


def read(site: Path, photo: str, lot: str, sample: str, *more: object) -> dict[str, Any]:
    words = ["read", SAMPLES / photo, "--lot", lot, "--sample", sample, "--site", site, "--record", "--json", *more]
    result = CliRunner().invoke(app, [str(w) for w in words], env={"STRIPREAD_WHO": "Ana"})
    assert result.stdout, result.output
    return json.loads(result.stdout)  # type: ignore[no-any-return]


def codes(record: dict[str, Any]) -> set[str]:
    return {finding["code"] for finding in record["findings"]}


def test_a_recipe_that_gives_156_is_told_when_the_stock_reads_220(site):
    add_stock(site, water_l=34.0)  # 420 * 20 / 54 = 156
    record = read(site, "stock-good.jpg", "WR-2601", "stock")
    (finding,) = [f for f in record["findings"] if f["code"] == "recipe_mismatch"]
    assert "156" in finding["message"]
    assert "C-1" in finding["message"]
    assert record["validity"] == "valid"  # the reading is good, the recipe is not


def test_a_recipe_that_gives_what_is_read_is_not_doubted(site):
    add_stock(site, water_l=18.0)  # 221 mg/L
    assert "recipe_mismatch" not in codes(read(site, "stock-good.jpg", "WR-2601", "stock"))


def test_a_photo_used_before_gives_no_number(site):
    assert read(site, "line-good.jpg", "UL-2603", "line", "--point", "bench-1")["value"] is not None
    again = read(site, "line-good.jpg", "UL-2603", "line", "--point", "bench-2")
    assert again["value"] is None
    assert "photo_seen_before" in codes(again)


def test_a_flush_cut_short_makes_a_reading_doubtful(site):
    record = read(site, "line-good.jpg", "UL-2603", "line", "--point", "bench-1", "--flushed", 20)
    assert "flush_not_kept" in codes(record)
    assert record["validity"] == "doubtful"


def test_a_batch_that_the_record_lacks_is_wrong_usage(site):
    words = ["read", SAMPLES / "stock-good.jpg", "--lot", "WR-2601", "--sample", "stock", "--site", site, "--record"]
    result = CliRunner().invoke(app, [*map(str, words), "--batch", "S-9"], env={"STRIPREAD_WHO": "Ana"})
    assert result.exit_code == 2
    assert "S-9" in result.stderr


# --- what is gathered ------------------------------------------------------------------------------------------------


def add_reading(
    records: Records, value: float, at: datetime, *, point: str | None, sample: str = "line", batch: str | None = None
) -> None:
    u = 0.05 * value
    pad = {
        "pad": "clo2", "analyte": "chlorine dioxide", "unit": "mg/L", "value": value, "standard_uncertainty": u,
        "interval": [value - 2 * u, value + 2 * u], "censored": None, "limit": None, "range_state": "within",
        "probability_within": 0.99,
    }  # fmt: skip
    reading = {
        "photo": "none.jpg", "taken_at": at.isoformat(), "lot": "UL-2603", "kind": "clo2-ultralow", "sample": sample,
        "point": point, "validity": "valid", "findings": [], "pads": [pad], "how": {"batch": batch},
    }  # fmt: skip
    records.add_reading(reading, files=(), stamp=Stamp(at=at, who="Ana"))


def gathered(site: Path, *, point: str | None, sample: str, at: datetime, batch: str | None = None):
    known = load_site(site)
    context = SampleContext(sample=known.sample(sample), point=point, batch=batch)
    reading = replace(made_reading(), lot=resolve_lot("UL-2603", known), taken_at=at)
    with open_records(site) as records:
        return history_for(records, reading, context, now=at)


def test_the_outlet_before_and_what_is_usually_left(site):
    with open_records(site) as records:
        for day in range(6):
            at = MORNING + timedelta(days=day)
            add_reading(records, 0.30, at, point="bench-1")
            add_reading(records, 0.27, at + timedelta(minutes=10), point="bench-2")
        today = MORNING + timedelta(days=6)
        add_reading(records, 0.32, today, point="bench-1")
    history = gathered(site, point="bench-2", sample="line", at=today + timedelta(minutes=10))
    assert history.line is not None
    assert history.line.before.value == 0.32
    assert history.line.usual_left == pytest.approx([0.9] * 6)
    assert [past.value for past in history.same_point] == [0.27] * 6
    assert gathered(site, point="bench-1", sample="line", at=today).line is None  # nothing lies before it


def test_a_stock_is_predicted_by_its_own_readings(site):
    add_stock(site, water_l=18.0)
    with open_records(site) as records:
        for hours in (1, 24, 48):
            at = MORNING + timedelta(hours=hours)
            add_reading(records, 220 * 0.5 ** (hours / 96), at, point=None, sample="stock", batch="S-1")
        assert batch_of(records, load_site(site).sample("stock"), at=at) == "S-1"
    later = MORNING + timedelta(hours=72)
    forecast = gathered(site, point=None, sample="stock", at=later, batch="S-1").forecast
    assert forecast is not None
    assert forecast.value == pytest.approx(220 * 0.5 ** (72 / 96), rel=0.05)
    assert forecast.u > 0
    # 180 mg/L, the least expected of a stock, is passed after 96 h * log2(220 / 180) = 28 h.
    assert forecast.use_until == pytest.approx(MORNING + timedelta(hours=28), abs=timedelta(hours=8))


def test_checks_are_none_where_the_record_keeps_none(site):
    assert gathered(site, point="bench-1", sample="line", at=MORNING).checks is None


def test_a_photo_of_before_the_latest_batch_is_of_the_batch_of_its_time(site):
    """Given the day's photos in the evening: the clock of now has a later batch."""
    add_stock(site, water_l=18.0)
    now = datetime.now().astimezone()
    photo = site / "fresh.jpg"
    with Image.open(SAMPLES / "stock-good.jpg") as picture:
        exif = picture.getexif()
        taken = now - timedelta(hours=5)
        notes = {36867: f"{taken:%Y:%m:%d %H:%M:%S}", 36881: taken.isoformat()[-6:]}  # time and zone of the original
        exif.get_ifd(ExifTags.IFD.Exif).update(notes)
        picture.save(photo, exif=exif, quality=95)
    with open_records(site) as records:
        for name, hours in (("S-2", 8), ("S-3", 2)):
            made_at = now - timedelta(hours=hours)
            records.add_batch(Batch(id=name, kind="stock", made_at=made_at, made_by="Ana", water_l=19.0), ANA)
    read(site, str(photo), "WR-2601", "stock")
    with open_records(site) as records:
        assert records.readings()[0].entry.payload["how"]["batch"] == "S-2"
