"""The results of a study as one tidy table: a row for each photo, and one for each reading by eye."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from stripread.geometry import Float
from stripread.study.shape import PhotoRole, Strength

__all__ = ["EyeRow", "PhotoRow", "StudyTable"]

_K = 1.96  # half-width of a 95 % interval over its standard deviation, of a normal distribution
_LEAST = 0.1  # of the truth: an estimate of nothing at all counts as this in logarithms


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRow:
    """One photo.

    Attributes
    ----------
    truth, u_truth : float
        What the strip was dipped into, and its standard uncertainty (k = 1).
    estimate, low, high : float or None
        What the inversion gave, whether it may be reported or not, with its 95 % interval; an end is None where the
        curve ends first. All None where the photo was refused.
    stated : tuple of (float or None) or None
        The interval that people are shown; None where none is.
    detected : bool
        Whether the reading says that there is something.
    familiar : bool
        Whether card and light looked as in the calibration: the LOD is stated for that.
    number : int
        Which photo of its strip, from 1.
    """

    code: str
    strength: str
    session: int
    person: str
    number: int
    role: PhotoRole
    phone: str
    light: str
    truth: float
    u_truth: float
    estimate: float | None
    u: float | None
    low: float | None
    high: float | None
    stated: tuple[float | None, float | None] | None
    detected: bool
    familiar: bool = True

    @property
    def log_ratio(self) -> float | None:
        """Return ln of the estimate over the truth; None for a blank, or without an estimate."""
        if self.estimate is None or not self.truth > 0:
            return None
        return math.log(max(self.estimate, _LEAST * self.truth) / self.truth)

    @property
    def z(self) -> float | None:
        """The log ratio in units of what the interval states on the side where the truth lies.

        It is beyond 1.96 where the interval, widened by the truth's own uncertainty, misses the truth. 0 where the
        interval is open on that side.
        """
        ratio = self.log_ratio
        if ratio is None or self.estimate is None:
            return None
        end = self.low if ratio > 0 else self.high
        if end is None or end <= 0:
            return 0.0
        half = abs(math.log(end / max(self.estimate, _LEAST * self.truth)))
        return ratio / math.hypot(half / _K, self.u_truth / self.truth)

    @property
    def held(self) -> bool | None:
        """Whether the shown interval, widened by the truth's own uncertainty, has the truth in it; None without one."""
        if self.stated is None or self.estimate is None:
            return None
        reach = _K * self.u_truth
        low, high = self.stated
        over = low is None or self.estimate - math.hypot(self.estimate - low, reach) <= self.truth
        return over and (high is None or self.truth <= self.estimate + math.hypot(high - self.estimate, reach))


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeRow:
    """What a person read by eye on a strip, before the program showed anything."""

    code: str
    who: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTable:
    """All results of a study, its truth opened."""

    strengths: tuple[Strength, ...]
    photos: tuple[PhotoRow, ...]
    eyes: tuple[EyeRow, ...] = field(default=())

    @property
    def codes(self) -> tuple[str, ...]:
        """The strips that have a photo, in their order."""
        return tuple(dict.fromkeys(row.code for row in self.photos))

    def of_kind(self, *kinds: str) -> tuple[PhotoRow, ...]:
        """Return the photos at strengths of a kind."""
        names = {one.name for one in self.strengths if one.kind in kinds}
        return tuple(row for row in self.photos if row.strength in names)

    def first_photos(self, *kinds: str, familiar: bool = False) -> tuple[PhotoRow, ...]:
        """Return the first photo of each strip that was not refused; ``familiar``: and was taken as the lot's own."""
        found: dict[str, PhotoRow] = {}
        for row in self.of_kind(*(kinds or ("blank", "lod", "strength"))):
            if row.estimate is None or (familiar and not row.familiar):
                continue
            if row.code not in found or row.number < found[row.code].number:
                found[row.code] = row
        return tuple(found.values())

    def strip_means(self, *, phone: str | None = None, light: str | None = None) -> dict[str, Float]:
        """Return for each strength the mean log ratios of its strips, over all their photos or those of a place."""
        means: dict[str, list[float]] = {}
        for strength, rows in self._by_strip():
            own = [r.log_ratio for r in rows if phone in (None, r.phone) and light in (None, r.light)]
            known = [one for one in own if one is not None]
            if known:
                means.setdefault(strength, []).append(float(np.mean(known)))
        return {name: np.array(values) for name, values in means.items()}

    def _by_strip(self) -> Iterator[tuple[str, Sequence[PhotoRow]]]:
        strips: dict[str, list[PhotoRow]] = {}
        for row in self.of_kind("strength"):
            strips.setdefault(row.code, []).append(row)
        for rows in strips.values():
            yield rows[0].strength, rows
