"""What a rule looks at: a strip, or one pad of it with the sample that it was dipped into."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

from stripread.check.history import History
from stripread.i18n import Number, Shown
from stripread.lot import Lot, PadCalibration
from stripread.read import PadReading, Reading
from stripread.site import Expectation, SampleType
from stripread.strip import StripKind
from stripread.water import in_sample

__all__ = ["PadCase", "StripCase"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripCase:
    """A strip, when it was dipped and judged, and what was before; None where no record is at hand.

    ``waited_s`` is what a timer counted from the dip to the photo, which needs no clock of the camera's.
    """

    reading: Reading
    today: date
    dipped_at: datetime | None
    waited_s: float | None = None
    history: History | None = None

    @property
    def lot(self) -> Lot:
        """The strip's lot."""
        return self.reading.lot

    @property
    def kind(self) -> StripKind:
        """The strip's kind."""
        return self.reading.measurement.kind


@dataclass(frozen=True, slots=True, kw_only=True)
class PadCase:
    """A pad of a strip, the sample that it was dipped into (None where nobody said), and what was before."""

    reading: Reading
    pad: PadReading
    sample: SampleType | None
    history: History | None = None

    @property
    def kind(self) -> StripKind:
        """The strip's kind."""
        return self.reading.measurement.kind

    @property
    def calibration(self) -> PadCalibration:
        """The lot's curve for this pad."""
        return self.reading.lot.pad(self.pad.pad)

    @property
    def factor(self) -> float:
        """What a number of the strip is to be multiplied by to be one of the sample: 1 where nothing was diluted."""
        return 1.0 if self.reading.dilution is None else self.reading.dilution.factor

    def in_sample(self, value: float, write: Callable[[float], Number]) -> Shown:
        """Write a number of the strip as one of the sample."""
        return in_sample(value, self.reading.dilution, write)

    @property
    def expected(self) -> Expectation | None:
        """What the sample should have of the pad's analyte; None where nobody said."""
        return None if self.sample is None else self.sample.expectation(self.pad.analyte)
