import builtins
import re
import zlib
from base64 import a85decode
from dataclasses import replace
from functools import cache
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image

from stripread.card import SLOT_LAB, Marker, Words, card_parts, design_card, draw_card, load_card
from stripread.card.draw import card_raster
from stripread.card.figure import lab_to_srgb
from stripread.errors import DrawingError, MissingExtraError
from stripread.geometry import Rect
from tests.listed import each

CARD = design_card()


@cache
def ten() -> np.ndarray:
    """The card at 10 px/mm."""
    return card_raster(CARD, 10)


def cut(rect: Rect, px_per_mm: float) -> np.ndarray:
    x0, y0 = round(rect.x * px_per_mm), round(rect.y * px_per_mm)
    return ten()[y0 : y0 + round(rect.height * px_per_mm), x0 : x0 + round(rect.width * px_per_mm)]


def test_every_patch_is_filled_to_its_edges_with_its_colour():
    expected = np.rint(np.clip(lab_to_srgb(CARD.patch_lab), 0, 1) * 255)
    for patch, rgb in zip(CARD.patches, expected, strict=True):
        assert (cut(patch.rect, 10) == rgb).all(), patch.id


def test_slot_ground_is_one_neutral_grey_without_words():
    ground = cut(CARD.slot.grown(-0.2), 10)
    assert (ground == np.rint(lab_to_srgb(np.array(SLOT_LAB)) * 255)).all()
    assert np.ptp(ground[0, 0]) == 0


def test_vial_room_is_blank_paper():
    assert (cut(CARD.vial.grown(-0.2), 10) == 255).all()


def test_greys_are_neutral_in_srgb():
    for patch in CARD.patches:
        if patch.role == "grey":
            assert np.ptp(cut(patch.rect, 10)[5, 5]) <= 1


def test_opencv_finds_the_markers_where_the_layout_has_them():
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.dictionary)))
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(ten(), cv2.COLOR_RGB2GRAY))
    found = dict(zip(ids.ravel().tolist(), corners, strict=True))
    assert sorted(found) == sorted(m.id for m in CARD.markers)
    for marker in CARD.markers:
        # OpenCV gives the outermost black pixels, half a pixel inside the edge
        assert np.abs(found[marker.id].reshape(4, 2) + 0.5 - marker.corners_mm * 10).max() <= 1.0


def test_a_turned_marker_is_drawn_turned():
    turned = tuple(replace(m, corners_mm=np.roll(m.corners_mm, 1, axis=0)) for m in CARD.markers)
    picture = card_raster(replace(CARD, markers=turned), 10)
    for marker in CARD.markers:
        x, y = (marker.corners_mm[0] * 10).astype(int)
        upright, other = ten()[y : y + 150, x : x + 150], picture[y : y + 150, x : x + 150]
        # corner 0 now lies where the upright marker has its bottom left: a quarter turn anticlockwise
        assert (other == np.rot90(upright, 1)).all()


def test_a_slanted_marker_is_found_with_its_id():
    angle = np.radians(20)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = (Rect(0, 0, 30, 30).corners - 15) @ turn.T + [95, 65]
    card = replace(CARD, slot=None, vial=None, patches=(), markers=(Marker(id=11, corners_mm=corners),))
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    found, ids, _ = detector.detectMarkers(cv2.cvtColor(card_raster(card, 10), cv2.COLOR_RGB2GRAY))
    assert ids.ravel().tolist() == [11]
    assert np.abs(found[0].reshape(4, 2) + 0.5 - corners * 10).max() < 2.0


def test_png_is_the_cards_rectangle_with_its_resolution(tmp_path):
    path = tmp_path / "card.PNG"
    draw_card(CARD, path, dpi=150)
    with Image.open(path) as image:
        assert image.mode == "RGB"
        assert image.size == (round(190 * 150 / 25.4), round(130 * 150 / 25.4))
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.0127)  # stored as whole pixels per metre
        pixels = np.asarray(image)
    assert (pixels == card_raster(CARD, 150 / 25.4)).all()


def test_toml_is_the_layout(tmp_path):
    draw_card(CARD, tmp_path / "card.toml")
    assert load_card(tmp_path / "card.toml").patches == CARD.patches


@pytest.mark.parametrize(("page", "size"), [("a4", (297, 210)), ("letter", (279.4, 215.9))])
def test_svg_is_a_page_in_mm_with_the_card_in_the_middle(tmp_path, page, size):
    path = tmp_path / "card.svg"
    draw_card(replace(CARD, name="A & B <1>"), path, page=page)
    root = ElementTree.parse(path).getroot()
    assert (root.get("width"), root.get("height")) == (f"{size[0]:g}mm", f"{size[1]:g}mm")
    left, top = (size[0] - 190) / 2, (size[1] - 130) / 2
    polygons = {
        tuple(np.array([p.split(",") for p in e.get("points").split()], float).ravel().round(3)): e.get("fill")
        for e in root.iter("{http://www.w3.org/2000/svg}polygon")
    }
    colour = next(p for p in CARD.patches if p.role == "colour")
    rgb = np.rint(lab_to_srgb(np.array(colour.lab)) * 255).astype(int)
    key = tuple((colour.rect.corners + np.array([left, top])).ravel().round(3))
    assert polygons[key] == "#{:02x}{:02x}{:02x}".format(*rgb)
    texts = [e.text for e in root.iter("{http://www.w3.org/2000/svg}text")]
    assert any("A & B <1>" in t for t in texts)
    assert any("STRIP HERE" in t for t in texts)
    assert any("VIAL HERE" in t for t in texts)
    lines = [[float(e.get(k)) for k in ("x1", "y1", "x2", "y2")] for e in root.iter("{http://www.w3.org/2000/svg}line")]
    assert any(x2 - x1 == pytest.approx(100, abs=1e-3) and y1 == y2 > top + 130 for x1, y1, x2, y2 in lines)


def test_pdf_has_true_size_and_the_same_bytes_each_time(tmp_path):
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    draw_card(CARD, first)
    draw_card(CARD, second)
    data = first.read_bytes()
    assert data == second.read_bytes()
    box = np.array(re.search(rb"/MediaBox \[([^]]*)\]", data)[1].split(), float)
    assert np.abs(box[2:] / 72 * 25.4 - [297, 210]).max() < 0.01
    stream = re.search(rb"stream\r?\n(.*?)endstream", data, re.DOTALL)[1].strip()
    content = zlib.decompress(a85decode(stream.removesuffix(b"~>"))).decode("latin-1")
    scales = re.findall(r"^([\d.]+) 0 0 ([\d.]+) 0 0 cm$", content, re.MULTILINE)
    assert np.prod(np.array(scales, float), axis=0) == pytest.approx([72 / 25.4] * 2, abs=1e-5)
    # the slot's upper left corner, in mm from the bottom left of the page
    x, y = (297 - 190) / 2 + CARD.slot.x, 210 - ((210 - 130) / 2 + CARD.slot.y)
    assert re.search(rf"\b{x:g} {y:g} m\b", content)
    assert "STRIP HERE" in content
    assert "100 mm" in content


def test_missing_reportlab_names_the_extra(tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("reportlab"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtraError, match=r"stripread\[print\]"):
        draw_card(CARD, tmp_path / "card.pdf")


@each("name", ["card.jpg", "card", "card.pdf.txt"])
def test_unknown_suffix_is_refused(tmp_path, name):
    with pytest.raises(DrawingError, match=re.escape(name)):
        draw_card(CARD, tmp_path / name)


def test_unknown_page_resolution_dictionary_and_marker_are_refused(tmp_path):
    with pytest.raises(DrawingError, match="a3"):
        draw_card(CARD, tmp_path / "card.svg", page="a3")
    with pytest.raises(DrawingError, match="99999"):
        draw_card(CARD, tmp_path / "card.png", dpi=99999)
    for dictionary in ("DICT_9X9_1", "CORNER_REFINE_SUBPIX", "getPredefinedDictionary"):
        with pytest.raises(DrawingError, match=dictionary):
            draw_card(replace(CARD, dictionary=dictionary), tmp_path / "card.svg")
    with pytest.raises(DrawingError, match="50"):
        draw_card(replace(CARD, markers=(replace(CARD.markers[0], id=50),)), tmp_path / "card.png")


def test_card_larger_than_the_page_is_refused_and_a_tall_one_turns_the_page(tmp_path):
    with pytest.raises(DrawingError, match="300 x 130"):
        draw_card(replace(CARD, width_mm=300.0), tmp_path / "card.svg")
    draw_card(replace(CARD, width_mm=190.0, height_mm=270.0), tmp_path / "tall.svg")
    assert 'width="210mm" height="297mm"' in (tmp_path / "tall.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".png"])
def test_card_without_slot_and_vial_is_drawn_without_their_words(tmp_path, suffix):
    bare = replace(CARD, slot=None, vial=None)
    draw_card(bare, tmp_path / f"bare{suffix}", dpi=100)
    assert (tmp_path / f"bare{suffix}").stat().st_size > 1000
    assert not any("HERE" in p.text for p in card_parts(bare) if isinstance(p, Words))


def test_words_touch_neither_patches_nor_slot_nor_quiet_zones():
    parts = card_parts(CARD)
    without = card_raster(CARD, 10).copy()
    plain = [p for p in parts if isinstance(p, Words)]
    letters = {p.text for p in plain}
    assert {"A", "L", "1", "18"} <= letters
    for patch in CARD.patches:
        rgb = np.rint(np.clip(lab_to_srgb(np.array(patch.lab)), 0, 1) * 255)
        assert (cut(patch.rect, 10) == rgb).all()
    for marker in CARD.markers:
        x, y = (marker.corners_mm[0] * 10).astype(int)
        ring = without[y - 23 : y + 173, x - 23 : x + 173].copy()  # but for the card's outline 2.5 mm away
        ring[23:-23, 23:-23] = 255
        assert (ring == 255).all()


def test_words_that_have_no_room_are_left_out():
    crowded = replace(CARD, slot=Rect(45, 34.0, 100, 25.0), vial=Rect(45, 69.0, 100, 37.0))
    assert not any("HERE" in p.text for p in card_parts(crowded) if isinstance(p, Words))


def test_white_modules_of_a_marker_have_no_seams_inside():
    for marker in CARD.markers:
        x, y = (marker.corners_mm[0] * 10).astype(int)
        block = ten()[y : y + 150, x : x + 150, 0]
        assert set(np.unique(block)) == {0, 255}
        modules = block.reshape(6, 25, 6, 25)
        assert (modules.min(axis=(1, 3)) == modules.max(axis=(1, 3))).all()
