"""What findings, plans and errors say, with their numbers, in another language: every text that the source can make."""

import ast
import itertools
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from importlib import resources
from pathlib import Path

import pytest
from made_readings import CLO2, CONCENTRATE, LINE, STOCK, made_pad, made_reading, over, pad_case, strip_case, under
from made_readings import wide_reading as wide

from stripread.check import history_rules, rules
from stripread.check.case import PadCase, StripCase
from stripread.check.expected import out_of_range, range_undecided
from stripread.check.history import Forecast, History, Line, PastReading, Point, Recipe
from stripread.check.replicates import check_replicates
from stripread.errors import StripReadError
from stripread.findings import REGISTRY
from stripread.i18n.catalogue import catalogue
from stripread.i18n.phrases import teller
from stripread.report.terminal.water_batch import dilution_answer, generation_answer, top_up_answer
from stripread.units import Measured, ParsedInputs
from stripread.water.dilution import dilute, top_up
from stripread.water.generation import expected_generation
from stripread.water.sachet import load_sachet
from stripread.web.calibration.fitting import ON_THE_PAGE
from stripread.web.translations import NOT_ON_A_PAGE, ROOMS

ROOT = Path(str(resources.files("stripread")))
# Words that no Spanish sentence has, and no name here.
ENGLISH = re.compile(
    r"\b(the|is|are|was|were|of|and|or|than|more|less|under|over|with|from|to|by|in|its|it|which|that|this|at|not|for"
    r"|about|lies|reads?|photo|strips?|card|pad|lot|days?|hours|minutes|has|have|be|what|below|above|risen|fallen)\b"
)
TELL = teller("es", catalogue("es"))


def left_english(text: str) -> bool:
    """Tell whether something of a text stays English: marked as such, or slipped through."""
    told = TELL(text)
    plain = re.sub(r"270 to 330|&#39;.*?&#39;|`.*?`|\(stripread [^)]*\)|stripread [a-z-]+( [a-z-]+)?|--\w+", "", told)
    return "<span" in told or ENGLISH.search(plain) is not None


class Samples:
    """Texts that an expression of a function can give, with made-up numbers and names in their places."""

    def __init__(self, function: ast.AST) -> None:
        self.given: dict[str, list[ast.expr]] = {}
        for node in ast.walk(function):
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                self.given.setdefault(node.targets[0].id, []).append(node.value)
            elif isinstance(node, ast.For) and isinstance(node.target, ast.Tuple) and isinstance(node.iter, ast.Tuple):
                for row, (index, name) in itertools.product(node.iter.elts, enumerate(node.target.elts)):
                    if isinstance(row, ast.Tuple) and isinstance(name, ast.Name):
                        self.given.setdefault(name.id, []).append(row.elts[index])

    def of(self, value: ast.expr) -> list[str]:
        """Return them; none where the expression is no text that can be seen."""
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            return [value.value]
        if isinstance(value, ast.BoolOp):
            return [text for one in value.values for text in self.of(one)]
        if isinstance(value, ast.IfExp):
            return [*self.of(value.body), *self.of(value.orelse)]
        if isinstance(value, ast.Name):
            given = self.given.pop(value.id, [])  # taken out meanwhile: a name may be made of itself
            texts = [text for one in given for text in self.of(one) if text]
            self.given[value.id] = given
            return texts
        if isinstance(value, ast.JoinedStr):
            parts = [self._part(part) for part in value.values]
            return ["".join(chosen) for chosen in itertools.islice(itertools.product(*parts), 40)]
        return []

    def _part(self, part: ast.expr) -> list[str]:
        if not isinstance(part, ast.FormattedValue):
            return self.of(part)
        if part.format_spec is not None:
            return ["41%" if "%" in ast.unparse(part.format_spec) else "3.2"]
        source = ast.unparse(part.value)
        for where, sample in (
            ("plain_number(", "3.2"),
            ("two_digits(", "3.2"),
            (".seq", "12"),
            ("count", "12"),
            (".validity", "doubtful"),
        ):
            if where in source:
                return [sample]
        return self.of(part.value) or ["M4"]


def made_in_source() -> Iterator[tuple[str, str, list[str]]]:
    for path in sorted(ROOT.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        if "make_finding(" not in source or "cli" in path.parts:
            continue
        functions = [n for n in ast.parse(source).body if isinstance(n, ast.FunctionDef) and n.name != "make_finding"]
        for function, node in ((f, node) for f in functions for node in ast.walk(f)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "make_finding":
                yield f"{path.name}:{node.lineno}", ast.unparse(node.args[0]), Samples(function).of(node.args[1])


SOURCE = list(made_in_source())


def test_the_source_shows_every_kind_of_finding():
    codes = {code.strip("'") for _, code, _ in SOURCE} | {"card_covered", "patch_disagrees"}  # made by one loop
    assert codes - {"code"} == set(REGISTRY)


@pytest.mark.parametrize(("where", "texts"), [pytest.param(w, t, id=w) for w, _, t in SOURCE])
def test_every_message_that_the_source_can_make_is_told(where, texts):
    assert texts, f"{where}: the message must be an f-string, a text, or a name that one was given"
    assert [text for text in texts if left_english(text)] == []


def test_a_message_that_nobody_translated_would_be_found_out():
    made = ast.parse('def f(x):\n    yield make_finding("y", f"Seven {x} swans are {x:.2f} m long.")').body[0]
    (call,) = (node for node in ast.walk(made) if isinstance(node, ast.Call))
    assert [left_english(text) for text in Samples(made).of(call.args[1])] == [True]
    assert Samples(made).of(ast.parse("words(x)", mode="eval").body) == []


def arguments_in_source() -> Iterator[tuple[str, list[str]]]:
    """What errors and tasks are given, but for those of commands and of files that are mended on the machine."""
    for room in ROOMS:
        for path in sorted(ROOT.glob(room)):
            name = path.relative_to(ROOT).as_posix()
            if name in NOT_ON_A_PAGE or name.startswith("cli/"):
                continue
            for function in (n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.FunctionDef)):
                samples = Samples(function)
                for node in ast.walk(function):
                    if isinstance(node, ast.Call) and re.search(r"Error$|^Due$", ast.unparse(node.func)):
                        for given in node.keywords:
                            if given.arg in ("expected", "found", "remedy", "matter", "advice"):
                                texts = [text for text in samples.of(given.value) if re.search("[a-z]{2}", text)]
                                yield f"{name}:{node.lineno}", texts


def test_every_error_and_task_that_the_source_can_make_is_told():
    found = list(arguments_in_source())
    assert len(found) > 400
    assert [(where, text) for where, texts in found for text in texts if left_english(text)] == []


def test_what_the_page_says_in_place_of_options_is_told():
    tree = ast.parse((ROOT / "calibrate" / "pad.py").read_text("utf-8"))
    texts = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    changed = [text.replace(old, new) for text in texts for old, new in ON_THE_PAGE.items() if old in text]
    assert len(changed) == 3
    assert [text for text in [*changed, "Or leave it out below."] if left_english(text)] == []


NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


def past(value: float, *, days: float = 1, point: str = "mesa 3") -> PastReading:
    return PastReading(
        name="entry 12", at=NOW - timedelta(days=days), point=point, sample="line", analyte=CLO2, unit="mg/L",
        value=value, u=0.02, valid=True,
    )  # fmt: skip


def looked_back() -> Iterator[str]:
    """What the rules that look back say of made-up readings."""

    def strip(**known) -> StripCase:
        known = {"now": NOW, "at": NOW, "point": Point(name="mesa 3", flush_s=60), **known}
        reading = made_reading(made_pad(0.25, 0.02), taken_at=known["at"])
        return StripCase(reading=reading, today=NOW.date(), dipped_at=None, history=History(**known))

    def pad(value: float, u: float = 0.02, *, stock: bool = False, **known) -> PadCase:
        one = made_pad(value, u)
        history = History(**{"now": NOW, "at": NOW, "point": Point(name="mesa 3"), **known})
        return PadCase(
            reading=wide(one) if stock else made_reading(one), pad=one, sample=STOCK if stock else LINE, history=history
        )

    steady = tuple(past(v, days=9 - i) for i, v in enumerate((0.25, 0.27, 0.24, 0.26, 0.25, 0.23, 0.26)))
    creeping = tuple(past(0.30 - 0.008 * i, days=20 - i) for i in range(15))
    rising = tuple(past(0.12 + 0.008 * i, days=20 - i) for i in range(15))
    weak = Recipe(value=208, u=9.0, words="S-3, 5 L of C-1 and 2 L of a solution in 7 L of water")
    old = Forecast(value=300, u=8, made_at=NOW - timedelta(days=9), use_until=NOW - timedelta(days=2))
    line = Line(before=past(0.30, days=0, point="mesa 1"), usual_left=(0.9, 0.88, 0.92, 0.91, 0.89, 0.9))
    cases: list[tuple] = [
        (history_rules.photo_seen_before, strip(photos={"0" * 64: "entry 12 (no point), entry 14 (mesa 1)"})),
        (history_rules.dip_seen_before, strip(lately=(past(0.25, days=20 / 86400, point="mesa 2"),))),
        *((history_rules.clock_wrong, strip(at=NOW + timedelta(hours=h))) for h in (0.5, 3, 70, -400 * 24)),
        (history_rules.flush_not_kept, strip(flushed_s=20)),
        (history_rules.lot_never_checked, strip(checks=())),
        *((history_rules.lot_drifts, strip(checks=z)) for z in ((0.3, 3.4), (-3.5,), (-1.6,) * 6, (1.6,) * 6)),
        *((history_rules.recipe_mismatch, pad(v, 10, stock=True, recipe=weak)) for v in (300, 175, 243)),
        (history_rules.recipe_off_range, pad(210, 8, stock=True, recipe=weak)),
        (history_rules.recipe_off_range, pad(410, 8, stock=True, recipe=replace(weak, value=420))),
        (history_rules.weaker_than_forecast, pad(250, 8, stock=True, forecast=old)),
        (history_rules.stock_past_its_time, pad(252, 8, stock=True, forecast=old)),
        (history_rules.jump_at_point, pad(0.36, same_point=steady)),
        (history_rules.drift_at_point, pad(0.18, 0.01, same_point=creeping)),
        (history_rules.drift_at_point, pad(0.24, 0.01, same_point=rising)),
        (history_rules.line_falls_faster, pad(0.14, line=line)),
        (history_rules.residual_before_injector, pad(0.25, point=Point(name="pozo", before_injector=True))),
    ]
    for rule, case in cases:
        found = list(rule(case))
        assert found, rule.__name__
        yield from (f.message for f in found)


def judged() -> Iterator[str]:
    """What the other rules say of made-up readings."""
    number, low, high, edge = made_pad(0.25, 0.02), under(0.03), over(2.5), made_pad(0.16, 0.02)
    dip = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
    for sample, pads in ((LINE, (made_pad(0.9, 0.02), low, high, under(0.1, name="LOQ"))), (STOCK, (number,))):
        yield from (f.message for p in pads for f in out_of_range(pad_case(made_reading(p), sample)))
    for p in (edge, under(0.2, name="LOQ"), under(0.2, name="interval's end"), made_pad(0.15, 0.05)):
        yield from (f.message for f in range_undecided(pad_case(made_reading(p), LINE)))
    for today in (date(2027, 1, 1), date(2027, 2, 1)):
        yield from (f.message for f in rules.lot_expired(strip_case(made_reading(number), today=today)))
    for seconds in (-300, 5, 900, None):
        taken = None if seconds is None else dip + timedelta(seconds=seconds)
        late = strip_case(made_reading(number, taken_at=taken), dipped_at=dip)
        yield from (f.message for f in rules.outside_read_window(late))
    for reading, sample in (
        (wide(number), LINE), (made_reading(number), STOCK), (wide(number), CONCENTRATE),
        (made_reading(number, loq=0.3), LINE), (made_reading(number, loq=None), LINE),
        (made_reading(number, low=1.0), LINE),
    ):  # fmt: skip
        found = list(rules.wrong_range_strip(pad_case(reading, sample)))
        yield from (text for f in found for text in (f.message, f.advice))
    for p, sample in (
        (made_pad(0.2, 0.02, beyond=140), LINE), (made_pad(0.2, 0.02, beyond=140), None), (number, STOCK),
        (made_pad(20, 2, beyond=450), CONCENTRATE), (under(20), STOCK),
    ):  # fmt: skip
        found = list(rules.possible_bleaching(pad_case(wide(p) if sample is CONCENTRATE else made_reading(p), sample)))
        yield from (text for f in found for text in (f.message, f.advice))
    apart = check_replicates([number, made_pad(0.4, 0.02), over(2.0)])
    assert apart is not None
    yield apart.message


def test_why_two_strips_were_not_compared_is_told():
    reasons = [
        "One of the two strips gives no number.",
        "The photo of the first strip is no longer kept here.",
        "The first strip is of lot UL-2603, this one of lot UL-2.",
        "The first strip was read at mesa 1, this one at mesa 2.",
        "The photo of the first strip cannot be read.",
    ]
    assert [text for text in reasons if left_english(text)] == []


def test_what_the_rules_say_is_told_with_its_numbers():
    texts = [*looked_back(), *judged()]
    assert len(texts) > 55
    assert [text for text in texts if left_english(text)] == []


def test_a_few_in_full():
    told = [TELL(text) for text in looked_back()]
    assert told[0] == "Esta misma foto ya se registró antes: entrada 12 (sin punto), entrada 14 (mesa 1)."
    assert "La tira da 0.36 mg/L (95 %: de 0.321 a 0.399); las últimas 7 lecturas de aquí rondaban los" in " ".join(
        told
    )
    assert "S-3, 5 L de C-1 y 2 L de una solución en 7 L de agua: Por balance de masa, la receta da 208" in " ".join(
        told
    )
    assert "De los 0.3 mg/L de mesa 1, aquí queda el 47 %; en los últimos 6 días quedaba el 90 %." in told


@pytest.mark.parametrize("unit", ["L", "gal", "imp gal"])
def test_every_plan_of_the_page_is_told(unit):
    typed, sachet = ParsedInputs(), load_sachet("example")
    water = typed.measured(f"9.5 {unit}", "volume", name="the water")
    strong = typed.measured("under 0.3 mg/L", "strength", name="the strength", positive=False)
    assert strong.value > 0
    system = typed.system
    stock, rich, weak = Measured(220, 12), Measured(500, 20), Measured(360, 12)
    answers = [
        generation_answer(
            expected_generation(sachet, water_l=water, hours=hours, sachets=count),
            sachet, water_l=water.value, hours=hours, sachets=count, system=system,
        )
        for hours, count in ((0.5, 1), (12, 2))
    ]  # fmt: skip
    for wanted in (300.0, 500.0):
        made = dilute(rich, wanted_mg_per_l=wanted, total_l=40.0, pour_u=0.02, available_l=None, tank_l=None)
        answers.append(dilution_answer(made, concentrate=rich, wanted=wanted, pour_u=0.02, system=system, also="2 L"))
    for old, wanted, tank in ((stock, 300.0, None), (stock, 300.0, 41.0), (weak, 300.0, None), (stock, 220.0, None)):
        left = Measured(40.0, 0.8)
        made_up = top_up(old, stock_l=left, wanted_mg_per_l=wanted, concentrate_mg_per_l=rich, pour_u=0.02, tank_l=tank)
        answers.append(
            top_up_answer(made_up, stock=old, stock_l=left, concentrate=rich, wanted=wanted, pour_u=0.02, system=system)
        )
    texts = [
        text
        for a in answers
        for text in (a.headline, *itertools.chain(*a.facts), *a.steps, *a.notes, *a.cautions)
    ]  # fmt: skip
    texts += typed.notes
    assert len(texts) > 90
    assert [text for text in texts if left_english(text)] == []


@pytest.mark.parametrize(
    "typed",
    ["lots", "5", "5 stones", "-3 L", "0 L", "5 mg/L", "5 L u 3 gal", "5 L ± 1", "5 oz", "5 L, 95 % interval 6 to 7",
     "3 ML", "1e15 L", "1e-15 L"],
)  # fmt: skip
def test_what_is_wrong_with_what_was_typed_is_told(typed):
    with pytest.raises(StripReadError) as error:
        ParsedInputs().measured(typed, "volume", name="the water")
    said = [error.value.expected, error.value.found, error.value.remedy]
    assert [text for text in said if left_english(text)] == []
    assert TELL(error.value.expected) == "el agua como 20 L, 5 gal, 5 imp gal o 12 fl oz"
