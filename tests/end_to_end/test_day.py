"""The commands of a day: points, batches, what is due. The sample photos are simulated."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from stripread.cli.app import app
from tests.listed import each

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT / "calibration", tmp_path / "site"))


def run(site: Path, *words: object) -> Result:
    return CliRunner().invoke(app, [*map(str, words), "--site", str(site)], env={"STRIPREAD_WHO": "Ana"})


def lines(result: Result) -> list[dict]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_points_are_listed_in_the_order_of_the_water(site):
    for name, order in (("far end", 3), ("bench-1", 1)):
        assert run(site, "point", "add", name, "--sample", "line", "--line", "east", "--order", order).exit_code == 0
    assert run(site, "point", "add", "well", "--sample", "source", "--before-injector").exit_code == 0
    assert [p["name"] for p in lines(run(site, "point", "list", "--json"))] == ["well", "bench-1", "far end"]
    assert "before the injector" in run(site, "point", "list").stdout


def test_a_point_said_anew_supersedes_and_one_retired_is_gone(site):
    run(site, "point", "add", "bench-1", "--sample", "line", "--flush", 60)
    run(site, "point", "add", "bench-1", "--sample", "line", "--flush", 90)
    (point,) = lines(run(site, "point", "list", "--json"))
    assert point["flush_min"] == 1.5
    assert run(site, "point", "retire", "bench-1", "--why", "bench taken down").exit_code == 0
    assert not lines(run(site, "point", "list", "--json"))
    assert run(site, "point", "retire", "bench-1", "--why", "again").exit_code == 2


@each(
    "words",
    [
        ("add", "x", "--sample", "tea"),
        ("add", "x", "--sample", "line", "--line", "east"),
        ("retire", "x", "--why", "y"),
    ],
)
def test_points_that_cannot_be_are_told(site, words):
    run(site, "point", "add", "bench-1", "--sample", "line")
    result = run(site, "point", *words)
    assert result.exit_code in (1, 2)
    assert "what to do" in result.stderr


def test_a_stock_is_told_its_mass_balance_and_held_against_its_reading(site):
    made = run(
        site,
        "batch",
        "generate",
        "C-1",
        "--water",
        "20 L",
        "--temperature",
        "20 C",
        "--cover",
        "sealed",
        "--at",
        "2026-04-13T17:00",
    )
    assert "C-1 should be 420" in made.stdout
    assert "ventilate" in made.stdout
    recipe = ("--concentrate", "C-1", "--add", "20 L", "--water", "34 L", "--cover", "covered")
    made = run(site, "batch", "stock", "S-1", *recipe, "--at", "2026-04-14T06:00")
    assert "S-1 should be 156" in made.stdout  # 423 * 20 / 54
    read = run(
        site, "read", SAMPLES / "stock-good.jpg", "--lot", "WR-2601", "--sample", "stock", "--record", "--batch", "S-1"
    )
    assert "recipe_mismatch" in read.stdout
    stock, concentrate = lines(run(site, "batch", "list", "--json"))
    assert stock["finding"]["code"] == "recipe_mismatch"
    assert stock["recipe"]["value"] == pytest.approx(423 * 20 / 54, rel=0.02)  # the example sachet gives 423
    assert stock["first_reading"]["value"] == pytest.approx(220, rel=0.15)
    assert concentrate["first_reading"] is None
    assert "DIFFERS" in run(site, "batch", "list").stdout


def test_a_top_up_mixes_what_is_left_with_concentrate(site):
    run(site, "batch", "generate", "C-1", "--water", "20 L")
    run(site, "batch", "stock", "S-1", "--concentrate", "C-1", "--add", "15 L", "--water", "39 L")
    run(site, "batch", "top-up", "S-2", "--stock", "S-1", "--left", "10 L", "--concentrate", "C-1", "--add", "5 L")
    top_up = lines(run(site, "batch", "list", "--json"))[0]
    c = lines(run(site, "batch", "list", "--json"))[2]["recipe"]["value"]
    assert top_up["kind"] == "top-up"
    assert top_up["recipe"]["value"] == pytest.approx((10 * c * 15 / 54 + 5 * c) / 15, rel=0.01)


@each(
    "words",
    [
        ("stock", "S-1", "--concentrate", "C-9", "--add", "20 L", "--water", "34 L"),
        ("stock", "S-1", "--concentrate", "C-1", "--add", "5 kg", "--water", "34 L"),
        ("generate", "C-1", "--water", "20 L"),  # its id is taken
        ("top-up", "S-1", "--stock", "C-1", "--left", "1 L", "--add", "1 L"),
    ],
)
def test_batches_that_cannot_be_are_told_and_nothing_is_entered(site, words):
    run(site, "batch", "generate", "C-1", "--water", "20 L")
    result = run(site, "batch", *words)
    assert result.exit_code in (1, 2)
    assert "what to do" in result.stderr
    assert len(lines(run(site, "batch", "list", "--json"))) == 1


def test_today_is_quiet_where_nothing_is_due_and_tells_points_not_sampled(site):
    assert run(site, "point", "add", "bench-1", "--sample", "line", "--flush", 90).exit_code == 0
    result = run(site, "today")
    assert result.exit_code == 3
    assert "bench-1: no line sample yet" in result.stdout
    assert "Flush for 90 s" in result.stdout
    run(site, "point", "retire", "bench-1", "--why", "gone")
    assert run(site, "today").exit_code == 0


def test_today_puts_what_is_wrong_first(site):
    run(site, "point", "add", "bench-1", "--sample", "line")
    run(site, "point", "add", "tank", "--sample", "stock")
    run(site, "batch", "generate", "C-1", "--water", "20 L", "--at", "2026-04-13T17:00")
    recipe = ("--concentrate", "C-1", "--add", "20 L", "--water", "17 L", "--cover", "open")
    run(site, "batch", "stock", "S-1", *recipe, "--at", "2026-04-14T06:00")
    weak = run(
        site, "read", SAMPLES / "stock-weak.jpg", "--lot", "WR-2601", "--sample", "stock", "--point", "tank", "--record"
    )
    assert weak.exit_code == 3
    due = lines(run(site, "today", "--json"))
    assert [d["urgency"] for d in due] == sorted((d["urgency"] for d in due), key=["now", "today", "soon"].index)
    (now,) = [d for d in due if d["urgency"] == "now"]
    assert now["about"] == "tank"
    assert "below" in now["matter"]
    # Read once, months ago: what such tanks lose is a guess, so it is to be read, and no alarm.
    (stock,) = [d for d in due if d["about"] == "S-1"]
    assert stock["urgency"] == "today"
    assert "may have fallen under 180 mg/L" in stock["matter"]


def test_today_knows_lots_that_expire(site, tmp_path):
    lot = site / "UL-2603" / "lot.json"
    soon = (datetime.now().astimezone() + timedelta(days=5)).date()
    lot.write_text(lot.read_text().replace('"expires": "2027-06-30"', f'"expires": "{soon.isoformat()}"'))
    photo = tmp_path / "now.jpg"
    from PIL import Image

    with Image.open(SAMPLES / "line-good.jpg") as picture:
        picture.save(photo, quality=95)  # without its old time: read as taken now
    assert run(site, "read", photo, "--lot", "UL-2603", "--sample", "line", "--record").stdout
    assert f"expires on {soon.isoformat()}" in run(site, "today").stdout


def test_a_trend_has_its_readings_in_order_and_what_happened_between(site, tmp_path):
    from test_history import add_reading

    from stripread.records import InjectorSetting, Stamp, open_records

    start = datetime(2026, 4, 14, 9, tzinfo=UTC)
    with open_records(site, create=True) as records:
        for day, value in enumerate((0.35, 0.37, 0.30, 0.17)):
            add_reading(records, value, start + timedelta(days=day), point="bench-1")
        at = start + timedelta(days=1, hours=3)
        setting = InjectorSetting(injector="main", since=at, ratio=275, convention="to")
        records.add_injector_setting(setting, Stamp(at=at, who="Ana"))
    told = lines(run(site, "trend", "bench-1", "--json"))
    assert [line["pads"][0]["value"] for line in told if "pads" in line] == [0.35, 0.37, 0.30, 0.17]
    assert [line["words"] for line in told if "event" in line] == ["main 1:275 to"]
    out = tmp_path / "trend.png"
    result = run(site, "trend", "bench-1", "--plot", out)
    assert result.exit_code == 0, result.output
    assert "injector: main" in result.stdout
    assert out.stat().st_size > 10_000
    assert run(site, "trend", "bench-9").exit_code == 2
