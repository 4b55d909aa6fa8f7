"""The record of a site: append-only, each entry chained to the one before by its hash."""

from stripread.records.chain.entries import (
    Batch,
    CheckStandard,
    Draft,
    Entry,
    FileRef,
    InjectorSetting,
    Note,
    Part,
    Point,
    Stamp,
)
from stripread.records.queries.readings import ReadingFilter, RecordedPad, RecordedReading
from stripread.records.store import Recorded, Records, has_records, open_records

__all__ = [
    "Batch",
    "CheckStandard",
    "Draft",
    "Entry",
    "FileRef",
    "InjectorSetting",
    "Note",
    "Part",
    "Point",
    "ReadingFilter",
    "Recorded",
    "RecordedPad",
    "RecordedReading",
    "Records",
    "Stamp",
    "has_records",
    "open_records",
]
