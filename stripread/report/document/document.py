"""A report as plain parts - headings, words, tables, pictures - that are rendered as a web page or as a PDF alike."""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Alarm", "Document", "Figure", "Heading", "Items", "Part", "Table", "Words", "section_text"]


@dataclass(frozen=True, slots=True)
class Heading:
    """The heading of a section (level 2) or of a part of it (3)."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph; a small one explains."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True)
class Alarm:
    """A framed paragraph that must not be missed."""

    text: str


@dataclass(frozen=True, slots=True)
class Items:
    """A list of paragraphs, numbered where their order matters."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table of words.

    Attributes
    ----------
    heads : sequence of str
    rows : sequence of sequences of str
        Each as long as ``heads``.
    widths : sequence of float
        Shares of the columns in the page's width.
    numbers : frozenset of int
        Columns that hold numbers, set to the right.
    """

    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture as PNG, with what it shows in words; ``size`` in inches."""

    png: bytes
    words: str
    size: tuple[float, float]


def section_text(document: "Document") -> str:
    """Return the words of a document's first section, for a terminal."""
    lines: list[str] = []
    for part in document.parts[1:]:
        match part:
            case Heading():
                break
            case Words(text) | Alarm(text):
                lines.append(text)
            case Items(items):
                lines += [f"  {number}. {item}" for number, item in enumerate(items, start=1)]
    return "\n".join([f"{document.title}, {document.subtitle}", *lines])


Part = Heading | Words | Alarm | Items | Table | Figure


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report; ``footer`` stands on each page of a PDF, beside the word ``page`` and its number."""

    title: str
    subtitle: str
    parts: tuple[Part, ...]
    footer: str
    page: str = "page"
    language: str = "en"
