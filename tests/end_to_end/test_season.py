"""Six simulated weeks, read from whole photos and recorded, and the report of them. Everything in them is invented."""

import re
from collections import Counter
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.i18n import Reader
from stripread.records import Draft, Period, Records, Stamp, due_today, open_records, period_of
from stripread.records.queries.tanks import drawings
from stripread.report import document_html, document_pdf, period_report, section_text
from stripread.report.document.document import Document, Figure, Items, Table
from stripread.simulate import play_season
from stripread.simulate.season.script import END, START, Check, Sample, season_events
from stripread.site import Site, load_site
from tests.benchmarks.season import intervals_held

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.slow  # a minute of photos, drawn once


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Site:
    folder = tmp_path_factory.mktemp("season") / "site"
    return play_season(folder, ROOT / "calibration", seed=1, faults=True, report=lambda done, of: None)


@pytest.fixture(scope="module")
def records(season):
    with open_records(season.folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def period(season, records) -> Period:
    return period_of(records, season, start=START, end=END)


@pytest.fixture(scope="module")
def document(season, period) -> Document:
    return period_report(period, season, made_at=END)


def episodes(period: Period, code: str) -> list:
    return [e for e in period.episodes if e.code == code]


def test_concentrates_of_the_example_sachet_are_marked(document):
    assert "EXAMPLE FIGURES of an invented sachet" in document_html(document)


class TestFourHiddenFaults:
    """Each stands in the script (`simulate/season/script.py`), not in what the report is given."""

    def test_the_stock_that_gassed_off_under_an_open_lid(self, period):
        (found,) = episodes(period, "weaker_than_forecast")
        assert found.first.date() == (START + timedelta(days=11)).date()
        assert found.points == ("stock tank",)
        assert [b.id for b in found.made] == ["S-2-b"]
        assert "lid" in found.notes[0].said.text

    def test_the_strip_of_the_wrong_range(self, period):
        (found,) = episodes(period, "wrong_range_strip")
        assert found.first.date() == (START + timedelta(days=16)).date()
        assert found.points == ("bench-1",)
        assert all(r.main.value is None for r in found.readings)  # no number is shown

    def test_the_lot_past_its_date(self, period):
        (found,) = episodes(period, "lot_expired")
        assert {r.lot for r in found.readings} == {"UL-2511"}
        assert min(r.when.date() for r in found.readings).isoformat() == "2026-05-01"
        (late,) = [lot for lot in period.lots if lot.late]
        assert (late.number, late.late) == ("UL-2511", len(found.readings))

    def test_the_recipe_that_cannot_give_it(self, period):
        (found,) = episodes(period, "recipe_off_range")
        assert found.first.date() == (START + timedelta(days=28)).date()
        assert "S-5, " in str(found.message)
        (batch,) = [b for b in period.batches if b.said.id == "S-5"]
        # 20 L of about 405 mg/L and 34 L of water: 405 * 20 / 54 = 150 mg/L
        assert batch.recipe.value == pytest.approx(405 * 20 / 54, rel=0.06)

    def test_the_report_says_all_four_first(self, document):
        short = section_text(document)
        for word in ("lost more strength", "strip kind cannot judge", "past its expiry", "recipe cannot give"):
            assert word in short, word

    def test_what_is_no_fault_is_found_seldom(self, period):
        """Of readings before any fault, few are called anything but good."""
        early = [r for r in period.readings if r.when < START + timedelta(days=9)]
        assert len(early) > 20
        warned = [r for r in early if any(f["severity"] != "info" for f in r.entry.payload["findings"])]
        assert len(warned) <= 0.1 * len(early)


def test_the_intervals_hold_over_all_six_weeks(season, period):
    """95 % of them should; 100 readings of two lots share the lots' own errors, so a few more may miss."""
    held, of = intervals_held(period.readings, season.folder)
    assert of > 60
    assert held / of >= 0.88


def test_points_come_in_the_order_of_the_water_with_their_counts(period):
    assert [p.name for p in period.points] == ["well", "pail", "stock tank", "bench-1", "bench-4"]
    at_points = [r for r in period.readings if r.point is not None]  # the titrations were at none
    assert sum(sum(p.states.values()) for p in period.points) == len(at_points)
    assert period.points[3].days == 36


def test_the_record_verifies_and_a_changed_photo_is_told(season, records, period):
    assert period.verification.intact
    photo = next((season.folder / "photos").rglob("*.jpg"))
    data = photo.read_bytes()
    photo.chmod(0o644)
    photo.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    try:
        broken = period_of(records, season, start=START, end=END)
        text = section_text(period_report(broken, season, made_at=END))
        assert "NOT as it was written" in text
    finally:
        photo.write_bytes(data)


def test_corrections_stand_in_the_report(season, period, tmp_path):
    import shutil

    folder = tmp_path / "copy"
    shutil.copytree(season.folder, folder)
    with open_records(folder) as copy:
        first = period.readings[0].entry.seq
        copy.correct(
            first, why="photo of another pail", stamp=Stamp(at=START + timedelta(days=2), who="Ana"), withdraw=True
        )
        again = period_of(copy, season, start=START, end=END)
    assert [(old.seq, new.why) for old, new in again.superseded] == [(first, "photo of another pail")]
    assert len(again.readings) == len(period.readings) - 1
    table = tables(period_report(again, load_site(folder), made_at=END))["why"]
    assert any("photo of another pail" in row for row in table.rows)


def tables(document: Document) -> dict[str, Table]:
    """The tables by their last head."""
    return {part.heads[-1]: part for part in document.parts if isinstance(part, Table)}


def test_html_and_pdf_hold_the_same_words(document):
    from pypdf import PdfReader

    html, pdf = document_html(document), document_pdf(document)
    assert "http" not in html.split("</style>")[1]  # nothing is fetched from elsewhere
    assert html.count("data:image/png;base64,") >= 5
    assert pdf.startswith(b"%PDF")
    assert pdf == document_pdf(document)  # the same facts, the same bytes
    plain = " ".join(word for page in PdfReader(BytesIO(pdf)).pages for word in page.extract_text().split())
    (items,) = [part for part in document.parts[:8] if isinstance(part, Items)]
    for item in items.items:
        assert item[2:50] in plain


def test_in_spanish_nothing_stays_english_but_names_and_notes(season, period):
    document = period_report(period, season, made_at=END, reader=Reader(language="es"))
    assert document_html(document).startswith('<!DOCTYPE html>\n<html lang="es">')
    texts = [document.title, document.subtitle, document.footer, document.page]
    for part in document.parts:
        match part:
            case Table(heads, rows):
                texts += [*heads, *(cell for row in rows for cell in row)]
            case Items(items):
                texts += items
            case Figure(_, words):
                texts.append(words)
            case _:
                texts.append(part.text)
    left = re.compile(r"\b(the|is|are|was|of|and|than|under|over|with|from|by|its|it|which|that|this|readings?|made)\b")
    written = [note.said.text for note in period.notes]
    written += [words for one in period.actions for words in (one.said.text, one.done.said.text)]
    plain = [text.replace("stripread records verify", "") for text in texts if not any(n in text for n in written)]
    assert len(plain) > 200
    assert [text for text in plain if left.search(text)] == []
    assert "La solución madre ha perdido más fuerza de la pronosticada." in document_html(document)


def test_the_command_writes_both_and_refuses_to_overwrite(season, tmp_path):
    words = ["report", str(tmp_path / "r"), "--from", "2026-04-13", "--to", "2026-04-19", "--site", str(season.folder)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    assert (tmp_path / "r.html").is_file()
    assert (tmp_path / "r.pdf").is_file()
    assert "The stock has lost more strength" in result.stdout
    assert "past its expiry" not in result.stdout  # of another week
    assert CliRunner().invoke(app, words).exit_code == 2
    spanish = CliRunner().invoke(app, [*words, "--force", "--language", "es"])
    assert "registro del agua" in spanish.stdout
    assert 'lang="es"' in (tmp_path / "r.html").read_text(encoding="utf-8")
    assert CliRunner().invoke(app, [*words, "--force", "--language", "xx"]).exit_code == 2
    late = [*words[:3], "2026-05-19", *words[4:]]
    assert CliRunner().invoke(app, late).exit_code == 2


def test_today_after_the_season_asks_for_what_the_schedule_says_and_for_the_stocks_in_use(season, records):
    due = due_today(records, season, now=END + timedelta(hours=9))  # a Monday
    about = {str(one.about) for one in due}
    assert {"well", "bench-1", "bench-4", "N-6, drawn by north"} <= about


def test_a_season_without_faults_has_none_in_its_script():
    good, bad = (season_events(np.random.default_rng([1, 97]), faults=faults) for faults in (False, True))
    names = Counter(type(e).__name__ for e in good)
    assert names["Remark"] == 0
    assert Counter(type(e).__name__ for e in bad)["Remark"] == 4
    lines = [e for e in good if isinstance(e, Sample) and e.sample == "line"]
    assert min(e.truth for e in lines) > 0.22
    assert all(
        e.at.date().isoformat() <= "2026-04-30" for e in good if isinstance(e, Sample | Check) and e.lot == "UL-2511"
    )


def test_a_period_without_anything_is_reported_as_that(tmp_path, season):
    (tmp_path / "site.toml").write_text((season.folder / "site.toml").read_text())
    with open_records(tmp_path, create=True) as empty:
        assert isinstance(empty, Records)
        empty.append([Draft(kind="site", payload={"name": "x"}, subject="x")], Stamp(at=START, who="Ana"))
        found = period_of(empty, season, start=START, end=END)
    text = document_html(period_report(found, load_site(tmp_path), made_at=END))
    assert "0 readings at 0 points" in text


class TestTheDutiesOfTheSeason:
    """What stands in `simulate/season/duties.py`, told by the report and nothing beside it."""

    def test_one_reading_was_missed_and_its_reason_stands_there(self, period, document):
        missed = [one for one in period.due if one.state in ("missed", "late")]
        assert [(one.point, one.day.isoformat()) for one in missed] == [("bench-4", "2026-04-30")]
        assert not any(one.day.weekday() == 6 for one in period.due)  # Sundays are closed
        html = document_html(document)
        assert "pump off, no water at the far end" in html
        assert "no reason given" not in html

    def test_a_diluted_concentrate_is_recorded_as_the_undiluted_one(self, period):
        diluted = [r for r in period.readings if (r.entry.payload.get("how") or {}).get("diluted")]
        assert len(diluted) == 3  # every other Monday
        assert all(350 < r.main.value < 470 for r in diluted if r.main.value is not None)

    def test_meter_and_titration_stand_among_the_readings_and_agree(self, period):
        ways = Counter(r.method.by for r in period.readings)
        assert ways["titration"] == 4
        assert ways["meter"] >= 4
        assert not [pair for pair in period.compared if pair.differ and pair.first.validity == "valid"]

    def test_the_shock_treatment_is_over_and_the_action_closed(self, period):
        assert not period.open_events
        (action,) = period.actions
        assert action.said.code == "weaker_than_forecast"
        assert action.done.said.reading is not None

    def test_each_injector_has_its_own_tank(self, season, records):
        drawn = {one.injector: one for one in drawings(records, season, at=END)}
        assert {name: one.tank for name, one in drawn.items()} == {"east": "stock tank", "north": "north tank"}
        assert drawn["north"].batch.id == "N-6"

    def test_the_sachets_run_low(self, period, document, records, season):
        left = {one.said.name: one.left for one in period.stores}
        assert left["box 3"] == 14 - 6 * 2
        assert "▲ low" in document_html(document)
        due = [
            str(one.matter) for one in due_today(records, season, now=END + timedelta(hours=9)) if one.kind == "store"
        ]
        assert any("runs out: 2 left" in words for words in due)
