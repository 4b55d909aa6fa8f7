import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import tomli_w

from stripread.card import Enrolment, design_card, load_card, parse_card, save_card
from stripread.errors import CardFileError
from tests.listed import each


def layout(tmp_path: Path) -> dict:
    save_card(design_card(), tmp_path / "card.toml")
    return tomllib.loads((tmp_path / "card.toml").read_text(encoding="utf-8"))


def same(a, b) -> bool:
    markers = all(
        m.id == n.id and (m.corners_mm == n.corners_mm).all() for m, n in zip(a.markers, b.markers, strict=True)
    )
    return markers and replace(a, markers=()) == replace(b, markers=())


def test_saved_card_loads_as_the_same_card(tmp_path):
    enrolment = Enrolment(source="m.csv", source_sha256="0" * 64, measured_on="2024-05-06", u_lab=0.4)
    for card in (
        design_card("Ü 1"),
        replace(design_card(), slot=None, tip_mark_mm=None, vial=None, enrolment=enrolment),
    ):
        save_card(card, tmp_path / "card.toml")
        assert same(load_card(tmp_path / "card.toml"), card)


def test_keys_are_those_of_the_file_format(tmp_path):
    data = layout(tmp_path)
    assert {"name", "width_mm", "height_mm", "dictionary", "slot", "marker", "patch"} <= set(data)
    assert set(data["marker"][0]) == {"id", "corners_mm"}
    assert set(data["patch"][0]) == {"id", "rect_mm", "role", "lab"}
    assert data["slot"]["rect_mm"] == [45.0, 38.5, 100.0, 20.0]


@each(
    ("change", "field"),
    [
        (lambda d: d.pop("name"), "name"),
        (lambda d: d.update(width_mm="190"), "width_mm"),
        (lambda d: d.update(height_mm=-1.0), "height_mm"),
        (lambda d: d.update(width_mm=float("nan")), "width_mm"),
        (lambda d: d["marker"].clear(), "marker"),
        (lambda d: d["marker"][1].update(id=d["marker"][0]["id"]), "marker.id"),
        (lambda d: d["marker"][2].update(corners_mm=[[0, 0]]), "marker[2].corners_mm"),
        (lambda d: d["patch"][3].update(role="gray"), "patch[3].role"),
        (lambda d: d["patch"][3].update(lab=[1, 2]), "patch[3].lab"),
        (lambda d: d["patch"][3].update(rect_mm=[1, 2, 0, 4]), "patch[3].rect_mm"),
        (lambda d: d["patch"][3].update(id="A3"), "patch.id"),
        (lambda d: d.update(slot=[1, 2, 3, 4]), "slot"),
        (lambda d: d.update(patch={"id": "A1"}), "patch"),
        (lambda d: d.update(enrolment={"source": "x"}), "enrolment.source_sha256"),
    ],
)
def test_parse_card_names_the_field_that_is_wrong(tmp_path, change, field):
    data = layout(tmp_path)
    change(data)
    with pytest.raises(CardFileError) as raised:
        parse_card(data, where="x.toml")
    assert re.search(rf"['\s]{re.escape(field)}'", str(raised.value.expected))
    assert "x.toml" in str(raised.value.expected)


def test_load_card_says_when_there_is_no_file(tmp_path):
    with pytest.raises(CardFileError, match=r"no file .*none\.toml"):
        load_card(tmp_path / "none.toml")


@each("content", [b"\xff\xfe\x00", b"name = ", b""])
def test_load_card_refuses_what_is_no_layout(tmp_path, content):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(CardFileError, match=r"bad\.toml"):
        load_card(path)


def test_a_card_may_come_without_slot(tmp_path):
    data = layout(tmp_path)
    del data["slot"], data["vial"]
    path = tmp_path / "chart.toml"
    path.write_text(tomli_w.dumps(data), encoding="utf-8")
    assert load_card(path).slot is None


def test_a_tip_mark_is_a_place_on_the_card(tmp_path: Path) -> None:
    save_card(design_card(), tmp_path / "card.toml")
    text = (tmp_path / "card.toml").read_text(encoding="utf-8")
    assert load_card(tmp_path / "card.toml").tip_mark_mm == (45.0, 48.5)
    table = tomllib.loads(text)
    for wrong in (5.0, "left", [1.0], [1.0, "x"]):
        with pytest.raises(CardFileError, match="tip_mark_mm"):
            parse_card({**table, "slot": {**table["slot"], "tip_mark_mm": wrong}}, where="card.toml")
