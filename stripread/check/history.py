"""What was done and read before, as far as it bears on one reading: plain facts that the record hands to the rules.

Every field may be empty: a rule that lacks its facts stays silent.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np

from stripread.check.method import Method
from stripread.i18n import Message, Shown
from stripread.read import Censored, Limit
from stripread.units import Measured

__all__ = ["FileStanding", "Forecast", "History", "Line", "PastReading", "Point", "Recipe"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Where the sample was taken; ``flush_s`` is how long it is flushed first, ``before_injector`` its place."""

    name: str
    flush_s: float = 0.0
    before_injector: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PastReading:
    """One earlier reading of one analyte.

    Attributes
    ----------
    name : str
        How people find it in the record.
    at : datetime
        When the sample was taken, with its zone.
    value, u, interval, censored, limit, degrees_of_freedom
        As reported (`check.case.ReadAnalyte`).
    """

    name: str
    at: datetime
    point: str | None
    sample: str | None
    analyte: str
    unit: str
    value: float | None
    u: float | None
    valid: bool
    photo_sha256: str = ""
    interval: tuple[float | None, float | None] | None = None
    censored: Censored | None = None
    limit: Limit | None = None
    degrees_of_freedom: float = math.inf
    method: Method = field(default_factory=Method)

    @property
    def standard_uncertainty(self) -> float | None:
        """The same as ``u``, by the name that a reading has for it."""
        return self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What a batch was made of gives this strength by mass balance; ``words`` tells the parts.

    ``quantiles`` are those of `Measured`, where the strength does not lie evenly about its value.
    """

    value: float
    u: float
    words: Shown
    degrees_of_freedom: float = math.inf
    quantiles: tuple[float, ...] | None = None

    @property
    def strength(self) -> Measured:
        """With its distribution [mg/L]."""
        return _strength(self.value, self.u, self.degrees_of_freedom, self.quantiles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What a stock should still have now by its own loss of strength, and until when it is good."""

    value: float
    u: float
    made_at: datetime
    use_until: datetime | None = None
    quantiles: tuple[float, ...] | None = None

    @property
    def strength(self) -> Measured:
        """With its distribution [mg/L]."""
        return _strength(self.value, self.u, math.inf, self.quantiles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The outlet before this one, today, and the share of strength that was left between both on earlier days."""

    before: PastReading
    usual_left: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileStanding:
    """What the record knows of the file of a lot or card.

    Attributes
    ----------
    state : {"accepted", "other", "waits", "never"}
        It holds; another one does; it has been accepted by one person and waits for a second, while none holds;
        nobody accepted any.
    usual : bool
        Whether the site asks that such files are accepted: one that nobody accepted is then doubtful.
    by, on : str
        Who accepted the file that holds or waits, and on which day.
    accepted_sha256 : str
        Of the file that holds.
    """

    sort: Literal["lot", "card"]
    name: str
    sha256: str
    state: Literal["accepted", "other", "waits", "never"]
    usual: bool = False
    by: str = ""
    on: str = ""
    accepted_sha256: str = ""

    @property
    def words(self) -> Message:
        """Which one it is."""
        if self.sort == "lot":
            return Message("lot %(name)s", name=self.name)
        return Message("card %(name)s", name=self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the rules may look back on.

    Attributes
    ----------
    now, at : datetime
        When the reading is judged, and when its sample was taken; both with a zone.
    flushed_s : float or None
        How long the outlet was flushed; None where nobody said.
    method : Method
        By what means the reading itself was made.
    same_point : tuple of PastReading
        Earlier ones of the same point and sample type by the same means, all analytes, oldest first.
    lately : tuple of PastReading
        Strips taken within the last hours, at any point.
    other_methods : tuple of PastReading
        Good ones of the same sample (`methods.SAME_SAMPLE`) by other means, the nearest in time first.
    photos : mapping of str to Shown
        SHA-256 of the photos that are in the record already, and where each was used.
    not_over : Shown or None
        An event of the point's line whose checks are not all ticked, and which are not.
    clock_step : Shown or None
        How far ``now`` lies before the last entry of the record, or too far after it.
    checks : tuple of float, or None
        Scores of the lot's check standards that count (`normal_score`), oldest first; None where the record keeps no
        checks at all.
    """

    now: datetime
    at: datetime
    point: Point | None = None
    flushed_s: float | None = None
    same_point: tuple[PastReading, ...] = ()
    lately: tuple[PastReading, ...] = ()
    method: Method = field(default_factory=Method)
    other_methods: tuple[PastReading, ...] = ()
    photos: Mapping[str, Shown] = field(default_factory=dict)
    checks: tuple[float, ...] | None = None
    recipe: Recipe | None = None
    forecast: Forecast | None = None
    line: Line | None = None
    not_over: Shown | None = None
    clock_step: Shown | None = None


def _strength(value: float, u: float, freedom: float, quantiles: tuple[float, ...] | None) -> Measured:
    if quantiles is None:
        return Measured(value, u, degrees_of_freedom=freedom)
    return Measured.from_quantiles(np.array(quantiles), value=value)
