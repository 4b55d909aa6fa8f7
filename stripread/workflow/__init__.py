"""What a reading leaves in the record, and what the record says to it before: the same for every face."""

from stripread.workflow.recording import (
    PHOTO_SUFFIX,
    Taking,
    batch_for,
    history_for,
    keep_lot,
    record_check,
    record_reading,
)

__all__ = [
    "PHOTO_SUFFIX",
    "Taking",
    "batch_for",
    "history_for",
    "keep_lot",
    "record_check",
    "record_reading",
]
