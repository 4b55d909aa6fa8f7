"""What a rule looks at: a strip, or one analyte of a sample, read by whatever means, with what was before."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol

from stripread.check.history import FileStanding, History
from stripread.i18n import Number, Shown
from stripread.lot import Lot, PadCalibration
from stripread.read import Censored, Limit, PadReading, Reading
from stripread.site import Expectation, SampleType
from stripread.strip import StripKind
from stripread.water import in_sample

__all__ = ["PadCase", "ReadAnalyte", "SampleCase", "StripCase"]


class ReadAnalyte(Protocol):
    """What a pad of a strip and an entered reading have in common: one analyte, as it may be reported."""

    @property
    def analyte(self) -> str:
        """What was measured."""

    @property
    def unit(self) -> str:
        """The unit of all its numbers."""

    @property
    def value(self) -> float | None:
        """The estimate; None where no number may be reported."""

    @property
    def standard_uncertainty(self) -> float | None:
        """Its standard uncertainty (k = 1)."""

    @property
    def interval(self) -> tuple[float | None, float | None] | None:
        """The 95 % interval; an end is None where it is open."""

    @property
    def censored(self) -> Censored | None:
        """To which side of ``limit`` it lies, where only a bound is known."""

    @property
    def limit(self) -> Limit | None:
        """That bound."""

    @property
    def degrees_of_freedom(self) -> float:
        """Of the standard uncertainty; infinite where it is known well, or nobody said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripCase:
    """A strip, when it was dipped and judged, and what was before; None where no record is at hand.

    ``waited_s`` is what a timer counted from the dip to the photo, which needs no clock of the camera's. ``files`` is
    what the record knows of the lot file and the card file that it was read with.
    """

    reading: Reading
    today: date
    dipped_at: datetime | None
    waited_s: float | None = None
    history: History | None = None
    files: tuple[FileStanding, ...] = ()

    @property
    def lot(self) -> Lot:
        """The strip's lot."""
        return self.reading.lot

    @property
    def kind(self) -> StripKind:
        """The strip's kind."""
        return self.reading.measurement.kind


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleCase:
    """One analyte, the sample that it was read of (None where nobody said), and what was before."""

    pad: ReadAnalyte
    sample: SampleType | None
    history: History | None = None

    @property
    def expected(self) -> Expectation | None:
        """What the sample should have of the analyte; None where nobody said."""
        return None if self.sample is None else self.sample.expectation(self.pad.analyte)

    @property
    def by_strip(self) -> bool:
        """Whether a strip was read."""
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class PadCase(SampleCase):
    """A pad of a strip."""

    reading: Reading
    pad: PadReading

    @property
    def kind(self) -> StripKind:
        """The strip's kind."""
        return self.reading.measurement.kind

    @property
    def calibration(self) -> PadCalibration:
        """The lot's curve for this pad."""
        return self.reading.lot.pad(self.pad.pad)

    @property
    def by_strip(self) -> bool:
        """Whether a strip was read."""
        return True

    @property
    def factor(self) -> float:
        """What a number of the strip is to be multiplied by to be one of the sample: 1 where nothing was diluted."""
        return 1.0 if self.reading.dilution is None else self.reading.dilution.factor

    def in_sample(self, value: float, write: Callable[[float], Number]) -> Shown:
        """Write a number of the strip as one of the sample."""
        return in_sample(value, self.reading.dilution, write)
