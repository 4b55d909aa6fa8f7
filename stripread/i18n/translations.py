"""Brings the catalogues up to date: ``make translations``; tells what is still to be translated.

All messages are found by Babel's own extractors: those of the modules by the names `Message` and `plural`, those of the
page's templates by ``_``.
"""

import sys
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = ["brought_up_to_date", "gather", "main", "untranslated"]

_METHODS = [("**.py", "python"), ("**.html", "jinja2")]
# How the extractor knows a message; a template's second argument is its plural.
_KEYWORDS = {"Message": None, "plural": (1, 2), "_": None, "gettext": None, "ngettext": (1, 2)}


def gather() -> "Catalog":
    """Return a catalogue of all messages, without translations."""
    from babel.messages.catalog import Catalog
    from babel.messages.extract import extract_from_dir

    found = Catalog(project="stripread")
    root = Path(str(resources.files("stripread")))
    for name, _, message, comments, _ in sorted(
        extract_from_dir(str(root), _METHODS, {"**.html": {"encoding": "utf-8"}}, keywords=_KEYWORDS),
        key=lambda one: (one[0], one[1]),
    ):
        if Path(name).parts[0] != "cli":  # of commands alone: these stay English
            found.add(message, locations=[(name, 0)], auto_comments=comments)
    return found


def untranslated(catalog: "Catalog") -> list[str]:
    """Return the messages that have no translation, or one that is only guessed."""
    missing = []
    for message in catalog:
        words = message.string if isinstance(message.string, list | tuple) else [message.string]
        if message.id and (message.fuzzy or not all(words)):
            missing.append(str(message.id))
    return missing


def brought_up_to_date(path: Path) -> "tuple[bytes, Catalog]":
    """Return a catalogue's file with every message of today and no other; what was translated stays."""
    from babel.messages.pofile import read_po, write_po

    with path.open("rb") as file:
        catalog = read_po(file, locale=path.stem)
    catalog.update(gather(), no_fuzzy_matching=True)
    catalog.obsolete.clear()
    written = BytesIO()
    write_po(written, catalog, width=110, include_lineno=False, omit_header=True)
    return _HEADER.format(path.stem, catalog.plural_forms).encode("utf-8") + written.getvalue(), catalog


# No dates and names in it: the same messages give the same bytes.
_HEADER = """# The words of stripread; `make translations` keeps its messages up to date.
msgid ""
msgstr ""
"Language: {}\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"Plural-Forms: {}\\n"

"""


def main() -> int:
    """Bring the catalogues up to date; tells what is still to be translated."""
    missing = 0
    for path in sorted(Path(str(resources.files("stripread.i18n") / "locale")).glob("*.po")):
        written, catalog = brought_up_to_date(path)
        path.write_bytes(written)
        left = untranslated(catalog)
        missing += len(left)
        sys.stderr.writelines(f"{path.name}: not translated: {text}\n" for text in left)
    return 1 if missing else 0


if __name__ == "__main__":
    raise SystemExit(main())
