"""Broken lot, card, kind, site and series files end in StripReadError, never in anything else."""

import contextlib
import json
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stripread.calibrate import load_series
from stripread.card import load_card
from stripread.card.cgats import parse_cgats
from stripread.errors import StripReadError
from stripread.lot import load_lot
from stripread.site import load_site
from stripread.strip import load_kind
from stripread.water import load_sachet

ROOT = Path(__file__).parents[2]
LOT = (ROOT / "calibration" / "UL-2603" / "lot.json").read_bytes()
CARD = (ROOT / "calibration" / "card-print-a.toml").read_bytes()
KIND = (ROOT / "stripread" / "strip" / "kinds" / "chlorine-ph-duo.toml").read_bytes()
SACHET = (ROOT / "stripread" / "water" / "sachets" / "example.toml").read_bytes()
SITE = (ROOT / "calibration" / "site.toml").read_bytes()
SERIES = (ROOT / "calibration" / "CP-2602" / "series.csv").read_bytes()

quick = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
mutation = st.tuples(
    st.sampled_from(["cut", "flip", "insert", "swap"]),
    st.floats(0, 1),
    st.binary(min_size=1, max_size=6)
    | st.sampled_from([b"nan", b"-1e400", b"null", b'""', b"[]", b"{}", b"\n", b"\xff"]),
)


def mutate(data: bytes, change: tuple[str, float, bytes]) -> bytes:
    how, where, new = change
    at = int(where * (len(data) - 1))
    if how == "cut":
        return data[:at]
    if how == "flip":
        return data[:at] + new + data[at + len(new) :]
    if how == "insert":
        return data[:at] + new + data[at:]
    middle = len(data) // 2
    return data[middle:] + data[:middle]


def ends_well(load: Callable[[Path], object], path: Path) -> None:
    with contextlib.suppress(StripReadError):
        load(path)


@quick
@given(change=mutation)
def test_lot_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    path = tmp_path / "lot.json"
    path.write_bytes(mutate(LOT, change))
    ends_well(load_lot, path)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=True) | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@quick
@given(value=JSON, choice=st.integers(0, 10**6))
def test_lot_files_with_one_field_of_another_kind(tmp_path: Path, value: object, choice: int) -> None:
    data = json.loads(LOT)
    places: list[tuple[dict[str, object], str]] = []
    todo: list[object] = [data]
    while todo:
        here = todo.pop()
        if isinstance(here, dict):
            places += [(here, key) for key in here]
            todo += here.values()
        elif isinstance(here, list):
            todo += here[:3]
    table, key = places[choice % len(places)]
    table[key] = value
    path = tmp_path / "lot.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    ends_well(load_lot, path)


@quick
@given(change=mutation)
def test_card_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    path = tmp_path / "card.toml"
    path.write_bytes(mutate(CARD, change))
    ends_well(load_card, path)


@quick
@given(change=mutation)
def test_kind_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    path = tmp_path / "kind.toml"
    path.write_bytes(mutate(KIND, change))
    ends_well(load_kind, path)


@quick
@given(change=mutation)
def test_sachet_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    path = tmp_path / "sachet.toml"
    path.write_bytes(mutate(SACHET, change))
    ends_well(lambda file: load_sachet(str(file)), path)


@quick
@given(change=mutation)
def test_site_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    (tmp_path / "site.toml").write_bytes(mutate(SITE, change))
    ends_well(load_site, tmp_path)


@quick
@given(change=mutation)
def test_series_files(tmp_path: Path, change: tuple[str, float, bytes]) -> None:
    path = tmp_path / "series.csv"
    path.write_bytes(mutate(SERIES, change))
    ends_well(load_series, path)


@quick
@given(text=st.text(max_size=400))
def test_measurement_text(text: str) -> None:
    head = "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n"
    for whole in (text, head + text, head + text + "\nEND_DATA\n"):
        with contextlib.suppress(StripReadError):
            parse_cgats(whole, where="test")
