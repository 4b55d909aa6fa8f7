"""A study's table held against the criteria of its plan: pass, fail, or too few to tell."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from stripread.study.criteria import POWER, Aims, Criterion, CriterionName
from stripread.study.fits import Line
from stripread.study.power import Scored
from stripread.study.statistics import (
    EyeAgainstPhoto,
    Flag,
    Precision,
    Sides,
    Trueness,
    eye_against_photo,
    find_flags,
    line_of,
    places_of,
    precision_of,
    sides_of,
    trueness_of,
)
from stripread.study.table import StudyTable

__all__ = ["Counted", "CriterionFinding", "Outcome", "PlaceFinding", "Scores", "StudyVerdict", "judge_study"]

Outcome = Literal["pass", "fail", "too few"]
_ENOUGH = 1.28  # standard errors: a mean of 0 lies within so many in 80 % of studies, which is `POWER`
_BOUND = 0.90  # coverage that all intervals held must be able to show at 95 %: 29 strips
_DRAWS = 4000  # enough to tell whether a design has the power that is asked for
_CRITICAL = 0.5  # of the LOD: what a blank exceeds in 5 %, where the scatter is the same at both (ISO 11843-2)
_LEAST = {"blank": 7, "lod": 4}  # strips without which nothing is said of blanks and of the LOD; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """So many of so many."""

    count: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """The root mean square of the scores z, weighted as in `power` and plain.

    ``catches`` is as in `Criterion`, for the photos that there are.
    """

    rms: float
    plain: float
    photos: int
    strips: int
    catches: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceFinding:
    """Trueness with one phone in one light; None with too few strips."""

    phone: str
    light: str
    outcome: Outcome
    trueness: Trueness | None
    held: Counted


_Figures = Trueness | Scores | Counted | Precision | Line | EyeAgainstPhoto | Sides | tuple[PlaceFinding, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionFinding:
    """What came of one criterion, and the figures behind it."""

    criterion: Criterion
    outcome: Outcome
    figures: _Figures


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyVerdict:
    """What came of a study.

    Attributes
    ----------
    refused : int
        Photos that the program refused; they count nowhere else.
    """

    outcome: Outcome
    findings: tuple[CriterionFinding, ...]
    flags: tuple[Flag, ...]
    refused: int
    photos: int

    def finding(self, name: CriterionName) -> CriterionFinding:
        """Return what came of a criterion."""
        return next(one for one in self.findings if one.criterion.name == name)

    @property
    def proven(self) -> tuple[tuple[str, str], ...]:
        """Phones and lights for which the tool was proven: none unless the whole study passed."""
        places = self.finding("places").figures
        if self.outcome != "pass" or not isinstance(places, tuple):
            return ()
        return tuple((p.phone, p.light) for p in places if p.outcome == "pass")


def judge_study(
    table: StudyTable, criteria: Sequence[Criterion], aims: Aims, *, only_deciding: bool = False
) -> StudyVerdict:
    """Hold a table against criteria.

    Parameters
    ----------
    only_deciding : bool
        Leave out the others, of which the mixed model takes most of the time.
    """
    judges: Mapping[CriterionName, Callable[[StudyTable, Criterion, Aims], tuple[Outcome, Any]]] = {
        "trueness": _trueness,
        "spread": _spread,
        "coverage": _coverage,
        "blanks": _blanks,
        "lod": _lod,
        "precision": _precision,
        "line": _line,
        "places": _places,
        "eye": _eye,
        "sides": _sides,
    }
    findings = []
    for criterion in criteria:
        if criterion.decides or not only_deciding:
            outcome, figures = judges[criterion.name](table, criterion, aims)
            findings.append(CriterionFinding(criterion=criterion, outcome=outcome, figures=figures))
    decided = [one.outcome for one in findings if one.criterion.decides]
    whole: Outcome = "fail" if "fail" in decided else "too few" if "too few" in decided else "pass"
    return StudyVerdict(
        outcome=whole,
        findings=tuple(findings),
        flags=() if only_deciding else find_flags(table),
        refused=sum(row.estimate is None for row in table.photos),
        photos=len(table.photos),
    )


def _shown(trueness: Trueness | None, limit: float) -> Outcome:
    """Pass where both tests are passed at 5 %, fail where they had a chance of `POWER` to be, were there no bias."""
    if trueness is None:
        return "too few"
    if trueness.p < 0.05:
        return "pass"
    enough = limit - trueness.reach >= _ENOUGH * trueness.se or abs(trueness.mean) - trueness.reach > limit
    return "fail" if enough else "too few"


def _trueness(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Trueness | None]:
    found = trueness_of(table, criterion.limit)
    return _shown(found, criterion.limit), found


def _spread(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Scores | None]:
    rows = [(row, z) for row in table.of_kind("strength") if (z := row.z) is not None]
    if not rows:
        return "too few", None
    by_name = {one.name: one for one in table.strengths}
    scored = Scored(
        strip=[row.code for row, _ in rows],
        place=[(row.phone, row.light) for row, _ in rows],
        u=np.array([by_name[row.strength].expected_u for row, _ in rows]),
        u_truth=float(np.mean([row.u_truth / row.truth for row, _ in rows])),
    )
    scores = np.array([z for _, z in rows])
    catches = scored.spread(draws=_DRAWS).catches(criterion.limit)
    rms, plain = scored.rms(scores), math.sqrt(float(np.mean(scores**2)))
    found = Scores(rms=rms, plain=plain, photos=len(rows), strips=len(set(scored.strip)), catches=catches)
    if rms > criterion.limit:
        return "fail", found
    return "pass" if catches >= POWER else "too few", found


def _coverage(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Counted]:
    held = [row.held for row in table.first_photos() if row.held is not None]
    found = Counted(count=sum(held), of=len(held))
    if found.of - found.count > criterion.limit:
        return "fail", found
    return "pass" if found.of and 0.05 ** (1 / found.of) >= _BOUND else "too few", found


def _blanks(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Counted]:
    rows = table.first_photos("blank")
    found = Counted(count=sum(row.detected for row in rows), of=len(rows))
    return _counted(found.count, found, criterion, "blank"), found


def _lod(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Counted]:
    rows = table.first_photos("lod", familiar=True)
    seen = sum((row.estimate or 0.0) > _CRITICAL * row.truth for row in rows)
    found = Counted(count=seen, of=len(rows))
    return _counted(found.of - found.count, found, criterion, "lod"), found


def _counted(wrong: int, found: Counted, criterion: Criterion, kind: str) -> Outcome:
    if wrong > criterion.limit:
        return "fail"
    return "pass" if found.of >= _LEAST[kind] else "too few"


def _precision(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Precision | None]:
    found = precision_of(table)
    if found is None:
        return "too few", None
    return _by_interval(found.low, found.high, -math.inf, criterion.limit), found


def _line(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Line | None]:
    from scipy.stats import norm

    found = line_of(table)
    if found is None:
        return "too few", None
    reach = float(norm.ppf(0.95)) * found.u_slope * math.sqrt(max(found.chi2 / found.degrees_of_freedom, 1.0))
    low, high = math.exp(-criterion.limit), math.exp(criterion.limit)
    return _by_interval(found.slope - reach, found.slope + reach, low, high), found


def _by_interval(low: float, high: float, least: float, most: float) -> Outcome:
    """Pass where an interval lies within the limits, fail where it lies outside them."""
    if least <= low and high <= most:
        return "pass"
    return "fail" if high < least or low > most else "too few"


def _places(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, tuple[PlaceFinding, ...]]:
    found = []
    for phone, light in places_of(table.of_kind("strength")):
        own = trueness_of(table, criterion.limit, phone=phone, light=light)
        held = [r.held for r in table.photos if (r.phone, r.light) == (phone, light) and r.held is not None]
        found.append(
            PlaceFinding(
                phone=phone,
                light=light,
                outcome=_shown(own, criterion.limit),
                trueness=own,
                held=Counted(count=sum(held), of=len(held)),
            )
        )
    outcomes = [one.outcome for one in found]
    whole: Outcome = "fail" if "fail" in outcomes else "too few" if "too few" in outcomes or not found else "pass"
    return whole, tuple(found)


def _eye(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, EyeAgainstPhoto | None]:
    found = eye_against_photo(table)
    if found is None:
        return "too few", None
    return "pass" if found.high < 0 else "fail" if found.low > 0 else "too few", found


def _sides(table: StudyTable, criterion: Criterion, aims: Aims) -> tuple[Outcome, Sides | None]:
    found = None if aims.low is None or aims.high is None else sides_of(table, low=aims.low, high=aims.high)
    if found is None or found.p >= 0.05:
        return "too few", found
    return "pass" if found.only_photo > found.only_eye else "fail", found
