"""A measured strip held against its lot: a reading; several readings of one sample combined."""

from stripread.read.combine import combine_readings
from stripread.read.strip import Censored, Limit, PadReading, Reading, read_measurement, read_strip, report_pad

__all__ = [
    "Censored",
    "Limit",
    "PadReading",
    "Reading",
    "combine_readings",
    "read_measurement",
    "read_strip",
    "report_pad",
]
