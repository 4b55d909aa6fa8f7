"""The 24-patch chart's published CIELAB (D50, 2 degree): colour-science's, and through our own enrolment.

The values are those of ``data/chart24_reference_lab_d50.csv``; its header says where they come from.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from stripread.card import CardLayout, Marker, enrol_card
from stripread.card.layout import Patch
from stripread.colour import colour_science, lab_to_xyz, xyz_to_lab
from stripread.geometry import Rect
from tests.listed import each

FILE = Path(__file__).parent / "data" / "chart24_reference_lab_d50.csv"
with FILE.open(encoding="utf-8") as lines:
    ROWS = list(csv.DictReader(line for line in lines if not line.startswith("#")))


def published(edition: str) -> np.ndarray:
    return np.array([[float(row[f"{c}_{edition}"]) for c in "Lab"] for row in ROWS])


def chart(lab: np.ndarray) -> CardLayout:
    """A card layout of 6 x 4 patches; where its markers lie does not matter here."""
    return CardLayout(
        name="24 patches",
        width_mm=290.0,
        height_mm=200.0,
        dictionary="DICT_4X4_50",
        markers=tuple(Marker(id=i, corners_mm=Rect(90.0 * i, 0.0, 10.0, 10.0).corners) for i in range(3)),
        patches=tuple(
            Patch(
                id=f"{'ABCD'[i // 6]}{i % 6 + 1}",
                rect=Rect(10.0 + 45.0 * (i % 6), 15.0 + 45.0 * (i // 6), 40.0, 40.0),
                role="colour" if i < 18 else "white" if i == 18 else "grey",
                lab=(float(colour[0]), float(colour[1]), float(colour[2])),
            )
            for i, colour in enumerate(lab)
        ),
    )


def shipped(edition: str) -> tuple[np.ndarray, np.ndarray]:
    """XYZ (Y = 1) of colour-science's chart and its illuminant's chromaticity."""
    colour = colour_science()
    checker = colour.CCS_COLOURCHECKERS[f"ColorChecker24 - {edition.capitalize()} November 2014"]
    return np.array([colour.xyY_to_XYZ(xyy) for xyy in checker.data.values()]), np.asarray(checker.illuminant)


@each(("edition", "tolerance"), [("after", 0.005), ("before", 0.0005)])  # half the last digit
def test_chart_values_of_colour_science_are_the_published_ones(edition, tolerance):
    xyz, illuminant = shipped(edition)
    assert np.abs(colour_science().XYZ_to_Lab(xyz, illuminant) - published(edition)).max() <= tolerance


@each("edition", ["after", "before"])
def test_our_lab_of_the_chart_is_the_published_one_but_for_the_white(edition):
    """The chart's white is D50 of the ICC, (0.9642, 1, 0.8249); ours is the CIE's: 0.016 apart, less than 0.02."""
    xyz, illuminant = shipped(edition)
    assert colour_science().xy_to_XYZ(illuminant) == pytest.approx([0.9642, 1, 0.8249], abs=5e-5)
    assert np.abs(xyz_to_lab(xyz) - published(edition)).max() < 0.02


@each("edition", ["after", "before"])
@each("fields", ["LAB_L LAB_A LAB_B", "XYZ_X XYZ_Y XYZ_Z"])
def test_chart_values_come_back_from_enrolment(tmp_path, edition, fields):
    lab = published(edition)
    other = published("before" if edition == "after" else "after")
    values = lab if fields.startswith("LAB") else lab_to_xyz(lab) * 100
    rows = [f'{i} "{p.id}" ' + " ".join(f"{v:.6f}" for v in values[i]) for i, p in enumerate(chart(lab).patches)]
    path = tmp_path / "chart.txt"
    path.write_text(
        f"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID SAMPLE_NAME {fields}\nEND_DATA_FORMAT\nBEGIN_DATA\n"
        + "\n".join(rows)
        + "\nEND_DATA\n",
        encoding="utf-8",
    )
    card = enrol_card(chart(other), path, name="chart", measured_on="2024-05-06")
    assert np.abs(card.patch_lab - lab).max() < 1e-4
    assert np.abs(card.patch_lab - other).max() > 0.5
