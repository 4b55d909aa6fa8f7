"""A reading held against its sample type, its lot and its read window: the verdict."""

from stripread.check.conformity import RangeState
from stripread.check.replicates import check_replicates
from stripread.check.verdict import PadVerdict, Validity, Verdict, check_reading, doubted
from stripread.check.words import LIMIT_NAMES, RANGE_STATES, VALIDITY

__all__ = [
    "LIMIT_NAMES",
    "RANGE_STATES",
    "VALIDITY",
    "PadVerdict",
    "RangeState",
    "Validity",
    "Verdict",
    "check_reading",
    "check_replicates",
    "doubted",
]
