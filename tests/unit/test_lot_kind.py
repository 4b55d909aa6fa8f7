"""A lot file carries its strip kind."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import tomli_w

from stripread.errors import LotFileError
from stripread.lot import load_lot, save_lot
from stripread.site import kind_of_lot, load_site
from stripread.strip import kind_to_data, load_kind, parse_kind, shipped_kinds

CALIBRATION = Path(__file__).parents[2] / "calibration"
LOT = load_lot(CALIBRATION / "CP-2602" / "lot.json")


def test_a_kind_goes_into_tables_and_back() -> None:
    for name in shipped_kinds():
        kind = replace(load_kind(name), handle_from_mm=40.0)
        assert parse_kind(kind_to_data(kind), where="here") == kind


def test_a_lot_file_gives_back_its_kind(tmp_path: Path) -> None:
    assert LOT.strip_kind == load_kind("chlorine-ph-duo")
    own = replace(load_kind("chlorine-ph-duo"), name="our-duo", handle_from_mm=30.0)
    save_lot(replace(LOT, kind="our-duo", strip_kind=own), tmp_path / "lot.json")
    again = load_lot(tmp_path / "lot.json")
    assert again.strip_kind == own
    assert kind_of_lot(again, None) == own  # found nowhere else


def test_a_kind_that_the_site_lists_comes_first(tmp_path: Path) -> None:
    changed = replace(load_kind("chlorine-ph-duo"), handle_from_mm=44.0)
    (tmp_path / "duo.toml").write_text(tomli_w.dumps(kind_to_data(changed)), encoding="utf-8")
    site = replace(load_site(CALIBRATION), kinds={"chlorine-ph-duo": tmp_path / "duo.toml"})
    assert kind_of_lot(LOT, site) == changed
    assert kind_of_lot(replace(LOT, strip_kind=None), None) == LOT.strip_kind  # a file of before


def test_a_wrong_kind_in_a_lot_file_is_named(tmp_path: Path) -> None:
    text = json.loads((CALIBRATION / "CP-2602" / "lot.json").read_text(encoding="utf-8"))
    for change, word in (({"length_mm": -1}, "length_mm"), ({"name": "other"}, "other")):
        wrong = {**text, "strip_kind": {**text["strip_kind"], **change}}
        (tmp_path / "lot.json").write_text(json.dumps(wrong), encoding="utf-8")
        with pytest.raises(LotFileError, match=word):
            load_lot(tmp_path / "lot.json")
