"""Another phone joins a lot by three levels; printer, phone and lamp of the simulator's seen part."""

import csv
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripread.card import design_card, load_card
from stripread.cli.app import app
from stripread.lot import load_lot
from stripread.photo import open_photo
from stripread.read import read_strip
from stripread.simulate import SeriesPlan, shoot_series
from stripread.simulate.demo import DEMO_LOTS, DEMO_PRINTER
from stripread.simulate.optics.cameras import make_phone
from stripread.strip import load_kind

CALIBRATION = Path(__file__).parents[2] / "calibration"
CARD = CALIBRATION / "card-print-a.toml"
DEMO = next(lot for lot in DEMO_LOTS if lot.number == "UL-2603")
LOT = CALIBRATION / "UL-2603" / "lot.json"


@pytest.fixture(scope="module")
def series(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven strips by a phone and a lamp that the lot does not know."""
    plan = SeriesPlan(
        kind=load_kind("clo2-ultralow"), card=design_card(), printer_seed=DEMO_PRINTER, lot_factor=DEMO.factor,
        conditions=((make_phone(321), "FL4"),), strips=1,
    )  # fmt: skip
    return shoot_series(plan, tmp_path_factory.mktemp("second"), seed=9, beyond=False)


def only(series: Path, levels: set[float], out: str) -> Path:
    with series.open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if float(row["concentration"]) in levels]
    path = series.parent / out
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.mark.slow
def test_three_levels_by_another_phone_take_its_errors_out_of_its_readings(series: Path) -> None:
    few = only(series, {0.0, 0.3, 1.2}, "few.csv")
    out = series.parent / "lot.json"
    done = CliRunner().invoke(
        app, ["lot", "join", str(LOT), str(few), "--card", str(CARD), "--out", str(out)], catch_exceptions=False
    )
    assert done.exit_code == 0, done.stderr
    before, after = load_lot(LOT), load_lot(out)
    assert [c.joined for c in after.conditions] == [False, False, True]
    photo = open_photo(series.parent / "level03-strip1-light1.jpg")
    old, new = (
        read_strip(photo, card=load_card(CARD), kind=load_kind("clo2-ultralow"), lot=lot).pads[0]
        for lot in (before, after)
    )
    # One strip a level: what the light no longer leaves uncertain, the strips do.
    assert new.estimate.budget["colour_correction"] < 0.5 * old.estimate.budget["colour_correction"]
    assert new.standard_uncertainty < 1.05 * old.standard_uncertainty
    assert abs(new.value - 0.3) < abs(old.value - 0.3)
    assert new.interval[0] <= 0.3 <= new.interval[1]


@pytest.mark.slow
def test_two_levels_are_too_few(series: Path) -> None:
    few = only(series, {0.0, 0.3}, "two.csv")
    done = CliRunner().invoke(app, ["lot", "join", str(LOT), str(few), "--card", str(CARD), "--out", "never.json"])
    assert done.exit_code == 1
    assert "at least 3 levels" in done.stderr
