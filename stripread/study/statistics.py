"""What a study's table says, as plain numbers; whether that is good enough is for `stripread.study.verdict`.

The unit of analysis is the strip, the measure ln(read / truth). References: ISO 5725-2 (precision; Cochran, Grubbs),
Schuirmann 1987 (two one-sided tests), York 1969 (line), Bland & Altman 1986 (agreement), McNemar 1947; clauses and
pages from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.study.fits import (
    Line,
    WeightedMean,
    fit_components,
    fit_line,
    mcnemar_p,
    two_one_sided,
    weighted_mean,
)
from stripread.study.shape import Strength
from stripread.study.table import PhotoRow, StudyTable

__all__ = [
    "Agreement",
    "EyeAgainstPhoto",
    "Flag",
    "Precision",
    "Sides",
    "Trueness",
    "agreement",
    "cochran_critical",
    "eye_against_photo",
    "find_flags",
    "grubbs_critical",
    "line_of",
    "places_of",
    "precision_of",
    "sides_of",
    "trueness_of",
]

_LEAST = 0.1  # of the truth, in logarithms: as in `table`
_CAUSES = ("session", "person", "phone", "light", "strip")
_RESAMPLES = 2000
_SEED = 20_260_502


# --- trueness --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Trueness:
    """The mean log ratio of strips, each strength weighing by what its lot states there.

    Attributes
    ----------
    mean, se : float
        In logarithms; ``se`` with the uncertainty of the truth.
    p : float
        Of the two one-sided tests against the limit.
    reach : float
        Half-width of the 90 % interval.
    """

    mean: float
    se: float
    degrees_of_freedom: float
    p: float
    reach: float
    strips: int


def trueness_of(
    table: StudyTable, limit: float, *, phone: str | None = None, light: str | None = None
) -> Trueness | None:
    """Return the trueness of all photos, or of those with a phone in a light; None with fewer than three strips."""
    from scipy.stats import t

    means = table.strip_means(phone=phone, light=light)
    by_name = {one.name: one for one in table.strengths}
    values = np.concatenate([*means.values(), np.empty(0)])
    if len(values) < 3:
        return None
    weights = np.concatenate([np.full(len(v), by_name[name].expected_u ** -2.0) for name, v in means.items()])
    found = weighted_mean(values, weights)
    u_truth = float(np.mean([row.u_truth / row.truth for row in table.of_kind("strength")]))
    whole = WeightedMean(
        mean=found.mean, se=max(math.hypot(found.se, u_truth), 1e-9), degrees_of_freedom=found.degrees_of_freedom
    )
    reach = float(t.ppf(0.95, whole.degrees_of_freedom)) * whole.se
    return Trueness(mean=whole.mean, se=whole.se, degrees_of_freedom=whole.degrees_of_freedom,
                    p=two_one_sided(whole, limit), reach=reach, strips=len(values))  # fmt: skip


# --- precision -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Variances of the log ratio by cause, and what follows; standard deviations are relative.

    Attributes
    ----------
    variances : dict
        By ``session``, ``person``, ``phone``, ``light``, ``strip``, ``photo``.
    repeatability : float
        Another photo of another strip, all else the same.
    intermediate : float
        Another strip on another day, by another person, with another phone in another light.
    low, high : float
        90 % limits of ``intermediate``, by Satterthwaite's degrees of freedom.
    """

    variances: dict[str, float]
    repeatability: float
    intermediate: float
    low: float
    high: float
    strips: int


def precision_of(table: StudyTable) -> Precision | None:
    """Return repeatability and intermediate precision of the strengths over the LOQ; None with fewer than six strips.

    At the LOQ itself strips scatter several times as much, which would be taken for the rule.
    """
    from scipy.stats import chi2

    rows = [(row, ratio) for row in table.of_kind("strength") if (ratio := row.log_ratio) is not None]
    rows = [(row, ratio) for row, ratio in rows if row.strength != "LOQ"]
    strips = {row.code for row, _ in rows}
    if len(strips) < 6 or len(rows) <= len(strips):
        return None
    labels = {
        "session": [str(row.session) for row, _ in rows],
        "person": [row.person for row, _ in rows],
        "phone": [row.phone for row, _ in rows],
        "light": [row.light for row, _ in rows],
        "strip": [row.code for row, _ in rows],
    }
    strengths = [row.strength for row, _ in rows]
    found = fit_components(np.array([ratio for _, ratio in rows]), strengths, labels)
    if found is None:
        return None
    levels = len(set(strengths))
    degrees = {name: max(len(set(labels[name])) - 1, 1) for name in _CAUSES}
    degrees |= {"strip": max(len(strips) - levels, 1), "photo": len(rows) - len(strips)}
    total = sum(found.values())
    if total <= 0:  # nothing scatters
        return Precision(variances=found, repeatability=0.0, intermediate=0.0, low=0.0, high=0.0, strips=len(strips))
    effective = total**2 / max(sum(found[name] ** 2 / degrees[name] for name in found), 1e-300)
    low, high = (float(math.sqrt(total * effective / chi2.ppf(p, effective))) for p in (0.95, 0.05))
    return Precision(
        variances=found,
        repeatability=math.sqrt(found["strip"] + found["photo"]),
        intermediate=math.sqrt(total),
        low=low,
        high=high,
        strips=len(strips),
    )


# --- agreement -------------------------------------------------------------------------------------------------------


def line_of(table: StudyTable) -> Line | None:
    """Return the line of read against true over the first photos of strips; None with fewer than four."""
    rows = [row for row in table.first_photos("strength") if row.estimate and row.u]
    if len(rows) < 4 or len({row.strength for row in rows}) < 2:
        return None
    x, y = (np.array([getattr(row, name) for row in rows]) for name in ("truth", "estimate"))
    u_x = np.array([max(row.u_truth, 1e-6 * row.truth) for row in rows])
    return fit_line(x, y, u_x, np.array([row.u for row in rows]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Bland and Altman on logarithms: mean difference, 95 % limits of agreement, and the standard errors of both."""

    mean: float
    sd: float
    low: float
    high: float
    u_mean: float
    u_limit: float
    count: int


def agreement(differences: Float) -> Agreement:
    """Return the agreement of differences (n,).

    References
    ----------
    .. [1] Bland & Altman (1986), Lancet 327, 307: limits at mean -+ 2 sd, whose standard error is sqrt(3 / n) sd.
    """
    count, mean, sd = len(differences), float(np.mean(differences)), float(np.std(differences, ddof=1))
    return Agreement(mean=mean, sd=sd, low=mean - 2 * sd, high=mean + 2 * sd, u_mean=sd / math.sqrt(count),
                     u_limit=sd * math.sqrt(3 / count), count=count)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeAgainstPhoto:
    """By eye against by photo: mean absolute log ratios on the same strips, 95 % interval of photo less eye."""

    eye: float
    photo: float
    low: float
    high: float
    strips: int
    eye_agreement: Agreement
    photo_agreement: Agreement


def eye_against_photo(table: StudyTable) -> EyeAgainstPhoto | None:
    """Return the comparison over strips with a strength that both have read, by a paired bootstrap; None under five."""
    from scipy.stats import bootstrap

    eyes: dict[str, list[float]] = {}
    for eye in table.eyes:
        eyes.setdefault(eye.code, []).append(eye.value)
    pairs = [
        (row, [math.log(max(v, _LEAST * row.truth) / row.truth) for v in eyes[row.code]])
        for row in table.first_photos("strength")
        if row.code in eyes
    ]
    if len(pairs) < 5:
        return None
    by_photo = np.array([abs(row.log_ratio or 0.0) for row, _ in pairs])
    by_eye = np.array([float(np.mean(np.abs(ratios))) for _, ratios in pairs])
    found = bootstrap((by_photo - by_eye,), np.mean, n_resamples=_RESAMPLES, method="BCa",
                      rng=np.random.default_rng(_SEED)).confidence_interval  # fmt: skip
    return EyeAgainstPhoto(
        eye=float(by_eye.mean()),
        photo=float(by_photo.mean()),
        low=float(found.low),
        high=float(found.high),
        strips=len(pairs),
        eye_agreement=agreement(np.array([float(np.mean(ratios)) for _, ratios in pairs])),
        photo_agreement=agreement(np.array([row.log_ratio or 0.0 for row, _ in pairs])),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """On how many strips photo and eye were on the right side of the site's limits; p of McNemar's exact test."""

    both: int
    only_photo: int
    only_eye: int
    neither: int
    p: float

    @property
    def strips(self) -> int:
        """All of them."""
        return self.both + self.only_photo + self.only_eye + self.neither


def sides_of(table: StudyTable, *, low: float, high: float) -> Sides | None:
    """Return on which side of the site's limits photo and eye put each strip; None under five strips."""

    def side(value: float) -> int:
        return int(value >= low) + int(value > high)

    eyes: dict[str, list[float]] = {}
    for eye in table.eyes:
        eyes.setdefault(eye.code, []).append(eye.value)
    right = [
        (side(row.estimate or 0.0) == side(row.truth), side(float(np.mean(eyes[row.code]))) == side(row.truth))
        for row in table.first_photos()
        if row.code in eyes
    ]
    if len(right) < 5:
        return None
    only_photo, only_eye = (sum(a and not b for a, b in pairs) for pairs in (right, [(b, a) for a, b in right]))
    return Sides(both=sum(a and b for a, b in right), only_photo=only_photo, only_eye=only_eye,
                 neither=sum(not a and not b for a, b in right), p=mcnemar_p(only_photo, only_eye))  # fmt: skip


# --- flags -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A strip unlike the others of its strength; it stays in.

    Attributes
    ----------
    test : str
        ``cochran``: its photos scatter more; ``grubbs``: its mean lies apart.
    critical : float
        At 1 % (ISO 5725-2 calls what is over that an outlier).
    """

    test: str
    code: str
    strength: str
    statistic: float
    critical: float


def find_flags(table: StudyTable) -> tuple[Flag, ...]:
    """Return the strips that Cochran's or Grubbs' test sets apart at 1 %."""
    flags: list[Flag] = []
    for strength in (one for one in table.strengths if one.kind == "strength"):
        strips: dict[str, list[float]] = {}
        for row in table.photos:
            if row.strength == strength.name and row.log_ratio is not None:
                strips.setdefault(row.code, []).append(row.log_ratio)
        flags += _cochran(strips, strength)
        flags += _grubbs({code: float(np.mean(values)) for code, values in strips.items()}, strength)
    return tuple(flags)


def _cochran(strips: dict[str, list[float]], strength: Strength) -> list[Flag]:
    spread = {code: float(np.var(values, ddof=1)) for code, values in strips.items() if len(values) > 1}
    if len(spread) < 3 or not sum(spread.values()) > 0:
        return []
    code = max(spread, key=lambda one: spread[one])
    photos = round(float(np.mean([len(strips[one]) for one in spread])))
    statistic, critical = spread[code] / sum(spread.values()), cochran_critical(len(spread), photos, alpha=0.01)
    if statistic <= critical:
        return []
    return [Flag(test="cochran", code=code, strength=strength.name, statistic=statistic, critical=critical)]


def _grubbs(means: dict[str, float], strength: Strength) -> list[Flag]:
    values = np.array(list(means.values()))
    if len(values) < 3 or not values.std() > 0:
        return []
    apart = np.abs(values - values.mean()) / values.std(ddof=1)
    worst = int(np.argmax(apart))
    critical = grubbs_critical(len(values), alpha=0.01)
    if apart[worst] <= critical:
        return []
    return [Flag(test="grubbs", code=list(means)[worst], strength=strength.name, statistic=float(apart[worst]),
                 critical=critical)]  # fmt: skip


def cochran_critical(groups: int, each: int, *, alpha: float) -> float:
    """Return the critical share of the largest variance, of groups with ``each`` values; from Fisher's F."""
    from scipy.stats import f

    quantile = float(f.ppf(1 - alpha / groups, each - 1, (groups - 1) * (each - 1)))
    return 1 / (1 + (groups - 1) / quantile)


def grubbs_critical(count: int, *, alpha: float) -> float:
    """Return the critical distance of the farthest value, two-sided, in standard deviations; from Student's t."""
    from scipy.stats import t

    quantile = float(t.ppf(1 - alpha / (2 * count), count - 2))
    return (count - 1) / math.sqrt(count) * math.sqrt(quantile**2 / (count - 2 + quantile**2))


def places_of(rows: Sequence[PhotoRow]) -> tuple[tuple[str, str], ...]:
    """Return the pairs of phone and light, in their order."""
    return tuple(sorted({(row.phone, row.light) for row in rows}))
