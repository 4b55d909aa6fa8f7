"""Reads test strips from a phone photo with a printed reference card.

>>> from stripread import check_reading, load_card, load_kind, load_lot, load_site, open_photo, read_strip

The names are those of the commands; each is imported when it is first used, so that ``import stripread`` is quick.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "StripReadError": "errors",
    "calibrate_lot": "calibrate.lot_from_series",
    "check_reading": "check",
    "check_replicates": "check",
    "combine_readings": "read",
    "design_card": "card",
    "draw_card": "card",
    "enrol_card": "card",
    "join_lot": "calibrate.lot_from_series",
    "load_card": "card",
    "load_kind": "strip.kinds",
    "load_lot": "lot.lot",
    "load_series": "calibrate.series",
    "load_site": "site",
    "measure_card": "measure",
    "open_photo": "photo.load",
    "open_records": "records",
    "read_strip": "read",
    "save_card": "card",
    "save_lot": "lot.lot",
}

__all__ = [
    "StripReadError",
    "__version__",
    "calibrate_lot",
    "check_reading",
    "check_replicates",
    "combine_readings",
    "design_card",
    "draw_card",
    "enrol_card",
    "join_lot",
    "load_card",
    "load_kind",
    "load_lot",
    "load_series",
    "load_site",
    "measure_card",
    "open_photo",
    "open_records",
    "read_strip",
    "save_card",
    "save_lot",
]


def __getattr__(name: str) -> Any:
    """Import a public name from its module (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
