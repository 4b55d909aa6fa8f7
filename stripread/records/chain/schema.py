"""What an exported table's columns are: the one list that the writer, the reader and the published schema share.

Table Schema and Data Package, version 1, of Frictionless Data: the package ``frictionless`` 5 found packages written
so to be valid.
"""

import json
from collections.abc import Mapping
from typing import Any

from stripread.records.chain.canonical import COLUMNS, canonical_json
from stripread.records.chain.entries import Kind
from stripread.records.queries.projection import reading_rows

__all__ = ["TABLES", "cells_of", "completed", "data_package", "row_of", "table_rows", "table_schema"]

TABLES: dict[str, Kind] = {"readings": "reading", "batches": "batch"}

# Columns of every table, those of the chain; name, type, words.
_ENTRY = (
    ("seq", "integer", "Number of the entry in the record"),
    ("kind", "string", "What kind of entry it is"),
    ("at_utc", "string", "When it was entered, UTC"),
    ("zone_offset", "string", "Offset of the local time from UTC, where it was entered"),
    ("zone_name", "string", "Name of that zone"),
    ("who", "string", "Who entered it"),
    ("software", "string", "What wrote it"),
    ("subject", "string", "Point of a reading, id of a batch"),
    ("supersedes", "integer", "Entry in whose place it stands"),
    ("origin", "string", "Of an imported entry: the hash that it had before"),
    ("files", "array", "Photos, lot and card file that it rests on, by their SHA-256"),
    ("payload", "object", "The whole entry; in a further row of a strip with several pads it is left out"),
    ("previous_hash", "string", "Hash of the entry before it"),
    ("hash", "string", "Hash of the entry"),
)
_READING = (
    ("pad_index", "integer", "Which pad of the strip, from 0; empty for a reading that was withdrawn"),
    ("when_utc", "string", "When the photo or the measurement was taken, else when it was entered; UTC"),
    ("point", "string", "Where the sample was taken"),
    ("sample", "string", "Sample type"),
    ("lot", "string", "Lot of the strip"),
    ("strip_kind", "string", "Kind of the strip"),
    ("pad", "string", "Which pad; of other means than a strip, the analyte"),
    ("analyte", "string", "What it measures"),
    ("unit", "string", "Unit of value, u, low, high, limit_value"),
    ("value", "number", "The reading; empty where no number may be reported"),
    ("u", "number", "Its standard uncertainty (k = 1)"),
    ("low", "number", "Lower end of the 95 % interval; empty where open"),
    ("high", "number", "Upper end of the 95 % interval; empty where open"),
    ("censored", "string", "below or above, where only a bound is known"),
    ("limit_value", "number", "That bound"),
    ("range_state", "string", "within, below, above or undecided, of the range expected"),
    ("probability_within", "number", "That the true value lies in the range expected"),
    ("validity", "string", "valid, doubtful or invalid"),
    ("method", "string", "strip, or by what other means: meter, titration, laboratory, other"),
)
_BATCH = (
    ("made_at", "datetime", "When it was made"),
    ("batch_kind", "string", "concentrate, stock or top-up"),
    ("made_by", "string", "Who made it"),
    ("water_l", "number", "Water put in, litres"),
    ("expected_mg_per_l", "number", "Strength that the recipe should give"),
    ("u_expected_mg_per_l", "number", "Its standard uncertainty (k = 1)"),
    ("tank", "string", "Where it is"),
    ("cover", "string", "What covers it"),
)
_OWN = {"readings": _READING, "batches": _BATCH}
_ALLOWED = {
    "validity": ["valid", "doubtful", "invalid"],
    "range_state": ["within", "below", "above", "undecided"],
    "censored": ["below", "above"],
    "batch_kind": ["concentrate", "stock", "top-up"],
}
_LATER = {"method"}  # columns that exports of before did not have
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")  # the last so that what had an apostrophe keeps it
_NEEDED = {"seq", "kind", "at_utc", "zone_offset", "who", "software", "files", "previous_hash", "hash"}


def table_schema(table: str) -> dict[str, Any]:
    """Return the Table Schema of ``readings`` or ``batches``."""
    fields = []
    for name, kind, words in (*_OWN[table], *_ENTRY):
        constraints: dict[str, Any] = {"required": True} if name in _NEEDED else {}
        if name in _ALLOWED:
            constraints["enum"] = _ALLOWED[name]
        field: dict[str, Any] = {"name": name, "type": kind, "description": words}
        if kind == "datetime":
            field["format"] = "any"  # ISO 8601 with any offset; "default" would be UTC alone
        fields.append({**field, "constraints": constraints} if constraints else field)
    return {"fields": fields, "missingValues": [""]}


def data_package(resources: Mapping[str, Mapping[str, Any]], *, created: str) -> dict[str, Any]:
    """Return the descriptor; ``resources`` has for each table its ``path``, ``format``, ``bytes`` and ``hash``."""
    return {
        "profile": "data-package",
        "name": "stripread-records",
        "title": "Readings and batches of a site's record",
        "created": created,
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": table,
                "encoding": "utf-8",
                **resource,
                "schema": f"{table}.schema.json",
            }
            for table, resource in resources.items()
        ],
    }


def table_rows(table: str, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of an exported table for one row of the chain, as JSON values."""
    entry = {name: row[name] for name in COLUMNS}
    entry |= {"files": json.loads(row["files"]), "payload": json.loads(row["payload"])}
    if table == "batches":
        said = entry["payload"]
        told = {name: said.get("kind" if name == "batch_kind" else name) for name, _, _ in _BATCH}
        own = {name: None if value == "" else value for name, value in told.items()}  # CSV cannot tell them apart
        return [{**own, **entry}]
    pads = reading_rows(row)
    if not pads:
        return [{**{name: None for name, _, _ in _READING}, **entry}]
    further = {**entry, "payload": None}
    return [
        {**{name: pad[name] for name, _, _ in _READING}, **(entry if index == 0 else further)}
        for index, pad in enumerate(pads)
    ]


def cells_of(table: str, values: Mapping[str, Any]) -> list[str]:
    """Return a row's values as cells of CSV; floats with all their digits.

    Words that a spreadsheet would take for a formula get an apostrophe before them, which `row_of` takes off: names are
    typed by people, and a formula can send what stands beside it elsewhere.
    """
    return [_harmless(name, kind, _cell(values[name])) for name, kind, _ in (*_OWN[table], *_ENTRY)]


def _harmless(name: str, kind: str, cell: str) -> str:
    return f"'{cell}" if _is_typed(name, kind) and cell.startswith(_FORMULA) else cell


def _is_typed(name: str, kind: str) -> bool:
    return kind == "string" and name != "zone_offset"  # which is +02:00 by itself


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return canonical_json(value) if isinstance(value, dict | list) else str(value)


def row_of(table: str, cells: Mapping[str, str]) -> dict[str, Any]:
    """Return the values of a row of CSV; `ValueError` or `KeyError` where a cell or column is wrong."""
    return completed(table, {name: _value(name, kind, cells[name]) for name, kind, _ in _columns(table, cells)})


def _columns(table: str, cells: Mapping[str, str]) -> list[tuple[str, str, str]]:
    return [one for one in (*_OWN[table], *_ENTRY) if one[0] in cells or one[0] not in _LATER]


def completed(table: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row's values with the columns that exports of before did not have: their readings are of strips."""
    if table != "readings" or "method" in values:
        return dict(values)
    return {**values, "method": None if values["pad_index"] is None else "strip"}


def _value(name: str, kind: str, cell: str) -> Any:
    if _is_typed(name, kind) and cell.startswith("'") and cell[1:].startswith(_FORMULA):
        return cell[1:]
    if cell == "":
        return None
    if kind == "integer":
        return int(cell)
    if kind == "number":
        return float(cell)
    return json.loads(cell) if kind in ("array", "object") else cell
