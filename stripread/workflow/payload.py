"""The payload of a reading: the JSON object that the record keeps and hashes.

Old records are verified against it: a key may be added, none renamed, moved or taken out, and no number be written in
another way. What commands print is made from it (`report.json_lines`), not the other way round. No value is ever NaN:
what is not a number is null.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from stripread import __version__
from stripread.check import Verdict
from stripread.findings import Finding
from stripread.geometry import Float
from stripread.lot import COVERAGE
from stripread.photo import PhotoFile
from stripread.site import SampleType
from stripread.units import kept_findings
from stripread.water import dilution_of_payload
from stripread.workflow.sample import SampleContext

__all__ = ["context_of_payload", "expected_payload", "findings_payload", "measured_payload", "reading_payload"]


def reading_payload(verdict: Verdict, context: SampleContext, photos: Sequence[str]) -> dict[str, Any]:
    """Return the payload of a reading.

    Parameters
    ----------
    photos : sequence of str
        Names of those that it rests on; several where they were combined.
    """
    payload = measured_payload(verdict, context)
    if context.together:
        payload["together"] = list(photos)
    payload["how"] = _how(context)
    if verdict.findings:
        payload["messages"] = kept_findings(verdict.findings)  # to show them in another language, later
    return payload


def measured_payload(verdict: Verdict, context: SampleContext) -> dict[str, Any]:
    """Return what was measured and found; the same when a photo is read again with the same lot."""
    reading = verdict.reading
    measured = reading.measurement
    correction = measured.card.correction
    pads = [_pad(verdict, index) for index in range(len(verdict.pads))]
    first = {key: value for key, value in pads[0].items() if key not in ("pad", "findings")}
    return {
        "photo": reading.photo,
        "photo_sha256": reading.photo_sha256,
        "taken_at": None if reading.taken_at is None else reading.taken_at.isoformat(),
        "camera": reading.camera,
        "card": measured.card.card.name,
        "lot": reading.lot.number,
        "kind": measured.kind.name,
        "sample": context.sample.name,
        "point": context.point,
        **first,
        "validity": verdict.validity,
        "findings": findings_payload(verdict.findings),
        "cautions": list(map(str, verdict.cautions)),
        "pads": pads,
        "correction": {
            "method": correction.map.method,
            "residual_de00_mean": round(correction.residual_de00_mean, 3),
            "residual_de00_max": round(correction.residual_de00_max, 3),
        },
        "geometry": {
            "card_corners": _points(measured.card.pose.corners_px),
            "pad_polygons": {pad.pad: _points(pad.polygon_px) for pad in measured.pads},
        },
        "flash_photo": None if measured.flash_photo is None else measured.flash_photo.name,
        "flash_photo_sha256": None if measured.flash_photo is None else measured.flash_photo.sha256,
    }


def context_of_payload(
    payload: Mapping[str, Any], sample: SampleType, *, flash: PhotoFile | None = None
) -> SampleContext:
    """Return what a payload says of its sample, so that its photos can be read again."""
    how = payload.get("how", {})
    dipped_at = how.get("dipped_at")
    return SampleContext(
        sample=sample,
        point=payload["point"],
        batch=how.get("batch"),
        dipped_at=None if dipped_at is None else datetime.fromisoformat(dipped_at),
        flushed_s=how.get("flushed_s"),
        waited_s=how.get("waited_s"),
        flash=flash,
        dilution=dilution_of_payload(how.get("diluted")),
        together=how.get("together", False),
        one_strip=how.get("one_strip", False),
        replicates=how.get("replicates", False),
    )


def _how(context: SampleContext) -> dict[str, Any]:
    """Return how the sample was taken and with which software it was read."""
    how: dict[str, Any] = {
        "software": f"stripread {__version__}",  # a correction by a later version leaves the numbers as they are
        "together": context.together,
        "one_strip": context.one_strip,
        "replicates": context.replicates,
        "dipped_at": None if context.dipped_at is None else context.dipped_at.isoformat(),
        "flushed_s": context.flushed_s,
        "batch": context.batch,
        "expected": expected_payload(context.sample),
    }
    if context.waited_s is not None:
        how["waited_s"] = context.waited_s
    if context.dilution is not None:
        how["diluted"] = context.dilution.as_payload()
    if context.job is not None:
        how["job"] = context.job
    return how


def expected_payload(sample: SampleType) -> list[dict[str, Any]]:
    """Return what a sample type was expected to have, the analyte that it is judged by first."""
    return [
        {"analyte": e.analyte, "unit": e.unit, "low": e.low, "high": e.high, "target": e.target}
        for e in sample.expectations
    ]


def _pad(verdict: Verdict, index: int) -> dict[str, Any]:
    judged = verdict.pads[index]
    pad = judged.reading
    own = pad.as_dipped
    as_read = {} if own is None else {
        "read_value": _number(own.value),
        "read_standard_uncertainty": _number(own.standard_uncertainty),
        "read_interval": None if own.interval is None else [_number(end) for end in own.interval],
    }  # fmt: skip
    return {
        "pad": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "value": _number(pad.value),
        "standard_uncertainty": _number(pad.standard_uncertainty),
        "interval": None if pad.interval is None else [_number(end) for end in pad.interval],
        **as_read,
        "coverage": COVERAGE,
        "censored": pad.censored,
        "limit": None if pad.limit is None else {"name": pad.limit.name, "value": _number(pad.limit.value)},
        "lab": [round(float(x), 3) for x in pad.lab],
        "delta_e_to_curve": round(pad.delta_e_to_curve, 3),
        "range_state": judged.range_state,
        "probability_within": _number(judged.probability_within),
        "findings": findings_payload(judged.findings),
        "budget": {cause: _number(u) for cause, u in pad.estimate.budget.items()},
    }


def findings_payload(findings: Iterable[Finding]) -> list[dict[str, str]]:
    """Return findings in their order."""
    return [
        {"code": f.code, "severity": f.severity, "message": str(f.message), "advice": str(f.advice)} for f in findings
    ]


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _points(points: Float) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in points]
