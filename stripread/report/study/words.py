"""Words that a study's sheets, its report and its pages share."""

import math
from collections.abc import Mapping
from typing import Any

from stripread.i18n import Joined, Message, Number, Say, joined, plural
from stripread.records import StudyStanding
from stripread.study import POWER, Criterion, Outcome, StudyPlan

__all__ = [
    "MARKS",
    "cannot_show",
    "chances_words",
    "criterion_words",
    "lot_proven_words",
    "outcome_words",
    "percent",
    "proven_words",
    "role_words",
    "strength_words",
]

MARKS: dict[Outcome, str] = {"pass": "✔", "fail": "✘", "too few": "?"}


def percent(share: float, places: int = 0) -> Number:
    """Return a share as a number of percent, without the sign."""
    return Number(100 * share, f".{places}f")


def outcome_words(outcome: Outcome) -> Message:
    """Return pass, fail or too few with its mark."""
    return {
        "pass": Message("✔ PASS"),
        "fail": Message("✘ FAIL"),
        "too few": Message("? TOO FEW"),
    }[outcome]


def strength_words(name: str) -> Message:
    """Return the name of a strength."""
    if name == "blank":
        return Message("blank")
    if name in ("LOD", "LOQ"):
        return Message("at the %(limit)s", limit=name)
    return Message("%(share)s of the top", share=Number(float(name), "g"))


def role_words(role: str) -> Message:
    """Return what a photo of a strip is for."""
    return {
        "first": Message("first photo"),
        "lifted": Message("lift the phone, aim anew"),
        "other phone": Message("the other phone"),
        "other light": Message("another light"),
    }[role]


def criterion_words(one: Criterion, plan: StudyPlan) -> Message:
    """Return a criterion in a sentence."""
    count = {kind: sum(s.strips for s in plan.strengths if s.kind == kind) for kind in ("blank", "lod")}
    share = percent(math.expm1(one.limit)) if one.name in ("trueness", "places") else percent(one.limit)
    low, high = Number(math.exp(-one.limit), ".2f"), Number(math.exp(one.limit), ".2f")
    return {
        "trueness": Message("Trueness: on average, strips read within %(limit)s %% of the truth.", limit=share),
        "spread": Message(
            "Intervals: errors are at most %(limit)s times as large as stated.", limit=Number(one.limit, ".2f")
        ),
        "coverage": Message(
            "Coverage: of %(strips)s strips, the interval of the first photo misses the truth at most %(most)s times.",
            strips=len(plan.strips),
            most=round(one.limit),
        ),
        "blanks": Message(
            "Blanks: at most %(most)s of %(strips)s read as if there were something.",
            most=round(one.limit),
            strips=count["blank"],
        ),
        "lod": Message(
            "LOD: with the calibration's phone and light, at most %(most)s of %(strips)s strips at the LOD read under "
            "half of it, as a blank might.",
            most=round(one.limit),
            strips=count["lod"],
        ),
        "precision": Message(
            "Precision: between days, people, phones and lights, strips scatter by at most %(limit)s %%.", limit=share
        ),
        "line": Message("Line: the slope of read against true lies from %(low)s to %(high)s.", low=low, high=high),
        "places": Message(
            "Places: with each phone in each light, strips read within %(limit)s %% on average.", limit=share
        ),
        "eye": Message("By eye: photos lie nearer to the truth than people do."),
        "sides": Message("Limits: photos lie on the right side of the site's limits more often than people do."),
    }[one.name]


def chances_words(one: Criterion, say: Say) -> str:
    """Return how often a criterion errs by chance; nothing where nobody calculated it."""
    words = []
    if one.by_chance is not None:
        words.append(say(Message("fails honest readings in %(share)s %%", share=_rate(one.by_chance))))
    if one.catches is not None:
        what = Message("a bias of 15 %") if one.name == "trueness" else Message("intervals a third too narrow")
        words.append(say(Message("catches %(what)s in %(share)s %%", what=what, share=_rate(one.catches))))
    return "; ".join(words)


def _rate(share: float) -> Number:
    return percent(share, 1 if share < 0.02 else 0)


def proven_words(said: Mapping[str, Any] | None) -> Message:
    """Return whether the program was proven with a reading's phone, by what the reading keeps of the study."""
    if said is None:
        return Message("Not proven here: no study of this lot's calibration is in the record.")
    day, lights = said["on"], said["lights"]
    if said["outcome"] == "fail":
        return Message("✘ Not proven: the study of %(day)s failed.", day=day)
    if said["outcome"] != "pass":
        return Message("Not proven: the study of %(day)s had too few strips.", day=day)
    if lights:
        return Message(
            "✔ Proven with this phone on %(day)s, in these lights: %(lights)s.", day=day, lights=joined(lights)
        )
    return Message("Not proven with this phone: the study of %(day)s passed with others.", day=day)


def lot_proven_words(standing: StudyStanding | None) -> Message:
    """Return whether the program was proven with a lot, with which phones and in which lights."""
    if standing is None or standing.outcome != "pass":
        said = None if standing is None else {"on": standing.on, "outcome": standing.outcome, "lights": ()}
        return proven_words(said)
    places = Joined(tuple(f"{phone}, {light}" for phone, light, _ in standing.proven), "; ")
    if not standing.proven:
        return Message("✔ Study passed on %(day)s; no phone in any light was shown by itself.", day=standing.on)
    return Message("✔ Proven on %(day)s with: %(places)s.", day=standing.on, places=places)


def cannot_show(plan: StudyPlan) -> tuple[Message, ...]:
    """Return what a plan has too few strips to show, whatever comes out."""
    found: list[Message] = []
    spread = next((one for one in plan.criteria if one.name == "spread"), None)
    if spread is not None and (spread.catches or 0.0) < POWER:
        found.append(
            Message(
                "These strips would catch intervals a third too narrow only in %(share)s %% of such studies. If the "
                "criterion is not failed, it comes out as too few.",
                share=percent(spread.catches or 0.0),
            )
        )
    if len(plan.strips) < 29:
        found.append(
            plural(
                "A single strip cannot show how often intervals hold.",
                "%(count)s strips cannot show that intervals hold in 90 %% of cases: it takes 29, all of them held.",
                count=len(plan.strips),
            )
        )
    return tuple(found)
