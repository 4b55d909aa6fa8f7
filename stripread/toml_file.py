"""Reading TOML files that people write: a table whose errors name the file and the field at fault."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np

from stripread.errors import StripReadError
from stripread.geometry import Float

__all__ = ["TomlTable", "is_number", "read_toml"]


def read_toml(path: Path, *, what: str, error: type[StripReadError]) -> dict[str, Any]:
    """Return what a file of TOML says; a byte order mark at its start is no fault.

    Parameters
    ----------
    what : str
        What the file should be, with its article, as in "a card layout file".

    Raises
    ------
    FileNotFoundError
        If there is none: what could be meant instead, the caller knows.
    error
        If it cannot be read or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as problem:  # UnicodeDecodeError and TOMLDecodeError are ValueErrors
        raise error(
            expected=f"{what} in TOML at {path}", found=str(problem), remedy="Mend or replace the file."
        ) from problem


def is_number(value: object) -> TypeGuard[int | float]:
    """Tell whether a value of TOML is a finite number; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


@dataclass(frozen=True, slots=True)
class TomlTable:
    """A table of a file, with what names its fields in errors.

    Parameters
    ----------
    where : str
        The file.
    prefix : str
        What stands before the keys of this table to name them in the file, as in ``pad[0].``.
    """

    data: Mapping[str, Any]
    where: str
    error: type[StripReadError]
    prefix: str = ""

    def wrong(self, key: str, expected: str, found: object = None) -> StripReadError:
        """Return the error of a field; without ``found`` it shows the value that stands there."""
        if found is None:
            found = repr(self.data[key])[:200] if key in self.data else "nothing"
        return self.error(
            expected=f"{expected} for {self.prefix + key!r} in {self.where}",
            found=str(found),
            remedy="Correct this field.",
        )

    def no_other_keys(self, known: set[str]) -> None:
        """Refuse a misspelt key: ``strog = true`` must not pass in silence."""
        for key in self.data:
            if key not in known:
                under = f"under [{self.prefix.rstrip('.')}] in" if self.prefix else "in"
                raise self.error(
                    expected=f"one of {', '.join(sorted(known))} {under} {self.where}",
                    found=repr(key),
                    remedy="Correct or remove this key.",
                )

    def text(self, key: str) -> str:
        """Return a text that is not empty, without space around it."""
        value = self.data.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(key, "a text")
        return value.strip()

    def truth(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self.data.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, "true or false")
        return value

    def number(self, key: str, *, least: float = -math.inf, most: float = math.inf) -> float:
        """Return a finite number within bounds."""
        value = self.data.get(key)
        if not is_number(value) or not least <= value <= most:
            bounds = f" from {least:g} to {most:g}" if most < math.inf else ""
            raise self.wrong(key, f"a number{bounds or (f' of at least {least:g}' if least > -math.inf else '')}")
        return float(value)

    def positive(self, key: str) -> float:
        """Return a number over 0."""
        value = self.data.get(key)
        if not is_number(value) or value <= 0:
            raise self.wrong(key, "a positive number")
        return float(value)

    def pair(self, key: str, expected: str) -> tuple[float, float]:
        """Return two numbers."""
        value = self.data.get(key)
        if not isinstance(value, list) or len(value) != 2 or not all(map(is_number, value)):
            raise self.wrong(key, expected)
        return float(value[0]), float(value[1])

    def span(self, key: str, *, least: float = -math.inf) -> tuple[float, float]:
        """Return two numbers, the lower one first."""
        low, high = self.pair(key, "two numbers [low, high]")
        if not least <= low < high:
            bound = f"{least:g} <= " if least > -math.inf else ""
            raise self.wrong(key, f"two numbers [low, high] with {bound}low < high")
        return low, high

    def numbers(self, key: str, shape: tuple[int, ...]) -> Float:
        """Return an array of finite numbers of a shape."""
        try:
            array = np.array(self.data.get(key), dtype=np.float64)
        except (TypeError, ValueError):
            array = np.empty(0)
        if array.shape != shape or not np.isfinite(array).all():
            raise self.wrong(key, f"numbers of shape {shape}")
        return array

    def table(self, key: str, expected: str) -> "TomlTable":
        """Return a table in this one."""
        value = self.data.get(key)
        if not isinstance(value, Mapping):
            raise self.wrong(key, expected)
        return TomlTable(value, self.where, self.error, f"{self.prefix}{key}.")

    def tables(self, key: str, *, least: int) -> "list[TomlTable]":
        """Return the tables ``[[key]]``."""
        value = self.data.get(key)
        if not isinstance(value, list) or len(value) < least or not all(isinstance(one, Mapping) for one in value):
            found = f"{len(value)} of them" if isinstance(value, list) and value else None
            raise self.wrong(key, f"at least {least} table{'s' if least > 1 else ''} [[{key}]]", found)
        return [TomlTable(one, self.where, self.error, f"{self.prefix}{key}[{i}].") for i, one in enumerate(value)]
