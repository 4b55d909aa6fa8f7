"""Reading JSON that a disk may have damaged or somebody edited: whatever is wrong is a `ValueError`."""

import json
from typing import Any

__all__ = ["LARGEST", "read_json"]

LARGEST = 1e30  # ours: of no quantity here; products of a few such numbers are still finite


def read_json(data: bytes | str, *, any_number: bool = False) -> Any:
    """Return what a text of JSON says; a byte order mark at its start is no fault.

    Parameters
    ----------
    any_number : bool
        Whether numbers that no quantity has are let through: NaN, infinity, 1e308.

    Raises
    ------
    ValueError
        If it is no JSON, is nested too deeply to be ours, or has such a number.
    """
    text = data.removeprefix("\ufeff") if isinstance(data, str) else data
    try:
        if any_number:
            return json.loads(text)
        return json.loads(text, parse_float=_float, parse_int=_int, parse_constant=_refuse)
    except RecursionError:
        raise ValueError("values nested more deeply than any file of this program") from None


def _float(text: str) -> float:
    value = float(text)
    return value if abs(value) <= LARGEST else _refuse(text)


def _int(text: str) -> int:
    value = int(text)
    return value if abs(value) <= LARGEST else _refuse(text)


def _refuse(text: str) -> Any:
    raise ValueError(f"the number {text[:40]}, which no quantity here has")
