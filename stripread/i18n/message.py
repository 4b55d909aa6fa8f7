"""What the program says to people: a template and what fills its places, put into words only where it is shown.

Whoever finds something out states it as a `Message`; whoever shows it is a `Reader`: language, units, and whether it
is read on a page or in a terminal. ``str()`` of a message is its English, as the terminal and the record have it.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, Protocol, cast, runtime_checkable

from stripread.i18n.catalogue import catalogue_of, decimal_sign
from stripread.i18n.one_line import on_one_line

__all__ = [
    "ENGLISH",
    "ByFace",
    "Clause",
    "Face",
    "InWords",
    "Joined",
    "Message",
    "Number",
    "Opening",
    "Reader",
    "Say",
    "Shown",
    "System",
    "Verbatim",
    "joined",
    "plural",
    "without_exponents",
]

System = Literal["metric", "us", "imperial"]
Face = Literal["terminal", "page"]


@runtime_checkable
class Shown(Protocol):
    """What puts itself into words for a reader."""

    def shown(self, reader: "Reader") -> str:
        """Return it in the reader's words."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """For whom something is put into words.

    Attributes
    ----------
    language : str
        A code of `catalogue.LANGUAGES`.
    units : str
        The system in which amounts are shown first.
    face : str
        ``page`` where no command of the terminal can be followed.
    """

    language: str = "en"
    units: System = "metric"
    face: Face = "terminal"

    def show(self, thing: object) -> str:
        """Return anything in the reader's words; names and what people typed stay as they are, on one line."""
        if isinstance(thing, Shown):
            return thing.shown(self)
        return self.digits(str(thing)) if isinstance(thing, float) else on_one_line(str(thing))

    def digits(self, number: str) -> str:
        """Return a number written in the English way with the reader's decimal sign."""
        sign, number = decimal_sign(self.language), without_exponents(number)
        return number if sign == "." else number.replace(".", sign)


ENGLISH = Reader()
Say = Callable[[object], str]  # what puts things into words for one reader: `Reader.show`


class InWords:
    """What is shown to readers; as a plain text it is English, as in the terminal and the record."""

    __slots__ = ()

    def __str__(self) -> str:
        """Return its English."""
        return self.shown(ENGLISH)

    def __format__(self, spec: str) -> str:
        """Set its English into a column."""
        return format(str(self), spec)

    def shown(self, reader: Reader) -> str:
        """Return it in the reader's words."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, init=False)
class Message(InWords):
    """A text with named places, such as ``Message("%(count)s photos of %(lot)s", count=3, lot="A7")``.

    Attributes
    ----------
    template : str
        English, with places of printf. It stands in the call as one literal, where Babel finds it. Without ``params`` a
        ``%`` is just that.
    params : tuple of (name, thing)
        What fills the places: names, numbers, amounts, dates, other messages. They keep their types.
    plural : str or None
        The template for any ``count`` but 1: see `plural`.
    """

    template: str
    params: tuple[tuple[str, object], ...]
    plural: str | None

    def __init__(self, template: str, /, **params: object) -> None:
        self._set(template, params, None)

    def _set(self, template: str, params: Mapping[str, object], plural: str | None) -> None:
        object.__setattr__(self, "template", template)
        object.__setattr__(self, "params", tuple(params.items()))
        object.__setattr__(self, "plural", plural)

    def shown(self, reader: Reader) -> str:
        """Return it in the reader's words; English where nobody translated it."""
        words, params = catalogue_of(reader.language), dict(self.params)
        if self.plural is None:
            text = words.gettext(self.template)
        else:
            text = words.ngettext(self.template, self.plural, cast(int, params["count"]))
        return text % {name: reader.show(thing) for name, thing in params.items()} if params else text

    def with_params(self, params: Mapping[str, object]) -> "Message":
        """Return it with other things in its places."""
        made = Message.__new__(Message)
        made._set(self.template, params, self.plural)
        return made


def plural(one: str, many: str, /, *, count: int, **params: object) -> Message:
    """Return a message whose words depend on a number of things, which fills the place ``count``."""
    made = Message.__new__(Message)
    made._set(one, {"count": count, **params}, many)
    return made


_EXPONENT = re.compile(r"(?<![\w.])-?\d(?:\.\d+)?e[+-]\d\d+(?![\w.])")
_MOST, _LEAST = 1e9, 1e-6  # beyond which an exponent is read more easily than the zeros. Ours


def without_exponents(text: str) -> str:
    """Return a text whose numbers are written out: 1170 for 1.17e+03."""
    return _EXPONENT.sub(_written_out, text) if "e" in text else text


def _written_out(found: "re.Match[str]") -> str:
    return format(Decimal(found[0]), "f") if _LEAST <= abs(float(found[0])) < _MOST else found[0]


@dataclass(frozen=True, slots=True)
class Number(InWords):
    """A number with the digits that people are to see: ``spec`` is one of `format`; its exponents are written out."""

    value: float
    spec: str = ""

    def __str__(self) -> str:
        """Return it in the English way."""
        return without_exponents(format(self.value, self.spec))

    def shown(self, reader: Reader) -> str:
        """Return it with the reader's decimal sign."""
        return reader.digits(str(self))


@dataclass(frozen=True, slots=True)
class Verbatim(InWords):
    """A text that is shown as it is: somebody wrote it, or an entry of the record from before has it."""

    text: str

    def __str__(self) -> str:
        """Return it."""
        return self.text

    def shown(self, reader: Reader) -> str:
        """Return it, in any language."""
        return self.text


@dataclass(frozen=True, slots=True)
class Joined(InWords):
    """Several things in a row: sentences, or the items of a list; ``last`` stands before the last one."""

    parts: tuple[object, ...]
    separator: str = " "
    last: Message | None = None

    def shown(self, reader: Reader) -> str:
        """Return all parts in the reader's words."""
        words = [reader.show(part) for part in self.parts]
        if self.last is None or len(words) < 2:
            return self.separator.join(words)
        return f"{self.separator.join(words[:-1])} {self.last.shown(reader)} {words[-1]}"


def joined(things: Iterable[object], last: Message | None = None) -> Joined:
    """Return a list of things: A, B, C; with ``last``: A, B and C."""
    return Joined(tuple(things), ", ", last)


@dataclass(frozen=True, slots=True)
class Clause(InWords):
    """A sentence within another one: without its capital and its full stop."""

    sentence: Message

    def shown(self, reader: Reader) -> str:
        """Return it in the reader's words."""
        words = self.sentence.shown(reader)
        return f"{words[:1].lower()}{words[1:].rstrip('.')}"


@dataclass(frozen=True, slots=True)
class Opening(InWords):
    """Words at the beginning of a sentence: with a capital."""

    words: Shown

    def shown(self, reader: Reader) -> str:
        """Return them in the reader's words."""
        words = self.words.shown(reader)
        return f"{words[:1].upper()}{words[1:]}"


@dataclass(frozen=True, slots=True)
class ByFace(InWords):
    """Words that differ by where they are read: a page has buttons where the terminal has commands and paths."""

    terminal: Message
    page: Message

    def shown(self, reader: Reader) -> str:
        """Return those of the reader's face."""
        return (self.page if reader.face == "page" else self.terminal).shown(reader)
