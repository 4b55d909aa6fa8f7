"""The words for states that are data too: in JSON they stand as their keys, to people they are shown as messages."""

from collections.abc import Mapping

from stripread.i18n import Message

__all__ = ["LIMIT_NAMES", "RANGE_STATES", "VALIDITY"]

VALIDITY: Mapping[str, Message] = {
    "valid": Message("valid"),
    "doubtful": Message("doubtful"),
    "invalid": Message("invalid"),
}
RANGE_STATES: Mapping[str, Message] = {
    "within": Message("within"),
    "above": Message("above"),
    "below": Message("below"),
    "undecided": Message("undecided"),
}
LIMIT_NAMES: Mapping[str, Message] = {  # of `read.Limit`
    "LOD": Message("LOD"),
    "LOQ": Message("LOQ"),
    "interval's end": Message("interval's end"),
    "lowest block": Message("lowest block"),
    "lowest calibrator": Message("lowest calibrator"),
    "top calibrator": Message("top calibrator"),
    "bound as entered": Message("bound as entered"),  # of an entered reading
}
