import os
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from stripread.errors import RecordFileError
from stripread.lot import CheckRow, append_row, chart_scores, find_row, load_record

ROW = CheckRow(
    when=datetime(2026, 5, 4, 9, 30, tzinfo=UTC),
    photo="check, one.jpg",
    photo_sha256="a" * 64,
    lot_sha256="b" * 64,
    pad="clo2",
    known=0.35,
    u_known=0.005,
    value=0.37,
    u=0.02,
    low=0.33,
    high=None,
    e_n=0.49,
    findings=(),
)
SILENT = replace(
    ROW, photo_sha256="c" * 64, value=None, u=None, low=None, e_n=None, findings=("photo_soft", "pad_small")
)


def test_rows_come_back_as_they_went_in(tmp_path):
    path = tmp_path / "verification.csv"
    assert load_record(path) == ()
    append_row(path, ROW)
    append_row(path, SILENT)
    assert load_record(path) == (ROW, SILENT)
    assert path.read_text(encoding="utf-8").splitlines()[0] == (
        "when,photo,photo_sha256,lot_sha256,pad,known,u_known,value,u,low,high,e_n,findings"
    )


def test_what_was_there_is_not_touched_by_a_new_row(tmp_path):
    path = tmp_path / "verification.csv"
    append_row(path, ROW)
    before = path.read_bytes()
    append_row(path, SILENT)
    assert path.read_bytes().startswith(before)


def test_a_file_that_a_spreadsheet_has_saved_is_read_and_continued(tmp_path):
    """With a byte order mark, other line ends, and no end of the last line."""
    path = tmp_path / "verification.csv"
    append_row(path, ROW)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n").rstrip())
    append_row(path, SILENT)
    assert load_record(path) == (ROW, SILENT)


HEADER = b"when,photo,photo_sha256,lot_sha256,pad,known,u_known,value,u,low,high,e_n,findings\n"
GOOD = b"2026-05-04T09:30:00+00:00,x.jpg," + b"a" * 64 + b"," + b"b" * 64 + b",clo2,0.35,0.005,0.37,0.02,0.33,,0.49,\n"


def test_the_row_that_the_next_test_damages_is_good(tmp_path):
    path = tmp_path / "verification.csv"
    path.write_bytes(HEADER + GOOD)
    assert len(load_record(path)) == 1


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"photo,concentration\nx.jpg,1\n", "first line 'photo,concentration'"),
        (b"\x89PNG\r\n\x1a\n\xff\xfe", "no text"),
        (HEADER + GOOD + GOOD[:60], "line 3"),
        (HEADER + GOOD.replace(b"0.37", b"much"), "line 2"),
        (HEADER + GOOD.replace(b"0.37", b"nan"), "value is 'nan'"),
        (HEADER + GOOD.replace(b"0.37", b""), "together"),
        (HEADER + GOOD.replace(b"0.02,", b"-0.02,"), "uncertainty"),
        (HEADER + GOOD.replace(b"a" * 64, b"a" * 63), "photo_sha256"),
        (HEADER + GOOD.replace(b"2026-05-04T", b"04.05.2026 "), "line 2"),
        (HEADER + GOOD.replace(b"x.jpg", b'"x.jpg'), "line 2"),
        (b"\n" + HEADER + GOOD, "first line"),
    ],
)
def test_a_file_that_is_not_ours_or_damaged_is_named_and_left_alone(tmp_path, data, words):
    path = tmp_path / "verification.csv"
    path.write_bytes(data)
    with pytest.raises(RecordFileError) as caught:
        load_record(path)
    assert words in str(caught.value.found)
    assert str(path) in str(caught.value.expected)
    assert path.read_bytes() == data


def test_a_row_that_cannot_be_written_whole_is_taken_back(tmp_path, monkeypatch):
    path = tmp_path / "verification.csv"
    append_row(path, ROW)
    before = path.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        append_row(path, SILENT)
    assert path.read_bytes() == before


def test_a_photo_is_found_again_by_its_bytes_its_pad_and_the_calibration():
    assert find_row([SILENT, ROW], replace(ROW, photo="renamed.jpg", known=0.5)) == ROW
    for other in (replace(ROW, pad="ph"), replace(ROW, lot_sha256="d" * 64), replace(ROW, photo_sha256="d" * 64)):
        assert find_row([ROW], other) is None


def test_only_numbers_that_nothing_doubts_are_on_the_chart():
    doubtful = replace(ROW, findings=("glare_on_pad",))
    rows = [ROW, SILENT, doubtful, replace(ROW, pad="ph"), replace(ROW, lot_sha256="d" * 64), replace(ROW, value=0.3)]
    scores = chart_scores(rows, pad="clo2", lot_sha256="b" * 64)
    u = (0.02**2 + 0.005**2) ** 0.5
    assert scores == pytest.approx([0.02 / u, -0.05 / u])
