"""Reading TOML files that people write: a table whose errors name the file and the field at fault."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np

from stripread.errors import StripReadError
from stripread.files.json_text import LARGEST
from stripread.geometry import Float
from stripread.i18n import Message, Number, Shown, Verbatim, on_one_line

__all__ = ["TomlTable", "is_number", "read_toml"]


def read_toml(path: Path, *, what: Shown, error: type[StripReadError]) -> dict[str, Any]:
    """Return what a file of TOML says; a byte order mark at its start is no fault.

    Parameters
    ----------
    what : Shown
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
    except RecursionError as problem:
        raise _no_toml(what, path, error, Message("values nested more deeply than in any file of ours")) from problem
    except (OSError, ValueError) as problem:  # UnicodeDecodeError and TOMLDecodeError are ValueErrors
        raise _no_toml(what, path, error, Verbatim(on_one_line(str(problem)))) from problem


def _no_toml(what: Shown, path: Path, error: type[StripReadError], found: Shown) -> StripReadError:
    return error(
        expected=Message("%(what)s in TOML at %(path)s", what=what, path=path),
        found=found,
        remedy=Message("Mend or replace the file."),
    )


def is_number(value: object) -> TypeGuard[int | float]:
    """Tell whether a value of TOML is a number that a quantity may have; true and false are none, nor is 1e308."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST


def _number_from(least: float, most: float) -> Message:
    if most < math.inf:
        return Message("a number from %(low)s to %(high)s", low=Number(least, "g"), high=Number(most, "g"))
    if least > -math.inf:
        return Message("a number of at least %(least)s", least=Number(least, "g"))
    return Message("a number")


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

    def wrong(self, key: str, expected: Shown, found: object = None) -> StripReadError:
        """Return the error of a field; without ``found`` it shows the value that stands there."""
        if found is None:
            found = Verbatim(repr(self.data[key])[:200]) if key in self.data else Message("nothing")
        field = repr(self.prefix + key)
        return self.error(
            expected=Message("%(expected)s for %(field)s in %(file)s", expected=expected, field=field, file=self.where),
            found=found if isinstance(found, Shown) else Verbatim(str(found)),
            remedy=Message("Correct this field."),
        )

    def no_other_keys(self, known: set[str]) -> None:
        """Refuse a misspelt key: ``strog = true`` must not pass in silence."""
        for key in self.data:
            if key not in known:
                keys = ", ".join(sorted(known))
                table = self.prefix.rstrip(".")
                raise self.error(
                    expected=Message(
                        "one of %(keys)s under [%(table)s] in %(file)s", keys=keys, table=table, file=self.where
                    )
                    if table
                    else Message("one of %(keys)s in %(file)s", keys=keys, file=self.where),
                    found=Verbatim(repr(key)),
                    remedy=Message("Correct or remove this key."),
                )

    def text(self, key: str) -> str:
        """Return a text that is not empty, without space around it."""
        value = self.data.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(key, Message("a text"))
        return value.strip()

    def truth(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self.data.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, Message("true or false"))
        return value

    def number(self, key: str, *, least: float = -math.inf, most: float = math.inf) -> float:
        """Return a finite number within bounds."""
        value = self.data.get(key)
        if not is_number(value) or not least <= value <= most:
            raise self.wrong(key, _number_from(least, most))
        return float(value)

    def positive(self, key: str) -> float:
        """Return a number over 0."""
        value = self.data.get(key)
        if not is_number(value) or value <= 0:
            raise self.wrong(key, Message("a positive number"))
        return float(value)

    def pair(self, key: str, expected: Shown) -> tuple[float, float]:
        """Return two numbers."""
        value = self.data.get(key)
        if not isinstance(value, list) or len(value) != 2 or not all(map(is_number, value)):
            raise self.wrong(key, expected)
        return float(value[0]), float(value[1])

    def span(self, key: str, *, least: float = -math.inf) -> tuple[float, float]:
        """Return two numbers, the lower one first."""
        low, high = self.pair(key, Message("two numbers [low, high]"))
        if not least <= low < high:
            if least == -math.inf:
                raise self.wrong(key, Message("two numbers [low, high] with low < high"))
            raise self.wrong(
                key, Message("two numbers [low, high] with %(least)s <= low < high", least=Number(least, "g"))
            )
        return low, high

    def numbers(self, key: str, shape: tuple[int, ...]) -> Float:
        """Return an array of finite numbers of a shape."""
        try:
            array = np.array(self.data.get(key), dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            array = np.empty(0)
        if array.shape != shape or not (np.abs(array) <= LARGEST).all():
            raise self.wrong(key, Message("numbers of shape %(shape)s", shape=shape))
        return array

    def table(self, key: str, expected: Shown) -> "TomlTable":
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
            raise self.wrong(
                key,
                (
                    Message("at least %(least)s tables [[%(key)s]]", least=least, key=key)
                    if least > 1
                    else Message("at least %(least)s table [[%(key)s]]", least=least, key=key)
                ),
                found,
            )
        return [TomlTable(one, self.where, self.error, f"{self.prefix}{key}[{i}].") for i, one in enumerate(value)]
