"""Gathers every message of the page into the catalogues of other languages: ``make translations``.

From the templates by Babel; from the modules below by their syntax tree: texts that reach the page from outside the
templates. An f-string becomes a message with places to fill, as ``phrases.py`` explains.
"""

import ast
import re
import sys
from collections.abc import Iterator
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from stripread.errors import StripReadError
from stripread.findings import REGISTRY
from stripread.report.words import headline_of
from stripread.web.phrases import PHRASES
from stripread.web.words import COMPOSED

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = ["brought_up_to_date", "gather", "main", "untranslated"]

# What people read of errors and tasks: these arguments, where they are fixed texts.
_SPOKEN = ("remedy", "advice", "matter", "expected", "found")
_MODULES = (
    "photo/load.py", "photo/quality.py", "card/find.py", "strip/find.py", "strip/pads.py", "colour/correct.py",
    "measure.py", "flash.py", "reading.py", "quantities.py", "check/rules.py", "check/history_rules.py",
    "records/today.py", "web/*.py",
)  # fmt: skip
# Every text of these, those with numbers in them too.
_WHOLE = ("report/water_batch.py", "records/today.py")
_SENTENCES = ("check/expected.py",)  # what has no numbers in it
_PLACE = r"%\(\w+\)s"
_NO_NAME = r"tell|scaled|system|if|else|max|date|iso"  # words of an expression that do not name what it gives
_STATES: tuple[set[str | None], ...] = ({"above", "below"}, {"above"}, {"below"}, {"undecided"}, {"within"}, set())
_SINGLE = (
    # who, how a reading is judged, what a batch is and how it is kept, what happens to a point
    "technician", "supervisor", "grower", "valid", "doubtful", "invalid", "above", "below", "undecided",
    "above and below", "concentrate", "stock", "top-up",
    "open", "covered", "sealed", "lot", "injector", "no number", "as the findings say",
    "no end found within the lot's curve", "✔ agrees", "▲ DIFFERS",
    # what the demo site and the strips measure and sample
    "chlorine dioxide", "source", "line", "return", "tap", "free chlorine", "no end known",
    # why no strip was found
    "no pair of long edges", "nothing that differs from the slot's ground along its length", "wide", "long",
    # of the reading queue
    "NOT READ: the reader failed on this photo",
)  # fmt: skip


def gather() -> "Catalog":
    """Return a catalogue of all messages, without translations."""
    from babel.messages.catalog import Catalog
    from babel.messages.extract import extract_from_dir

    found = Catalog(project="stripread")
    root = Path(str(resources.files("stripread")))
    for name, _, message, comments, _ in sorted(
        extract_from_dir(str(root / "web" / "templates"), [("**.html", "jinja2")], {"**.html": {"encoding": "utf-8"}})
    ):
        found.add(message, locations=[(f"web/templates/{name}", 0)], auto_comments=comments)
    for where, text in _outside(root):
        composed = "%(" in text
        found.add(
            text, locations=[(where, 0)], auto_comments=[COMPOSED] if composed else [],
            flags=["python-format"] if composed else [],
        )  # fmt: skip
    return found


def untranslated(catalog: "Catalog") -> list[str]:
    """Return the messages that have no translation, or one that is only guessed."""
    return [str(message.id) for message in catalog if message.id and (message.fuzzy or not message.string)]


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
_HEADER = """# The page of stripread; `make translations` keeps its messages up to date.
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
    for path in sorted(Path(str(resources.files("stripread.web") / "locale")).glob("*.po")):
        written, catalog = brought_up_to_date(path)
        path.write_bytes(written)
        left = untranslated(catalog)
        missing += len(left)
        sys.stderr.writelines(f"{path.name}: not translated: {text}\n" for text in left)
    return 1 if missing else 0


def _outside(root: Path) -> Iterator[tuple[str, str]]:
    for kind in REGISTRY.values():
        yield "findings.py", kind.meaning
        yield "findings.py", kind.advice
    for states in _STATES:
        words = headline_of("valid", states).words
        yield "report/words.py", words
        yield "report/words.py", headline_of("doubtful", states).words.partition(": ")[2]
    yield "report/words.py", headline_of("invalid", set()).words
    for error in sorted(_errors(StripReadError)):
        yield "errors.py", error
    yield from (("web/phrases.py", phrase) for phrase in PHRASES)
    yield from (("web/translations.py", word) for word in _SINGLE)
    for pattern in _MODULES:
        for path in sorted(root.glob(pattern)):
            yield from ((str(path.relative_to(root)), text) for text in _spoken(ast.parse(path.read_text("utf-8"))))
    for name in ("report/words.py", *_SENTENCES, *_WHOLE):
        tree = ast.parse((root / name).read_text("utf-8"))
        for text in _bounds(tree) if name == "report/words.py" else _whole(tree):
            if name not in _SENTENCES or "%(" not in text:
                yield name, text
    from stripread.check.verdict import CAUTION
    from stripread.lot.calibrate import LOD_DEFINITION, LOQ_DEFINITION

    yield "check/verdict.py", CAUTION
    yield "lot/calibrate.py", LOD_DEFINITION
    yield "lot/calibrate.py", LOQ_DEFINITION


def _errors(base: type[StripReadError]) -> set[str]:
    return {base.code.replace("_", " ")}.union(*(_errors(kind) for kind in base.__subclasses__()))


def _spoken(tree: ast.Module) -> Iterator[str]:
    """Return fixed texts given as one of the spoken arguments, by their name where a module names them."""
    named = {
        target.id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets
        if isinstance(target, ast.Name) and isinstance(node.value.value, str)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.keyword) and node.arg in _SPOKEN:
            for value in ast.walk(node.value):
                if isinstance(value, ast.JoinedStr):
                    text = _pattern(value)
                    if len(re.findall(r"[A-Za-z]{3,}", re.sub(_PLACE, "", text))) > 1 and ")s%(" not in text:
                        yield text.strip()  # with less in it, it would fit too much
                if isinstance(value, ast.JoinedStr | ast.Call):
                    break
                if (
                    isinstance(value, ast.Constant)
                    and isinstance(value.value, str)
                    and value.value.strip() == value.value != ""
                ):
                    yield value.value
                elif isinstance(value, ast.Name) and value.id in named:
                    yield named[value.id]


def _bounds(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        if (
            isinstance(node, ast.Assign)
            and isinstance(node.value, ast.Dict)
            and ast.unparse(node.targets[0]) == "_BOUNDS"
        ):
            yield from (str(ast.literal_eval(value)) for value in node.value.values)


def _whole(tree: ast.Module) -> Iterator[str]:
    """Return every text of a module but its docstrings: sentences, labels of facts, and those with places."""
    docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    inner = {id(c) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for c in n.values}
    labels = {id(n.elts[0]) for n in ast.walk(tree) if isinstance(n, ast.Tuple) and len(n.elts) == 2}
    choices = {id(c) for n in ast.walk(tree) if isinstance(n, ast.IfExp) for c in (n.body, n.orelse)}
    for node in ast.walk(tree):
        if id(node) in docs | inner:
            continue
        if isinstance(node, ast.JoinedStr):
            text = _pattern(node)
            if re.search(r"[A-Za-z]{3,}", re.sub(_PLACE, "", text)):
                yield text.strip()
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value.strip()
            if "{" in text:  # a pattern of str.format: its places have no names
                continue
            sentence = re.search(r"[a-z]{2,} [a-z]", text)
            if sentence or (id(node) in labels | choices and re.fullmatch(r"[A-Za-z][A-Za-z ]{2,}", text)):
                yield text.replace("%", "%%") if "%(" in text else text


def _pattern(node: ast.JoinedStr) -> str:
    """Return an f-string as a message; its places are named after what fills them."""
    made = ""
    names: list[str] = []
    for value in node.values:
        if isinstance(value, ast.Constant):
            made += str(value.value).replace("%", "%%")
        elif isinstance(value, ast.FormattedValue):
            words = [w for w in re.findall(r"[a-z_]+", ast.unparse(value.value)) if len(w) > 2 and w[0] != "_"]
            name = next(
                (w for w in reversed(words) if not re.match(r"tell|scaled|system|if|else|max|date|iso", w)), "it"
            )
            name = name if name not in names else f"{name}_{len(names)}"
            names.append(name)
            made += f"%({name})s"
    return made


if __name__ == "__main__":
    raise SystemExit(main())
