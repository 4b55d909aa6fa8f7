import base64
import io
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from stripread.calibrate import Coverage
from stripread.lot import CheckRow, load_lot
from stripread.report import ReportInputs, lot_report
from stripread.units import two_digits

FOLDER = Path(__file__).parents[2] / "calibration" / "UL-2603"
LOT = load_lot(FOLDER / "lot.json")
FEW = replace(LOT, pads=(replace(LOT.pads[0], calibrators=LOT.pads[0].calibrators[::12]),))  # five photos
COVERAGE = Coverage(resamples=30, refused=2, strips=20, levels={0.0: (9, 10), 1.0: (8, 9)}, seed=5)


def check_row(z: float, **more) -> CheckRow:
    row = CheckRow(
        when=datetime(2026, 5, 4, tzinfo=UTC),
        photo="check.jpg",
        photo_sha256="a" * 64,
        lot_sha256=LOT.sha256,
        pad="clo2",
        known=0.35,
        u_known=0.0,
        value=0.35 + 0.02 * z,
        u=0.02,
        low=0.2,
        high=0.4,
        e_n=z / 1.96,
        findings=(),
    )
    return replace(row, **more)


def page_of(**more) -> str:
    inputs = ReportInputs(
        lot=FEW, lot_file=FOLDER / "lot.json", photos=None, coverage={}, checks=(), today=date(2026, 6, 1)
    )
    return lot_report(replace(inputs, **more))


@pytest.fixture(scope="module")
def full() -> str:
    photos = {path.name: (path,) for path in FOLDER.glob("*.jpg")}
    checks = (check_row(0.3), check_row(2.5), check_row(2.6), check_row(0.0, lot_sha256="b" * 64))
    return page_of(photos=photos, coverage={"clo2": COVERAGE}, checks=checks)


@pytest.fixture(scope="module")
def bare() -> str:
    """Without series, coverage and checks; past its date, and with a name that is markup."""
    return page_of(lot=replace(FEW, number='<script>alert("x")</script>'), today=date(2027, 7, 1))


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", page.partition("</style>")[2]).split())


def pictures(page: str) -> list[Image.Image]:
    uris = re.findall(r'src="data:image/\w+;base64,([^"]+)"', page)
    return [Image.open(io.BytesIO(base64.b64decode(uri, validate=True))) for uri in uris]


def test_the_page_says_which_lot_it_is_and_when_and_by_what(full):
    text = words(full)
    for fact in (
        LOT.number,
        LOT.kind,
        "2027-06-30",
        "2026-03-02",
        LOT.card,
        LOT.sha256,
        "stripread 0.1.0",
        "2026-06-01",
    ):
        assert fact in text
    assert "EXPIRED" not in text


def test_a_page_without_series_coverage_and_checks_says_so(bare):
    text = words(bare)
    for sentence in (
        "2027-06-30 (EXPIRED)",
        "Not computed.",
        "None recorded for this calibration.",
        "No series was named",
    ):
        assert sentence in text
    assert len(pictures(bare)) == 2


def test_the_page_needs_nothing_from_elsewhere(full):
    assert not re.search(r"<script|<link|@import|url\(|https?:", full)
    assert set(re.findall(r'src="([^:"]*):', full)) == {"data"}


def test_every_element_that_opens_closes(full):
    still_open: list[str] = []

    class Balance(HTMLParser):
        def handle_starttag(self, tag, attrs):
            if tag not in ("meta", "img", "br"):
                still_open.append(tag)

        def handle_endtag(self, tag):
            assert still_open.pop() == tag

    Balance().feed(full)
    assert still_open == []


def test_the_pictures_are_pictures_and_the_figures_large_enough_for_paper(full):
    sizes = [picture.size for picture in pictures(full)]
    assert len(sizes) == 3 + 5  # path and lightness, residuals, control chart; five photos
    assert sorted(width for width, _ in sizes)[-3:] == [1200] * 3
    assert all(max(size) == 128 for size in sizes if size[0] < 1000)


def test_limits_come_with_their_definitions_and_levels_with_their_residuals(full):
    text = words(full)
    assert f"LOD {two_digits(LOT.pads[0].lod.value)} mg/L {LOT.pads[0].lod.definition}" in text
    assert LOT.pads[0].loq.definition in text
    assert "above the range, not in the fit" in text


def test_coverage_is_told_with_how_it_was_found(full):
    text = words(full)
    assert "89 % of the 95 % intervals of left-out strips held the level" in text
    for part in (
        "17 of 19 intervals, of 20 different strips",
        "30 resamples (seed 5)",
        "2 of the resamples gave no curve",
    ):
        assert part in text


def test_the_record_is_shown_with_the_rule_that_it_breaks(full):
    text = words(full)
    assert "two of the last three checks lie more than 2 standard uncertainties over" in text
    assert "1 more in the record are of other lots or calibrations" in text
    assert text.count("check.jpg") == 3
    assert text.count("DIFFERS") == 2


@pytest.mark.slow
def test_checks_without_number_need_no_chart():
    silent = check_row(0.0, value=None, u=None, e_n=None, low=0.0, high=0.03)
    page = page_of(checks=(silent,))
    assert len(pictures(page)) == 2
    assert "no number, and the known value lies OUTSIDE the interval" in words(page)


@pytest.mark.slow
def test_missing_other_and_broken_photos_are_named(tmp_path):
    names = [c.photo for c in FEW.pads[0].calibrators]
    photos = {name: tmp_path / name for name in names[:4]}
    photos[names[0]].write_bytes((FOLDER / names[0]).read_bytes())
    photos[names[1]].write_bytes((FOLDER / names[0]).read_bytes())
    photos[names[2]].write_bytes(b"no photo")
    page = page_of(photos={name: (path,) for name, path in photos.items()})
    text = words(page)
    assert len(pictures(page)) == 2 + 1
    assert "4 of the photos could not be shown as the ones calibrated with" in text
    for name, trouble in (
        (names[1], "another file: its SHA-256 is not the one in the lot file"),
        (names[2], "photo cannot be read"),
        (names[3], "photo missing"),
        (names[4], "not named in the series"),
    ):
        assert f"{name}: {trouble}" in text


@pytest.mark.slow
def test_photos_of_one_name_in_two_series_are_told_apart_by_their_bytes(tmp_path):
    first, second, *_ = FEW.pads[0].calibrators
    other = tmp_path / first.photo
    other.write_bytes((FOLDER / second.photo).read_bytes())
    joined = replace(second, photo=first.photo)
    lot = replace(FEW, pads=(replace(FEW.pads[0], calibrators=(first, joined)),))
    page = page_of(lot=lot, photos={first.photo: (other, FOLDER / first.photo)})
    assert len(set(re.findall(r'photo" src="([^"]+)"', page))) == 2
    assert "All photos were found" in words(page)


def test_the_page_can_be_signed_and_carries_the_cautions(full):
    text = words(full)
    assert "name date signature" in text
    assert "calibrated by" in text
    assert "irritates eyes and lungs" in text
    assert "Not for drinking water" in text


def test_names_from_files_are_text_and_no_markup(bare):
    assert "<script>" not in bare
    assert "&lt;script&gt;" in bare
