"""Readings, card checks and errors as the JSON objects that other programs rely on.

The keys are those of ``docs/reference/cli.md``; they stay. No value is ever NaN: what is not a number is null.
"""

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

from stripread.check import Verdict
from stripread.colour.correct import Correction
from stripread.errors import StripReadError
from stripread.findings import Finding
from stripread.geometry import Float
from stripread.lot.inverse import COVERAGE
from stripread.measure import CardInspection

__all__ = ["card_check_json", "error_json", "reading_json", "to_line"]


def to_line(record: Mapping[str, Any]) -> str:
    """Return a record as one line of JSON; ``ValueError`` should a NaN have slipped through."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False)


def reading_json(
    verdict: Verdict,
    *,
    photo: str,
    sample: str,
    point: str | None,
    timing_ms: Mapping[str, float],
    budget: bool = False,
) -> dict[str, Any]:
    """Return a checked reading.

    Parameters
    ----------
    photo : str
        The file as the caller named it.
    timing_ms : mapping
        A figure per stage, those of the measurement and the caller's own.
    budget : bool
        Whether to add what contributes to each pad's uncertainty.
    """
    reading = verdict.reading
    measured = reading.measurement
    pads = [_pad_json(verdict, index, budget=budget) for index in range(len(verdict.pads))]
    first = {key: value for key, value in pads[0].items() if key not in ("pad", "findings")}
    return {
        "photo": photo,
        "photo_sha256": reading.photo_sha256,
        "taken_at": None if reading.taken_at is None else reading.taken_at.isoformat(),
        "camera": reading.camera,
        "card": measured.card.card.name,
        "lot": reading.lot.number,
        "kind": measured.kind.name,
        "sample": sample,
        "point": point,
        **first,
        "validity": verdict.validity,
        "findings": findings_json(verdict.findings),
        "cautions": list(verdict.cautions),
        "pads": pads,
        "correction": correction_json(measured.card.correction),
        "geometry": {
            "card_corners": _points(measured.card.pose.corners_px),
            "pad_polygons": {pad.pad: _points(pad.polygon_px) for pad in measured.pads},
        },
        "timing_ms": {stage: round(ms, 1) for stage, ms in timing_ms.items()},
        "flash_photo": None if measured.flash_photo is None else measured.flash_photo.name,
        "flash_photo_sha256": None if measured.flash_photo is None else measured.flash_photo.sha256,
    }


def _pad_json(verdict: Verdict, index: int, *, budget: bool) -> dict[str, Any]:
    judged = verdict.pads[index]
    pad = judged.reading
    record: dict[str, Any] = {
        "pad": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "value": _number(pad.value),
        "standard_uncertainty": _number(pad.standard_uncertainty),
        "interval": None if pad.interval is None else [_number(end) for end in pad.interval],
        "coverage": COVERAGE,
        "censored": pad.censored,
        "limit": None if pad.limit is None else {"name": pad.limit.name, "value": _number(pad.limit.value)},
        "lab": [round(float(x), 3) for x in pad.lab],
        "delta_e_to_curve": round(pad.delta_e_to_curve, 3),
        "range_state": judged.range_state,
        "probability_within": _number(judged.probability_within),
        "findings": findings_json(judged.findings),
    }
    if budget:
        record["budget"] = {cause: _number(u) for cause, u in pad.estimate.budget.items()}
    return record


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


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _points(points: Float) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points]
