"""Gathers every message of the page into the catalogues of other languages: ``make translations``.

From the templates by Babel; from the modules below by their syntax tree: texts that reach the page from outside the
templates. An f-string becomes a message with places to fill, as `stripread.i18n.phrases` explains.
"""

import ast
import sys
from collections.abc import Iterator
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from stripread.errors import StripReadError
from stripread.findings import REGISTRY
from stripread.i18n.catalogue import COMPOSED, NUMBERS
from stripread.i18n.phrases import PHRASES
from stripread.report.words import headline_of
from stripread.web.spoken import Message, asked_to_say, said, said_to_users

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = ["NOT_ON_A_PAGE", "ROOMS", "brought_up_to_date", "gather", "main", "untranslated"]

# Rooms whose words reach a page: all that they give as an argument that people read, and of some every sentence.
ROOMS = (
    "*.py", "units/*.py", "water/*.py", "colour/*.py", "photo/*.py", "card/*.py", "strip/*.py", "lot/*.py",
    "measure/*.py", "site/*.py", "read/*.py", "calibrate/*.py", "check/*.py", "records/**/*.py", "workflow/*.py",
    "web/**/*.py",
)  # fmt: skip
# But of commands alone, or of files that somebody wrote or mends on the machine itself: these stay English.
NOT_ON_A_PAGE = {
    "measure/vial.py", "calibrate/lot_from_vial.py", "calibrate/lot_from_series.py", "site/site.py",
    "card/draw.py", "card/figure.py", "card/layout.py", "card/markers.py",
    "card/slot.py", "lot/compare.py", "lot/lot.py", "lot/record.py", "calibrate/series.py", "strip/kinds.py",
    "records/chain/canonical.py", "records/chain/chain.py", "records/chain/files.py", "records/chain/head.py",
    "records/correct.py", "records/exchange/archive.py", "records/exchange/tabular.py", "workflow/reread.py",
    "water/chlorine.py",
    "water/decay.py", "water/line.py", "water/vapour.py", "water/sachet.py", "web/translations.py", "web/spoken.py",
    "i18n/phrases.py", "i18n/catalogue.py", "toml_file.py",
}  # fmt: skip
_WHOLE = {
    "units/inputs.py", "units/quantities.py", "card/cgats.py", "card/enrol.py", "card/measurement.py",
    "calibrate/pad.py", "calibrate/plan.py", "lot/verify.py", "records/chain/verify.py",
    "water/dilution.py", "water/generation.py", "records/chain/entries.py", "workflow/history.py",
    "records/queries/today.py", "photo/load.py", "photo/header.py", "strip/find.py",
    "strip/decide.py",
}  # fmt: skip
_REPORTS = {"report/words.py", "report/terminal/water_batch.py"}  # labels of facts too
# Names inside the program, what it says to a database, and parts of sentences that are listed whole below.
_NO_WORDS = {
    "find card", "find strip", "a photo without a correction is refused",
    "imperial", "mega", "us unless told", "metric", "srgb", "BEGIN", "BEGIN IMMEDIATE",
    "SET LOCAL lock_timeout = %(busy_s)s", "leave its photo out below, which the lot file records",
    "leave its photos out below",
    "Plan it again, with the levels where the pad bleaches or turns back as far above the range",
}  # fmt: skip
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
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    # kinds of entries, and what may be wrong with the record
    "reading", "batch", "point", "note", "injector setting", "check standard", "card print", "account", "calibration",
    "changed", "removed", "inserted", "cut off", "rewritten", "file changed", "file removed", "narrow table",
    "head missing", "check lost",
    # places on the card; how things are listed
    "top", "bottom", "left", "right", "middle", "top left", "top right", "bottom left", "bottom right", "and",
    "unknown", "the check standard", "no point", "invented for the demo nursery", "a solution",
    "root-polynomial", "spectral", "linear",
    # what the page says in place of options of the command line (`fitting.py`)
    "Look at that photo; dip and photograph the strip again, or leave its photo out below, which the lot file records.",
    "Check that dilution and its label; make it again, or leave its photos out below.",
    "Plan it again, with the levels where the pad bleaches or turns back as far above the range.",
    "Or leave it out below.",
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
    for where, one in _outside(root):
        notes = [COMPOSED, *([NUMBERS + " ".join(one.numbers)] if one.numbers else [])] if one.composed else []
        flags = ["python-format"] if one.has_places else []
        found.add(one.text, locations=[(where, 0)], auto_comments=notes, flags=flags)
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
    for path in sorted(Path(str(resources.files("stripread.i18n") / "locale")).glob("*.po")):
        written, catalog = brought_up_to_date(path)
        path.write_bytes(written)
        left = untranslated(catalog)
        missing += len(left)
        sys.stderr.writelines(f"{path.name}: not translated: {text}\n" for text in left)
    return 1 if missing else 0


def _outside(root: Path) -> Iterator[tuple[str, Message]]:
    yield from ((where, Message(text)) for where, text in _listed())
    for path in sorted(root.glob("report/**/*.py")):
        said_there = asked_to_say(ast.parse(path.read_text("utf-8")))
        yield from ((path.relative_to(root).as_posix(), one) for one in said_there)
    for path in sorted({path for room in ROOMS for path in root.glob(room)} | {root / name for name in _REPORTS}):
        name, source = path.relative_to(root).as_posix(), path.read_text("utf-8")
        if name in NOT_ON_A_PAGE or name.startswith("cli/"):
            continue
        tree = ast.parse(source)
        if name in _WHOLE | _REPORTS or name.startswith("web/") or "make_finding(" in source:
            told = said(tree, choices=not name.startswith("web/"), labels=name in _REPORTS)
            yield from ((name, one) for one in told if one.text not in _NO_WORDS)
        yield from ((name, one) for one in said_to_users(tree))


def _listed() -> Iterator[tuple[str, str]]:
    """Return what is said by tables of the program and by the lists of this module."""
    for kind in REGISTRY.values():
        yield "findings.py", kind.meaning
        yield "findings.py", kind.advice
    for states in _STATES:
        words = headline_of("valid", states).words
        yield "report/words.py", words
        yield "report/words.py", headline_of("doubtful", states).words.partition(": ")[2]
    yield "report/words.py", headline_of("invalid", set()).words
    yield "report/words.py", headline_of("valid", {"within"}, set(REGISTRY)).words
    for error in sorted(_errors(StripReadError)):
        yield "errors.py", error
    yield from (("i18n/phrases.py", phrase) for phrase in PHRASES)
    yield from (("web/translations.py", word) for word in _SINGLE)
    from stripread.calibrate.pad import LOD_DEFINITION, LOQ_DEFINITION
    from stripread.check.verdict import CAUTION

    yield "check/verdict.py", CAUTION
    yield "calibrate/pad.py", LOD_DEFINITION
    yield "calibrate/pad.py", LOQ_DEFINITION


def _errors(base: type[StripReadError]) -> set[str]:
    return {base.code.replace("_", " ")}.union(*(_errors(kind) for kind in base.__subclasses__()))


if __name__ == "__main__":
    raise SystemExit(main())
