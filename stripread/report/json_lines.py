"""Readings, card checks and errors as the JSON objects that other programs rely on.

The keys are those of ``docs/reference/cli.md``; they stay. No value is ever NaN: what is not a number is null.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Any

from stripread.colour import Correction
from stripread.errors import StripReadError
from stripread.findings import Finding
from stripread.geometry import Float
from stripread.i18n import Shown
from stripread.measure import CardInspection

__all__ = ["card_check_json", "error_json", "reading_json", "to_line"]


def to_line(record: Mapping[str, Any]) -> str:
    """Return a record as one line of JSON; ``ValueError`` should a NaN have slipped through."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, default=_english)


def _english(thing: object) -> str:
    if isinstance(thing, Shown):
        return str(thing)
    raise TypeError(f"{type(thing).__name__} is no JSON value")


def reading_json(
    payload: Mapping[str, Any], *, photo: str, timing_ms: Mapping[str, float], budget: bool = False
) -> dict[str, Any]:
    """Return a checked reading as commands print it.

    Parameters
    ----------
    payload : mapping
        What was measured, as the record would keep it (`stripread.workflow.payload`).
    photo : str
        The file as the caller named it.
    timing_ms : mapping
        A figure per stage, those of the measurement and the caller's own.
    budget : bool
        Whether to show what contributes to each pad's uncertainty.
    """
    shown: dict[str, Any] = {}
    for key, value in payload.items():
        if key == "flash_photo":
            shown["timing_ms"] = {stage: round(ms, 1) for stage, ms in timing_ms.items()}
        if key != "budget" or budget:
            shown[key] = value
    if not budget:
        shown["pads"] = [{key: value for key, value in pad.items() if key != "budget"} for pad in payload["pads"]]
    return {**shown, "photo": photo}


def card_check_json(seen: CardInspection, *, photo: str, findings: Iterable[Finding]) -> dict[str, Any]:
    """Return what a photo shows of a card; with ``error`` as of other photos where it would not be read."""
    record: dict[str, Any] = {
        "photo": photo,
        "photo_sha256": seen.photo.sha256,
        "card": seen.card.name,
        "would_read": seen.refusal is None,
        "geometry": {"card_corners": _points(seen.pose.corners_px)},
        "correction": None if seen.correction is None else correction_json(seen.correction),
        "findings": findings_json(findings),
        "timing_ms": {stage: round(ms, 1) for stage, ms in seen.timing_ms.items()},
    }
    return record if seen.refusal is None else record | error_json(seen.refusal, photo=photo)


def error_json(error: StripReadError, *, photo: str) -> dict[str, Any]:
    """Return why a photo gives no measurement."""
    return {
        "photo": photo,
        "error": {
            "code": error.code,
            "expected": str(error.expected),
            "found": str(error.found),
            "remedy": str(error.remedy),
        },
    }


def findings_json(findings: Iterable[Finding]) -> list[dict[str, str]]:
    """Return findings in their order."""
    return [
        {"code": f.code, "severity": f.severity, "message": str(f.message), "advice": str(f.advice)} for f in findings
    ]


def correction_json(correction: Correction) -> dict[str, Any]:
    """Return the method and how far patches that were left out of the fit land from their colours, in CIEDE2000."""
    return {
        "method": correction.map.method,
        "residual_de00_mean": round(correction.residual_de00_mean, 3),
        "residual_de00_max": round(correction.residual_de00_max, 3),
    }


def _points(points: Float) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points]
