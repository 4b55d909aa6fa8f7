"""Strip kind files load as they say, and errors name the file and the field."""

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomli_w

from stripread.errors import KindFileError
from stripread.strip import kind_colours, kind_to_data, load_kind, parse_kind, shipped_kinds
from tests.listed import each

PLAIN: dict[str, Any] = {
    "name": "demo",
    "analyte": "iron",
    "unit": "mg/L",
    "range": [0, 5],
    "length_mm": 75,
    "width_mm": 5.5,
    "pad": [{"id": "a", "centre_mm": [6, 2.75], "size_mm": 5}],
    "dip": {"seconds": 1, "motion": "swirl", "read_from_s": 30, "read_until_s": 90},
}


def changed(field: str, value: object) -> dict[str, Any]:
    data = copy.deepcopy(PLAIN)
    table: Any = data
    *way, last = field.split(".")
    for step in way:
        table = table[0] if step == "0" else table[step]
    if value is None:
        del table[last]
    else:
        table[last] = value
    return data


def test_the_shipped_kinds_load_under_their_own_names() -> None:
    assert shipped_kinds() == ("chlorine-ph-duo", "clo2-ultralow", "clo2-wide")
    for name in shipped_kinds():
        assert load_kind(name).name == name


def test_the_duo_has_a_ph_pad_of_its_own_scale_without_a_blank() -> None:
    kind = load_kind("chlorine-ph-duo")
    chlorine, ph = kind.pads
    assert (chlorine.analyte, chlorine.unit, chlorine.range, chlorine.blank) == ("free chlorine", "mg/L", (0, 10), True)
    assert (ph.analyte, ph.unit, ph.range, ph.blank) == ("pH", "pH", (6.2, 8.4), False)
    assert kind.pad("ph") is ph
    with pytest.raises(KeyError):
        kind.pad("iron")


def test_a_kind_may_tell_the_colours_of_its_pads() -> None:
    told = [[92.0, 2.0, 4.0], [60.0, 42.0, 4.0], [40.0, 42.0, 4.0]]
    kind = parse_kind(changed("pad.0.colours", told), where="demo.toml")
    path = kind_colours(kind)["a"]
    assert path[0].tolist() == told[0]
    assert path[-1].tolist() == told[-1]
    assert np.abs(path - [60.0, 42.0, 4.0]).sum(axis=1).min() < 1e-9
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).max() < 6
    assert parse_kind(kind_to_data(kind), where="again") == kind
    assert kind_colours(parse_kind(PLAIN, where="demo.toml")) == {}


def test_the_ultralow_kind_is_swirled_and_its_pad_is_not_square() -> None:
    kind = load_kind("clo2-ultralow")
    assert kind.dip.motion == "swirl"
    assert kind.dip.seconds == 2
    assert kind.pads[0].size_mm == (6.0, 5.5)


def test_a_file_loads_by_its_path_with_unknown_keys_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(tomli_w.dumps({**PLAIN, "colour_of_the_vial": "green"}), encoding="utf-8")
    kind = load_kind(path)
    assert load_kind(str(path)) == kind
    assert (kind.length_mm, kind.width_mm, kind.range) == (75.0, 5.5, (0.0, 5.0))
    assert kind.pads[0].size_mm == (5.0, 5.0)
    assert kind.pads[0].analyte == "iron"


def test_pads_are_put_in_order_from_the_tip() -> None:
    pads = [
        {"id": "far", "centre_mm": [20, 2.75], "size_mm": 5},
        {"id": "near", "centre_mm": [6, 2.75], "size_mm": 5, "target": 2},
    ]
    kind = parse_kind({**PLAIN, "pad": pads}, where="here")
    assert [pad.id for pad in kind.pads] == ["near", "far"]
    assert [pad.target for pad in kind.pads] == [2.0, None]


@each(
    ("field", "value", "named"),
    [
        ("name", None, "'name'"),
        ("analyte", 3, "'analyte'"),
        ("unit", "", "'unit'"),
        ("range", [5, 0], "'range'"),
        ("range", [0], "'range'"),
        ("range", [0, float("nan")], "'range'"),
        ("length_mm", "80", "'length_mm'"),
        ("length_mm", -80, "'length_mm'"),
        ("length_mm", 5, "'length_mm'"),
        ("width_mm", True, "'width_mm'"),
        ("pad", [], "'pad'"),
        ("pad", {"id": "a"}, "'pad'"),
        ("pad.0.id", None, "'pad[0].id'"),
        ("pad.0.centre_mm", [6], "'pad[0].centre_mm'"),
        ("pad.0.colours", [[92, 2, 4]], "'pad[0].colours'"),
        ("pad.0.colours", [[92, 2, 4], [120, 2, 4]], "'pad[0].colours'"),
        ("pad.0.colours", [[92, 2, 4], [60, 42]], "'pad[0].colours'"),
        ("pad.0.centre_mm", [2, 2.75], "'pad[0].centre_mm'"),
        ("pad.0.centre_mm", [6, 4], "'pad[0].centre_mm'"),
        ("pad.0.size_mm", 0, "'pad[0].size_mm'"),
        ("pad.0.size_mm", [5, "x"], "'pad[0].size_mm'"),
        ("pad.0.blank", "no", "'pad[0].blank'"),
        ("pad.0.target", "two", "'pad[0].target'"),
        ("pad.0.range", [1, 1], "'pad[0].range'"),
        ("dip", None, "'dip'"),
        ("dip.motion", "shake", "'dip.motion'"),
        ("dip.seconds", 0, "'dip.seconds'"),
        ("dip.read_until_s", 20, "'dip.read_until_s'"),
    ],
)
def test_an_error_names_the_file_and_the_field(field: str, value: object, named: str) -> None:
    with pytest.raises(KindFileError) as caught:
        parse_kind(changed(field, value), where="mine.toml")
    assert "mine.toml" in str(caught.value)
    assert named in str(caught.value)


def test_pads_of_one_id_or_in_one_place_are_refused() -> None:
    pad = PLAIN["pad"][0]
    with pytest.raises(KindFileError, match="different id"):
        parse_kind({**PLAIN, "pad": [pad, {**pad, "centre_mm": [20, 2.75]}]}, where="here")
    with pytest.raises(KindFileError, match="overlapping"):
        parse_kind({**PLAIN, "pad": [pad, {**pad, "id": "b", "centre_mm": [9, 2.75]}]}, where="here")


def test_a_missing_file_lists_the_shipped_kinds_and_a_broken_one_is_named(tmp_path: Path) -> None:
    with pytest.raises(KindFileError, match="clo2-wide"):
        load_kind("clo2-wid")
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"name = \xff")
    with pytest.raises(KindFileError, match=r"broken\.toml"):
        load_kind(broken)
    broken.write_text("name = [", encoding="utf-8")
    with pytest.raises(KindFileError, match=r"broken\.toml"):
        load_kind(broken)
    with pytest.raises(KindFileError):
        load_kind(tmp_path)
