"""The sheets of a study, to be printed: what to mix, which only the mixer sees; and what to do, strip by strip."""

from collections.abc import Iterator

from stripread.i18n import Message, Number, Reader, Say
from stripread.report.document.document import Alarm, Document, Heading, Items, Part, Table, Words
from stripread.report.study.words import cannot_show, chances_words, criterion_words, role_words, strength_words
from stripread.study import PlannedPhoto, StudyPlan, Truth

__all__ = ["mixing_sheet", "running_sheet"]


def running_sheet(plan: StudyPlan, reader: Reader) -> Document:
    """Return the sheet for those who dip, look and take photos; nothing on it tells a strength."""
    return _document(
        plan, reader, Message("Study %(study)s: strip by strip", study=plan.id), _running(plan, reader.show)
    )


def mixing_sheet(plan: StudyPlan, truth: Truth, reader: Reader) -> Document:
    """Return the sheet for the one who mixes, and shows it to nobody."""
    parts = _mixing(plan, truth, reader.show)
    return _document(plan, reader, Message("Study %(study)s: what to mix, SEALED", study=plan.id), parts)


def _document(plan: StudyPlan, reader: Reader, title: Message, parts: Iterator[Part]) -> Document:
    say = reader.show
    return Document(
        title=say(title),
        subtitle=say(
            Message("Lot %(lot)s, planned on %(day)s by %(who)s", lot=plan.lot, day=plan.at[:10], who=plan.who)
        ),
        parts=tuple(parts),
        footer=say(
            Message("Study %(study)s, truth sealed under %(hash)s...", study=plan.id, hash=plan.truth_sha256[:16])
        ),
        page=say(Message("page")),
        language=reader.language,
    )


def _running(plan: StudyPlan, say: Say) -> Iterator[Part]:
    yield Items(
        (
            say(Message("Dip the strip into the cup with its code, as the vial says. Write the time down.")),
            say(
                Message(
                    "%(people)s each read it by eye and write it down, without a word. Only then take photos.",
                    people=", ".join(plan.conditions.people),
                )
            ),
            say(
                Message(
                    "Take the photos of its row with the phones' cameras, %(first)s to %(last)s seconds after the dip.",
                    first=Number(plan.window_s[0], "g"),
                    last=Number(plan.window_s[1], "g"),
                )
            ),
            say(Message("Strip lost or spoilt? Write why beside it and go on. Never dip a second one for it.")),
        ),
        numbered=True,
    )
    for session in sorted({strip.session for strip in plan.strips}):
        yield Words(say(Message("Session %(session)s", session=session)))  # a heading would wait for room for the table
        yield Table(
            (
                say(Message("code")),
                say(Message("who")),
                say(Message("dipped at")),
                *plan.conditions.people,
                say(Message("photos, in this order")),
            ),
            [
                (
                    strip.code,
                    strip.person,
                    "",
                    *("" for _ in plan.conditions.people),
                    "; ".join(f"{photo.number}: {_photo(photo, say)}" for photo in strip.photos),
                )
                for strip in plan.strips
                if strip.session == session
            ],
            (8, 10, 10, *(10 for _ in plan.conditions.people), 52),
        )
    yield Heading(say(Message("What the study must show")))
    yield from criteria_table(plan, say)


def _photo(photo: PlannedPhoto, say: Say) -> str:
    """Return what is to be done for a photo, no more words than the one before it leaves open."""
    if photo.role == "first":
        return f"{photo.phone}, {photo.light}"
    if photo.role == "lifted":
        return say(role_words(photo.role))
    return f"{say(role_words(photo.role))}, {photo.phone if photo.role == 'other phone' else photo.light}"


def criteria_table(plan: StudyPlan, say: Say) -> Iterator[Part]:
    """Return the criteria as they were stated before the data."""
    yield Table(
        (say(Message("criterion")), say(Message("decides")), say(Message("by chance"))),
        [
            (
                say(criterion_words(one, plan)),
                say(Message("yes")) if one.decides else say(Message("no, only shown")),
                chances_words(one, say),
            )
            for one in plan.criteria
        ],
        (56, 14, 30),
    )
    yield Words(
        say(
            Message(
                "The study passes where all that decide do. Chances: as calculated for this plan, with the errors of "
                "photos, strips, lights and the lot shared as the readings state it."
            )
        ),
        small=True,
    )
    for words in cannot_show(plan):
        yield Alarm(say(words))


def _mixing(plan: StudyPlan, truth: Truth, say: Say) -> Iterator[Part]:
    yield Alarm(say(Message("For whoever mixes, alone. Nobody who reads strips may see this sheet.")))
    yield Words(
        say(
            Message(
                "Stock: %(stock)s, about %(strength)s %(unit)s. It must not be what the lot was calibrated from. Assay "
                "it by %(method)s three times: before the first strip, in the middle, after the last.",
                stock=plan.stock.what,
                strength=Number(plan.stock.expected, "g"),
                unit=plan.unit,
                method=plan.stock.method,
            )
        )
    )
    names = {strength.name for strength in plan.strengths}
    yield Heading(say(Message("Solutions, in this order")))
    yield Table(
        (
            say(Message("solution")),
            say(Message("take, mL")),
            say(Message("of")),
            say(Message("water, mL")),
            say(Message("about, %(unit)s", unit=plan.unit)),
        ),
        [
            (
                say(strength_words(one.name)) if one.name in names else one.name,
                say(Number(one.take_ml, "g")) if one.take_ml else "",
                say(Message("the stock")) if one.source == "stock" else one.source,
                say(Number(one.water_ml, "g")),
                say(Number(one.share * plan.stock.expected, ".3g")),
            )
            for one in truth.solutions
        ],
        (30, 15, 20, 15, 20),
        frozenset((1, 3, 4)),
    )
    yield Heading(say(Message("Cups")))
    yield Words(say(Message("Pour each cup fresh, shortly before its strip is dipped, and write only the code on it.")))
    yield Table(
        (say(Message("solution")), say(Message("codes"))),
        [
            (say(strength_words(s.name)), "  ".join(c for c, name in truth.strength_of.items() if name == s.name))
            for s in plan.strengths
        ],
        (25, 75),
    )
