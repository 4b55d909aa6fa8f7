import re

import numpy as np
import pytest

from stripread.card.cgats import is_cgats, parse_cgats
from stripread.colour import d50_white, lab_to_xyz
from stripread.errors import MeasurementFileError
from stripread.files import decode_text
from tests.listed import each

PLAIN = """CGATS.17
ORIGINATOR\t"test"
NUMBER_OF_FIELDS\t5
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS\t2
BEGIN_DATA
1 "A1" 37.54 14.37 14.92
2 "A2" 64.66 19.27 17.50
END_DATA
"""
LAB = np.array([[37.54, 14.37, 14.92], [64.66, 19.27, 17.50]])


def read(text: str):
    return parse_cgats(text, where="m.txt")


def test_plain_file_gives_labels_colours_and_lines():
    table = read(PLAIN)
    assert table.labels == (("A1", "A2"), ("1", "2"))
    assert (table.lab == LAB).all()
    assert table.lines == (9, 10)
    assert table.spectra is None


@each(
    "change",
    [
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("\n", "\r"),
        lambda t: t.replace("\n", "\n\n"),
        lambda t: t.replace(" ", "\t"),
        lambda t: t.replace(" ", " \t  "),
        lambda t: re.sub(r"NUMBER_OF_\w+\t\d\n", "", t),
        lambda t: t.replace("CGATS.17\n", ""),
        lambda t: t.replace("CGATS.17", "ANOTHER WORD"),
        lambda t: t.replace('"A1"', "A1").replace('"A2"', "A2"),
        lambda t: t.replace("37.54", '"37.54"'),
        lambda t: t.replace("SAMPLE_ID SAMPLE_NAME", "SampleID sample_name"),
        lambda t: t.replace("BEGIN_DATA\n", "BEGIN_DATA # the rows\n# more of them\n"),
        lambda t: t.replace("14.92", "14.92 # dark"),
        lambda t: t.replace('"test"', '"a # within quotes" # and one without'),
        lambda t: t.replace("DATA_FORMAT\nS", "DATA_FORMAT S").replace("\nEND_DATA_FORMAT", " END_DATA_FORMAT"),
        lambda t: t.replace("SAMPLE_NAME LAB_L", "SAMPLE_NAME\nLAB_L"),
        lambda t: t.replace("SAMPLE_NAME LAB_L", "SAMPLE_NAME RGB_R LAB_L").replace('" ', '" 0.5 ').replace(
            "FIELDS\t5", "FIELDS\t6"),
        lambda t: t.replace("BEGIN_DATA\n", 'KEYWORD "OWN"\nOWN "x"\nBEGIN_DATA\n'),
        lambda t: re.sub(r"(\d)\.(\d\d)", r"\1,\2", t),
        lambda t: t.replace("END_DATA\n", ""),  # the number of sets still vouches for the rows
        lambda t: t.replace("ORIGINATOR", 'ILLUMINATION_NAME "D50"\nOBSERVER_ANGLE "2"\nORIGINATOR'),
        lambda t: t.replace("ORIGINATOR", 'WEIGHTING_FUNCTION "ILLUMINANT, D50"\nORIGINATOR'),
        lambda t: t.replace("ORIGINATOR", 'WEIGHTING_FUNCTION "OBSERVER, 2 degree"\nORIGINATOR'),
    ],
)  # fmt: skip
def test_writers_differ_and_the_colours_stay(change):
    text = change(PLAIN)
    assert text != PLAIN
    assert is_cgats(text)
    table = read(text)
    assert (table.lab == LAB).all()
    assert table.labels[0] == ("A1", "A2")


def test_data_may_come_before_the_format():
    head, rest = PLAIN.split("NUMBER_OF_FIELDS")
    form, data = rest.split("NUMBER_OF_SETS")
    swapped = head + "NUMBER_OF_SETS" + data + "NUMBER_OF_FIELDS" + form
    assert swapped.index("BEGIN_DATA\n") < swapped.index("BEGIN_DATA_FORMAT")
    assert (read(swapped).lab == LAB).all()


@each("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
def test_encodings_are_told_apart(encoding):
    text = PLAIN.replace("test", "Gärtnerei")
    assert decode_text(text.encode(encoding)) == text


@each("scale", [1.0, 100.0])
def test_xyz_becomes_lab_whichever_its_scale(scale):
    lab = np.array([[95.0, 0.5, -1.0], [40.0, 30.0, -20.0]])
    rows = "\n".join(f"P{i} " + " ".join(f"{v:.9f}" for v in xyz) for i, xyz in enumerate(lab_to_xyz(lab) * scale))
    table = read(f"BEGIN_DATA_FORMAT\nSAMPLE_ID XYZ_X XYZ_Y XYZ_Z\nEND_DATA_FORMAT\nBEGIN_DATA\n{rows}\nEND_DATA\n")
    assert table.lab == pytest.approx(lab, abs=1e-5)


def test_d50_white_is_lab_100():
    white = " ".join(f"{v:.9f}" for v in d50_white() * 100)
    table = read(f"BEGIN_DATA_FORMAT\nSAMPLE_ID XYZ_X XYZ_Y XYZ_Z\nEND_DATA_FORMAT\nBEGIN_DATA\nW {white}\nEND_DATA\n")
    assert table.lab[0] == pytest.approx([100, 0, 0], abs=1e-5)


@each("names", ["nm380 nm390", "SPEC_380 SPEC_390", "SPECTRAL_NM380 SPECTRAL_NM390"])
def test_spectra_come_along(names):
    text = PLAIN.replace("LAB_B", f"LAB_B {names}").replace("FIELDS\t5", "FIELDS\t7")
    table = read(text.replace("14.92", "14.92 0.1 0.2").replace("17.50", "17.50 0.3 0.4"))
    assert table.wavelengths_nm == (380, 390)
    assert (table.spectra == [[0.1, 0.2], [0.3, 0.4]]).all()


@each(
    ("change", "line", "says"),
    [
        (lambda t: t.replace("14.37", "fourteen"), 9, "fourteen"),
        (lambda t: t.replace("14.37", "nan"), 9, "nan"),
        (lambda t: t.replace("14.37", "1e999"), 9, "1e999"),
        (lambda t: t.replace("14.37", "14,37"), 9, "14,37"),
        (lambda t: t.replace("14.37 ", ""), 9, "5 values"),
        (lambda t: t.replace("17.50", "17.50 3"), 10, "5 values"),
        (lambda t: t.replace('"A2"', '"A2'), 10, "quotes"),
        (lambda t: t.replace("SETS\t2", "SETS\t3"), 7, "NUMBER_OF_SETS"),
        (lambda t: t.replace("FIELDS\t5", "FIELDS\t4"), 3, "NUMBER_OF_FIELDS"),
        (lambda t: t.replace("NUMBER_OF_SETS\t2\n", "").replace("END_DATA\n", ""), 9, "cut off"),
        (lambda t: t.replace("LAB_L", "LAB_X"), 4, "XYZ_X"),
        (lambda t: t.replace("LAB_B", "LAB_A"), 4, "LAB_A twice"),
        (lambda t: t.replace("SAMPLE_ID SAMPLE_NAME", "FIRST SECOND"), 4, "SAMPLE_ID"),
        (lambda t: t.replace("LAB_", "XYZ_").replace("XYZ_L", "XYZ_X").replace("XYZ_A", "XYZ_Y").replace(
            "XYZ_B", "XYZ_Z"), 10, "near 1 or near 100"),
        (lambda t: t + t[t.index("BEGIN_DATA\n"):], 12, "one table"),
        (lambda t: t.replace("END_DATA_FORMAT\n", ""), 7, "end of the block"),
        (lambda t: t.replace("BEGIN_DATA\n", ""), 10, "beginning of the block"),
        (lambda t: t.replace('ORIGINATOR\t"test"', 'ILLUMINATION_NAME "D65"'), 2, "D50"),
        (lambda t: t.replace('ORIGINATOR\t"test"', 'OBSERVER_ANGLE "10"'), 2, "2 degree"),
        (lambda t: t.replace('ORIGINATOR\t"test"', 'WEIGHTING_FUNCTION "ILLUMINANT, D65"'), 2, "D50"),
        (lambda t: t.replace('ORIGINATOR\t"test"', 'WEIGHTING_FUNCTION "OBSERVER, 10 degree"'), 2, "2 degree"),
    ],
)  # fmt: skip
def test_errors_name_the_line(change, line, says):
    text = change(PLAIN)
    assert text != PLAIN
    with pytest.raises(MeasurementFileError) as raised:
        read(text)
    assert re.search(rf"m\.txt, line {line}\b", str(raised.value)), str(raised.value)
    assert says in str(raised.value)


def test_empty_blocks_are_refused():
    for text in ("", "BEGIN_DATA\nEND_DATA\n", "BEGIN_DATA_FORMAT\nSAMPLE_ID\nEND_DATA_FORMAT\nBEGIN_DATA\nEND_DATA\n"):
        with pytest.raises(MeasurementFileError, match="none"):
            read(text)


def test_a_csv_is_not_cgats():
    assert not is_cgats("patch,L,a,b\nA1,1,2,3\n")
