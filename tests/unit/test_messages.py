"""What the program says: a template and what fills it, shown to a reader; and that every template is whole."""

import ast
import re
from pathlib import Path

import pytest

from stripread.errors import StripReadError
from stripread.findings import REGISTRY
from stripread.i18n import ByFace, Clause, Joined, Message, Number, Opening, Reader, Verbatim, joined, plural
from stripread.i18n.translations import gather
from stripread.units import Volume, findings_of, kept_message, kept_shown
from stripread.units.kept import message_of

SPANISH = Reader(language="es")
PACKAGE = Path(__file__).parents[2] / "stripread"
PLACE = re.compile(r"%\((\w+)\)s")


def calls() -> list[tuple[str, ast.Call]]:
    """Return every message that the program is written with, and where it stands."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("Message", "plural"):
                found.append((f"{path.relative_to(PACKAGE)}:{node.lineno}", node))
    return found


def templates(call: ast.Call) -> list[str]:
    return [arg.value for arg in call.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]


def test_every_place_of_a_template_is_filled_and_nothing_else_is_given() -> None:
    wrong = []
    for where, call in calls():
        if any(keyword.arg is None for keyword in call.keywords):
            continue  # filled from a dictionary: read elsewhere
        given = {keyword.arg for keyword in call.keywords}
        places = {place for template in templates(call) for place in PLACE.findall(template)}
        if templates(call) and places != given:
            wrong.append(f"{where}: {sorted(places ^ given)}")  # type: ignore[type-var]
    assert not wrong, "\n".join(wrong)


def test_a_per_cent_sign_is_doubled_where_there_are_places_and_only_there() -> None:
    wrong = []
    for where, call in calls():
        for template in templates(call):
            rest = PLACE.sub("", template)
            if PLACE.search(template) and "%" in rest.replace("%%", ""):
                wrong.append(f"{where}: {template}")
            if not PLACE.search(template) and "%%" in template:
                wrong.append(f"{where}: {template}")
    assert not wrong, "\n".join(wrong)


def test_the_extractor_finds_every_message_of_the_modules() -> None:
    known = {str(one.id[0] if isinstance(one.id, tuple) else one.id) for one in gather()}
    lost = [f"{where}: {t}" for where, call in calls() for t in templates(call)[:1] if t not in known]
    lost = [one for one in lost if not one.startswith("cli/")]  # of commands alone: English
    assert not lost, "\n".join(lost)


def test_english_is_what_the_template_says() -> None:
    said = Message("%(count)s photos of %(lot)s, %(share)s %% dark", count=3, lot="A7", share=Number(12.34, ".1f"))
    assert str(said) == "3 photos of A7, 12.3 % dark"
    assert str(Message("100 % of it")) == "100 % of it"


def test_numbers_have_the_readers_decimal_sign_and_names_stay() -> None:
    said = Message("%(low)s to %(high)s", low=Number(0.25, ".2f"), high=Joined((Number(1.5, "g"), "mg/L")))
    assert str(said) == "0.25 to 1.5 mg/L"
    assert said.shown(SPANISH) == "de 0,25 a 1,5 mg/L"
    assert SPANISH.show("bench 1.5") == "bench 1.5"  # somebody's name


def test_amounts_come_in_the_readers_units() -> None:
    said = Message("%(volume)s of %(batch)s", volume=Volume(37.854), batch="S-1")
    assert str(said) == "37.85 L of S-1"
    assert said.shown(Reader(units="us")) == "10 US gal (37.9 L) of S-1"


def test_a_number_of_things_has_its_own_words() -> None:
    assert [str(plural("%(count)s day", "%(count)s days", count=n)) for n in (1, 2)] == ["1 day", "2 days"]
    assert plural("%(count)s day", "%(count)s days", count=2).shown(SPANISH) == "2 días"


def test_a_page_shows_no_command() -> None:
    wrong = []
    for kind in REGISTRY.values():
        for said in (kind.meaning, kind.advice):
            if "stripread " in said.shown(Reader(face="page")):
                wrong.append(f"{kind.code}: {said}")
    assert not wrong, "\n".join(wrong)


def test_lists_clauses_and_openings() -> None:
    assert str(joined(["A", "B", "C"], Message("and"))) == "A, B and C"
    assert str(Clause(Message("The card is not flat."))) == "the card is not flat"
    assert str(Opening(Message("under %(bound)s", bound="2"))) == "Under 2"


@pytest.mark.parametrize(
    "said",
    [
        Message("%(low)s to %(high)s", low=Number(1.0, "g"), high=Message("no end known")),
        plural("%(count)s day", "%(count)s days", count=2),
        Joined((Message("and"), "S-1", Volume(3.0)), ", ", Message("or")),
        ByFace(Message("Read it: stripread read."), Message("Read it.")),
        Clause(Message("The card is not flat.")),
        Opening(Message("never")),
        Verbatim("as written: 100 %"),
    ],
)
def test_what_is_kept_comes_back_as_it_was(said: Message) -> None:
    for reader in (Reader(), SPANISH, Reader(units="us", face="page")):
        assert kept_shown(kept_message(said)).shown(reader) == said.shown(reader)


def test_a_kept_template_that_says_something_else_than_the_record_is_not_shown() -> None:
    kept = kept_message(Message("%(low)s to %(high)s", low=Number(1.0, "g"), high="2"))
    assert message_of(kept, "1 to 2").shown(SPANISH) == "de 1 a 2"
    assert message_of(kept, "1 to 3").shown(SPANISH) == "1 to 3"
    assert message_of({"template": "%(low)s", "params": {}}, "as it was").shown(SPANISH) == "as it was"


def test_findings_of_before_are_shown_as_they_stand() -> None:
    said = {"code": "below_lod", "severity": "info", "message": "The pad is at 40 % of a blank.", "advice": "Wait."}
    (found,) = findings_of({"findings": [said]})
    assert (str(found.message), str(found.advice)) == (said["message"], said["advice"])


def test_each_error_has_a_title_in_its_own_words() -> None:
    def kinds(base: type[StripReadError]) -> list[type[StripReadError]]:
        return [base, *(kind for one in base.__subclasses__() for kind in kinds(one))]

    wrong = [kind.code for kind in kinds(StripReadError) if str(kind.title) != kind.code.replace("_", " ")]
    assert not wrong, ", ".join(wrong)


def test_findings_without_kept_messages_are_none_the_less_shown() -> None:
    """As an import or a correction may have it: fewer messages than findings, or something else in their place."""
    said = [{"code": "below_lod", "severity": "info", "message": f"Finding {n}.", "advice": "Wait."} for n in range(2)]
    kept = [{"message": kept_message(Message("Finding %(n)s.", n=0))}]
    for messages in (kept, [], None, ["what", 3], {"message": "what"}):
        found = findings_of({"findings": said, "messages": messages})
        assert [str(one.message) for one in found] == ["Finding 0.", "Finding 1."], messages
