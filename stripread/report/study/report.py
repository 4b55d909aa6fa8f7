"""The report of a study: passed or not, criterion by criterion, with the figures behind it and what was flagged."""

import math
from collections.abc import Callable, Iterator
from datetime import datetime

from stripread import __version__
from stripread.check import CAUTION
from stripread.i18n import Message, Number, Reader, Say, Shown, plural
from stripread.report.document.document import Alarm, Document, Heading, Items, Part, Table, Words
from stripread.report.study.figures import eye_figure, ratio_figure, score_figure
from stripread.report.study.words import (
    cannot_show,
    chances_words,
    criterion_words,
    outcome_words,
    percent,
    strength_words,
)
from stripread.study import (
    Agreement,
    Counted,
    CriterionFinding,
    EyeAgainstPhoto,
    Line,
    OpenedStudy,
    Outcome,
    PlaceFinding,
    Precision,
    RunState,
    Scores,
    Sides,
    StudyPlan,
    StudyVerdict,
    Trueness,
)

__all__ = ["study_report"]

_CAUSES = {
    "session": Message("session"),
    "person": Message("person"),
    "phone": Message("phone"),
    "light": Message("light"),
    "strip": Message("strip"),
    "photo": Message("photo"),
}


def study_report(
    state: RunState,
    opened: OpenedStudy,
    verdict: StudyVerdict,
    *,
    site: str,
    made_at: datetime,
    entry: int,
    reader: Reader | None = None,
) -> Document:
    """Return the report.

    Parameters
    ----------
    entry : int
        Of the record, that holds the verdict.

    Raises
    ------
    MissingExtraError
        Without matplotlib, for the figures.
    """
    reader = reader or Reader()
    say, plan = reader.show, state.plan
    limit = next(one.limit for one in plan.criteria if one.name == "trueness")
    parts = (
        *_summary(state, opened, verdict, say),
        *_criteria(plan, verdict, say),
        *_strips(opened, verdict, limit, say),
        *_precision(verdict, say),
        *_eye(opened, verdict, limit, say),
        *_oddities(opened, verdict, say),
        *_truth(opened, plan, say),
        Heading(say(Message("Cautions"))),
        Items((
            say(Message("This holds for the phones, the lights and the lot named here, and not for other ones.")),
            say(Message("Two sessions and two people say little about other days and other people.")),
            say(CAUTION),
        )),
    )  # fmt: skip
    return Document(
        title=say(Message("%(site)s: study %(study)s", site=site, study=plan.id)),
        subtitle=say(
            Message(
                "Lot %(lot)s, %(analyte)s, done on %(day)s",
                lot=plan.lot,
                analyte=Message(plan.analyte),
                day=state.done_on,
            )
        ),
        parts=parts,
        footer=say(
            Message(
                "Study %(study)s, entry %(entry)s of the record. Written by stripread %(version)s on %(day)s.",
                study=plan.id,
                entry=entry,
                version=__version__,
                day=made_at.date(),
            )
        ),
        page=say(Message("page")),
        language=reader.language,
    )


# --- summary ---------------------------------------------------------------------------------------------------------


def _summary(state: RunState, opened: OpenedStudy, verdict: StudyVerdict, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("In short")))
    yield Alarm(say(_in_short(verdict.outcome)))
    wrong = [one for one in verdict.findings if one.criterion.decides and one.outcome != "pass"]
    if wrong:
        yield Items(
            tuple(
                say(
                    Message(
                        "%(outcome)s. %(criterion)s Found: %(found)s.",
                        outcome=outcome_words(one.outcome),
                        criterion=criterion_words(one.criterion, state.plan),
                        found=_found(one),
                    )
                )
                for one in wrong
            )
        )
    if verdict.finding("lod").outcome == "fail":
        yield Alarm(say(Message("▲ The stated LOD does not hold here: traces as weak as that are missed.")))
    if verdict.proven:
        strong = [row.truth for row in opened.table.of_kind("strength")]
        yield Words(
            say(
                Message(
                    "Proven from %(low)s to %(high)s %(unit)s with:",
                    low=Number(min(strong), ".2g"),
                    high=Number(max(strong), ".2g"),
                    unit=state.plan.unit,
                )
            )
        )
        yield Items(tuple(say(Message("✔ %(phone)s, %(light)s", phone=p, light=light)) for p, light in verdict.proven))
    elif verdict.outcome == "pass":
        yield Words(say(Message("With no single phone and light is it shown by itself; see below.")))
    if "simulated" in f"{state.plan.stock.what} {state.plan.stock.method}".casefold():
        yield Alarm(say(Message("SIMULATED: no strip was dipped, no photo was taken by a camera.")))
    strips = len(opened.table.codes)
    yield Words(
        say(
            Message(
                "%(strips)s of %(planned)s planned strips, %(photos)s photos. Criteria and truth were fixed before the "
                "first strip; nothing was left out but what is named below.",
                strips=strips,
                planned=len(state.plan.strips),
                photos=verdict.photos,
            )
        )
    )
    for lack in cannot_show(state.plan):
        yield Words(say(lack))


def _in_short(outcome: Outcome) -> Message:
    return {
        "pass": Message("✔ PASSED: within what was asked, readings and their intervals can be relied on here."),
        "fail": Message("✘ FAILED: do not rely on these readings until it is known why."),
        "too few": Message("? TOO FEW: nothing speaks against it, but the study cannot show that it is good enough."),
    }[outcome]


# --- criteria --------------------------------------------------------------------------------------------------------


def _criteria(plan: StudyPlan, verdict: StudyVerdict, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("Criteria, as stated before the data")))
    heads = (
        say(Message("criterion")),
        say(Message("verdict")),
        say(Message("what was found")),
        say(Message("by chance")),
    )
    for decides in (True, False):
        yield Heading(say(Message("These decide")) if decides else say(Message("These are only shown")), level=3)
        yield Table(
            heads,
            [
                (
                    say(criterion_words(one.criterion, plan)),
                    say(outcome_words(one.outcome)),
                    say(_found(one)),
                    chances_words(one.criterion, say),
                )
                for one in verdict.findings
                if one.criterion.decides is decides
            ],
            (36, 12, 32, 20),
        )
    yield Words(
        say(
            Message(
                "TOO FEW: as it stands it is not failed, but so few strips could hardly have shown otherwise. By "
                "chance: as calculated when the study was planned."
            )
        ),
        small=True,
    )


def _found(one: CriterionFinding) -> Shown:
    figures = one.figures
    match figures:
        case Trueness():
            return _mean_words(figures)
        case Scores():
            return Message(
                "%(rms)s times as large, in %(photos)s photos of %(strips)s strips (plain root mean square of z: "
                "%(plain)s)",
                rms=Number(figures.rms, ".2f"),
                plain=Number(figures.plain, ".2f"),
                photos=figures.photos,
                strips=figures.strips,
            )
        case Counted():
            return _counted_words(one.criterion.name, figures)
        case Precision():
            return Message(
                "%(sd)s %%, 90 %% limits %(low)s to %(high)s %%",
                sd=percent(figures.intermediate, 1),
                low=percent(figures.low, 1),
                high=percent(figures.high, 1),
            )
        case Line():
            return Message(
                "slope %(slope)s, u %(u)s; intercept %(intercept)s, u %(u_intercept)s",
                slope=Number(figures.slope, ".3f"),
                u=Number(figures.u_slope, ".3f"),
                intercept=Number(figures.intercept, ".2g"),
                u_intercept=Number(figures.u_intercept, ".2g"),
            )
        case EyeAgainstPhoto():
            return Message(
                "off by %(photo)s %% by photo, by %(eye)s %% by eye",
                photo=percent(math.expm1(figures.photo)),
                eye=percent(math.expm1(figures.eye)),
            )
        case Sides():
            return Message(
                "right on %(photo)s of %(strips)s strips by photo, on %(eye)s by eye; p = %(p)s",
                photo=figures.both + figures.only_photo,
                eye=figures.both + figures.only_eye,
                strips=figures.strips,
                p=Number(figures.p, ".2g"),
            )
        case tuple():
            good = sum(place.outcome == "pass" for place in figures)
            return Message("shown for %(good)s of %(places)s", good=good, places=len(figures))
    return Message("nothing to go by")


def _counted_words(name: str, figures: Counted) -> Message:
    if name == "coverage":
        return Message("missed by %(missed)s of %(strips)s", missed=figures.of - figures.count, strips=figures.of)
    if name == "blanks":
        return Message("%(seen)s of %(strips)s", seen=figures.count, strips=figures.of)
    return Message("%(missed)s of %(strips)s", missed=figures.of - figures.count, strips=figures.of)


def _mean_words(found: Trueness) -> Message:
    return Message(
        "%(mean)s %%, 90 %% interval %(low)s to %(high)s %%",
        mean=Number(100 * math.expm1(found.mean), "+.1f"),
        low=Number(100 * math.expm1(found.mean - found.reach), "+.1f"),
        high=Number(100 * math.expm1(found.mean + found.reach), "+.1f"),
    )


# --- sections --------------------------------------------------------------------------------------------------------


def _strips(opened: OpenedStudy, verdict: StudyVerdict, limit: float, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("What strips read")))
    if not opened.table.first_photos("strength"):
        yield Words(say(Message("No strip with a strength was read.")))
        return
    yield ratio_figure(opened.table, limit, say)
    yield from _places(verdict, say)
    yield score_figure(opened.table, say)


def _places(verdict: StudyVerdict, say: Say) -> Iterator[Part]:
    places = verdict.finding("places").figures
    if not isinstance(places, tuple):
        return
    yield Heading(say(Message("Phone by phone, light by light")))

    def row(one: PlaceFinding) -> tuple[str, ...]:
        return (
            one.phone,
            one.light,
            say(outcome_words(one.outcome)),
            "" if one.trueness is None else str(one.trueness.strips),
            "" if one.trueness is None else say(_mean_words(one.trueness)),
            say(Message("%(count)s of %(of)s", count=one.held.count, of=one.held.of)),
        )

    yield Table(
        (
            say(Message("phone")),
            say(Message("light")),
            say(Message("verdict")),
            say(Message("strips")),
            say(Message("read over true")),
            say(Message("intervals that hold")),
        ),
        [row(one) for one in places],
        (18, 16, 13, 9, 30, 14),
        frozenset((3,)),
    )


def _precision(verdict: StudyVerdict, say: Say) -> Iterator[Part]:
    found = verdict.finding("precision").figures
    if not isinstance(found, Precision):
        return
    yield Heading(say(Message("Where the scatter comes from")))
    total = sum(found.variances.values()) or 1.0
    yield Table(
        (say(Message("cause")), say(Message("standard deviation, %")), say(Message("share of the variance, %"))),
        [
            (say(_CAUSES[name]), say(percent(math.sqrt(value), 1)), say(percent(value / total)))
            for name, value in found.variances.items()
        ],
        (40, 30, 30),
        frozenset((1, 2)),
    )
    yield Words(
        say(
            Message(
                "Repeatability (another strip, all else the same): %(repeatability)s %%; two such strips differ by "
                "more than %(limit)s %% once in 20 times. Intermediate precision (other day, person, phone, light): "
                "%(intermediate)s %%, and %(wide)s %%. Strengths over the LOQ; a mixed model by REML. Two sessions, "
                "people or phones tell little about their kind: their shares are rough.",
                repeatability=percent(found.repeatability, 1),
                limit=percent(1.96 * math.sqrt(2) * found.repeatability),
                intermediate=percent(found.intermediate, 1),
                wide=percent(1.96 * math.sqrt(2) * found.intermediate),
            )
        ),
        small=True,
    )


def _eye(opened: OpenedStudy, verdict: StudyVerdict, limit: float, say: Say) -> Iterator[Part]:
    found = verdict.finding("eye").figures
    if not isinstance(found, EyeAgainstPhoto):
        return
    yield Heading(say(Message("By eye and by photo")))
    yield eye_figure(opened.table, limit, say)

    def row(name: Message, one: Agreement) -> tuple[str, ...]:
        def span(middle: float, u: float) -> str:
            return say(
                Message(
                    "%(value)s (%(low)s to %(high)s)",
                    value=Number(math.exp(middle), ".2f"),
                    low=Number(math.exp(middle - 1.96 * u), ".2f"),
                    high=Number(math.exp(middle + 1.96 * u), ".2f"),
                )
            )

        return say(name), span(one.mean, one.u_mean), span(one.low, one.u_limit), span(one.high, one.u_limit)

    yield Table(
        (
            "",
            say(Message("read over true, mean")),
            say(Message("lower limit of agreement")),
            say(Message("upper limit of agreement")),
        ),
        [row(Message("by photo"), found.photo_agreement), row(Message("by eye"), found.eye_agreement)],
        (16, 28, 28, 28),
        frozenset((1, 2, 3)),
    )
    yield Words(
        say(
            Message(
                "Mean absolute difference of logarithms, photo less eye: %(low)s to %(high)s (95 %%, paired bootstrap "
                "over %(strips)s strips).",
                low=Number(found.low, "+.3f"),
                high=Number(found.high, "+.3f"),
                strips=found.strips,
            )
        ),
        small=True,
    )


def _oddities(opened: OpenedStudy, verdict: StudyVerdict, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("Flagged, skipped, refused")))
    tests: dict[str, Callable[[str], Message]] = {
        "cochran": lambda code: Message(
            "▲ %(code)s: its photos scatter more than those of its like (Cochran)", code=code
        ),
        "grubbs": lambda code: Message("▲ %(code)s: it lies apart from its like (Grubbs)", code=code),
    }
    words = [
        say(
            Message(
                "%(what)s, %(strength)s: %(statistic)s, over %(critical)s (1 %%)",
                what=tests[flag.test](flag.code),
                strength=strength_words(flag.strength),
                statistic=Number(flag.statistic, ".3f"),
                critical=Number(flag.critical, ".3f"),
            )
        )
        for flag in verdict.flags
    ]
    words += [say(Message("%(code)s was given up: %(why)s", code=c, why=why)) for c, why in opened.skipped.items()]
    words += [
        say(
            Message(
                "▲ %(photo)s was taken %(seconds)s s after the dip, not within its window.",
                photo=photo,
                seconds=Number(seconds, ".0f"),
            )
        )
        for photo, seconds in opened.late.items()
    ]
    if opened.refusals:
        words.append(
            say(
                plural(
                    "The program refused one photo; it was taken again, or given up.",
                    "The program refused %(count)s photos; they were taken again, or given up.",
                    count=opened.refusals,
                )
            )
        )
    if words:
        yield Items(tuple(words))
    yield Words(say(Message("What is flagged stays in all figures.")) if verdict.flags else say(Message("No flags.")))


def _truth(opened: OpenedStudy, plan: StudyPlan, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("The truth")))
    yield Words(
        say(
            Message(
                "%(stock)s, by %(method)s. Sealed before the first strip under the SHA-256 %(hash)s; the plan and this "
                "hash are in the record.",
                stock=plan.stock.what,
                method=plan.stock.method,
                hash=plan.truth_sha256,
            )
        )
    )
    yield Table(
        (
            say(Message("assay, hours from the first")),
            say(Message("found [%(unit)s]", unit=plan.unit)),
            say(Message("u (k = 1)")),
        ),
        [
            (
                say(Number(one.at, ".2f")),
                say(Number(one.reading_mg_per_l.value, ".4g")),
                say(Number(one.reading_mg_per_l.u, ".2g")),
            )
            for one in opened.assays
        ],
        (34, 33, 33),
        frozenset((0, 1, 2)),
    )
    used = {row.strength: row for row in opened.table.photos}
    yield Table(
        (
            say(Message("solution")),
            say(Message("strips")),
            say(Message("true [%(unit)s]", unit=plan.unit)),
            say(Message("u (k = 1)")),
        ),
        [
            (
                say(strength_words(one.name)),
                str(len({row.code for row in opened.table.photos if row.strength == one.name})),
                say(Number(used[one.name].truth, ".3g")),
                say(Number(used[one.name].u_truth, ".2g")),
            )
            for one in plan.strengths
            if one.name in used
        ],
        (34, 16, 25, 25),
        frozenset((1, 2, 3)),
    )
    yield Words(say(Message("Solutions are taken to lose strength as the stock does.")), small=True)
