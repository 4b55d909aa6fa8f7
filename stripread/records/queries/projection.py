"""What the narrow tables must hold for an entry; a pure function of its columns."""

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any

from stripread.check import Method
from stripread.files import read_json
from stripread.records.chain.canonical import parse_offset, parse_utc, utc_text

__all__ = ["file_rows", "finding_rows", "reading_rows", "when_utc"]


def reading_rows(row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of ``readings`` for an entry, one a pad; none where it is no reading, or a withdrawn one."""
    if row["kind"] != "reading":
        return []
    payload = read_json(row["payload"], any_number=True)
    if payload.get("withdrawn"):
        return []
    when = when_utc(payload, row)
    return [
        {
            "seq": row["seq"],
            "pad_index": index,
            "when_utc": when,
            "point": payload.get("point") or None,
            "sample": payload.get("sample") or None,
            "lot": payload.get("lot") or None,
            "strip_kind": payload.get("kind") or None,
            "pad": pad["pad"],
            "analyte": pad["analyte"],
            "unit": pad["unit"],
            "value": _float(pad["value"]),
            "u": _float(pad["standard_uncertainty"]),
            "low": None if pad["interval"] is None else _float(pad["interval"][0]),
            "high": None if pad["interval"] is None else _float(pad["interval"][1]),
            "censored": pad["censored"],
            "limit_value": None if pad["limit"] is None else _float(pad["limit"]["value"]),
            "range_state": pad["range_state"],
            "probability_within": _float(pad["probability_within"]),
            "validity": payload["validity"],
            "method": Method.of_payload(payload).by,
        }
        for index, pad in enumerate(payload["pads"])
    ]


def finding_rows(row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of ``findings`` for an entry, in their order; none where it is no reading, or a withdrawn one."""
    if row["kind"] != "reading":
        return []
    payload = read_json(row["payload"], any_number=True)
    if payload.get("withdrawn"):
        return []
    return [
        {"seq": row["seq"], "finding_index": i, "code": f["code"], "severity": f["severity"]}
        for i, f in enumerate(payload.get("findings") or [])
    ]


def file_rows(row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of ``files`` for an entry."""
    return [
        {"seq": row["seq"], "file_index": i, "role": f["role"], "sha256": f["sha256"], "path": f["path"]}
        for i, f in enumerate(read_json(row["files"], any_number=True))
    ]


def when_utc(payload: Mapping[str, Any], row: Mapping[str, Any]) -> str:
    """Return when a reading was taken: the photo's time, else when it was entered first.

    A photo's time without a zone is taken to be in the zone in which it was entered: the phone that took it is there.
    """
    first = payload.get("imported") or row
    taken = payload.get("taken_at")
    if taken is not None:
        at = datetime.fromisoformat(taken)
        with suppress(OverflowError):  # a phone's clock in the year 1
            return utc_text(at if at.tzinfo is not None else at.replace(tzinfo=parse_offset(first["zone_offset"])))
    return utc_text(parse_utc(first["at_utc"]))


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)
