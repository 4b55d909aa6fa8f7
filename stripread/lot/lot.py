"""The lot file: the curve of each pad of one production lot, and everything it was made from.

JSON; the keys are those of ``docs/reference/file-formats.md``.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stripread import __version__
from stripread.errors import KindFileError, LotFileError
from stripread.files import read_json, write_file
from stripread.geometry import Float
from stripread.i18n import Message, Verbatim
from stripread.lot.chart_curve import METHOD as CHART_METHOD
from stripread.lot.chart_curve import ChartCurve, chart_curve_from_json, chart_curve_to_json
from stripread.lot.conditions import Condition
from stripread.lot.curve import Curve, Scatter
from stripread.lot.path import PATHS
from stripread.lot.shift import Shift, shifted_curve
from stripread.strip import StripKind, kind_to_data, parse_kind

__all__ = ["Calibrator", "LimitOf", "Lot", "PadCalibration", "load_lot", "save_lot"]

FORMAT = "stripread-lot/2"
_MOST_LOG = 50.0  # of K and h, far beyond any strip's: their exponentials are still numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrator:
    """One strip of the series, in one photo."""

    photo: str
    photo_sha256: str
    camera: str | None
    concentration: float
    u_concentration: float
    replicate: str
    lab: tuple[float, float, float]
    beyond: bool  # above the range, kept to know where the pad turns back; not in the fit
    left_out: bool  # left out of the fit at a person's word
    condition: int = 0  # index into the lot's conditions


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitOf:
    """LOD or LOQ with its definition; ``value`` is None where the curve ends below it, or there is no blank."""

    value: float | None
    definition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PadCalibration:
    """Curve and figures of merit of one pad.

    ``beyond`` holds (concentration, L*, a*, b*) of calibrators above the range, in order; ``shifts`` how each of the
    lot's conditions lies beside the curve, in their order.
    """

    pad: str
    analyte: str
    unit: str
    curve: Curve | ChartCurve
    lod: LimitOf
    loq: LimitOf
    beyond: tuple[tuple[float, float, float, float], ...]
    calibrators: tuple[Calibrator, ...]
    lack_of_fit: float  # residual standard deviation of level means in units of their uncertainty
    mismatch_scale: float = 1.0  # factor on the standard uncertainty of the colour correction, for this pad's dye
    shifts: tuple[Shift, ...] = ()

    @property
    def fitted_curve(self) -> Curve:
        """The curve of a calibrated lot; ``LotFileError`` where the lot is only provisional."""
        if isinstance(self.curve, ChartCurve):
            raise LotFileError(
                expected=Message("a calibrated lot"),
                found=Message("a provisional one, made from the chart on its vial"),
                remedy=Message("Calibrate the lot from known dilutions first."),
            )
        return self.curve

    def curve_in(self, weights: Float) -> Curve | ChartCurve:
        """Return the curve in a mixture of the lot's conditions."""
        return shifted_curve(self.fitted_curve, self.shifts, weights) if self.shifts else self.curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One production lot of a strip kind, calibrated in one condition (light and phone) or several.

    A ``provisional`` lot was made from the chart on its vial, not calibrated. ``flash_colours`` is there where the lot
    was calibrated with flash pairs: CIELAB of each patch as the phone shows it in the light of its flash alone.
    ``strip_kind`` is the kind as it was at the calibration, None in files of before.
    ``correction`` says by which colour map the photos were corrected: readings use the same, so that both err alike.
    """

    number: str
    kind: str
    expires: date
    calibrated_on: date
    card: str
    pads: tuple[PadCalibration, ...]
    conditions: tuple[Condition, ...]
    left_out: tuple[str, ...]
    card_u_lab: float = 0.0  # standard uncertainty of the print's measured CIELAB; 0 where it was never measured
    provisional: bool = False
    flash_colours: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    correction: Literal["plain", "spectral"] = "plain"
    strip_kind: StripKind | None = None
    like: str = ""  # SHA-256 of the lot file whose curves told the form of these
    sha256: str = ""

    def pad(self, pad_id: str) -> PadCalibration:
        """Return the calibration of a pad; ``KeyError`` where there is none."""
        for pad in self.pads:
            if pad.pad == pad_id:
                return pad
        raise KeyError(pad_id)


def save_lot(lot: Lot, path: Path) -> None:
    """Write a lot file."""
    data: dict[str, Any] = {
        "format": FORMAT,
        "software": f"stripread {__version__}",
        "number": lot.number,
        "kind": lot.kind,
        **({"provisional": True} if lot.provisional else {}),
        "expires": lot.expires.isoformat(),
        "calibrated_on": lot.calibrated_on.isoformat(),
        "card": lot.card,
        "card_u_lab": lot.card_u_lab,
        "left_out": list(lot.left_out),
        "pads": [_pad_to_json(pad) for pad in lot.pads],
        "conditions": [_condition_to_json(condition) for condition in lot.conditions],
    }
    if lot.flash_colours:
        data["flash_colours"] = {key: [round(v, 4) for v in value] for key, value in lot.flash_colours.items()}
    if lot.correction != "plain":
        data["correction"] = lot.correction
    if lot.like:
        data["like"] = lot.like
    if lot.strip_kind is not None:
        data["strip_kind"] = kind_to_data(lot.strip_kind)
    write_file(path, json.dumps(data, indent=1) + "\n")


def _condition_to_json(condition: Condition) -> dict[str, Any]:
    signature = {key: [round(v, 3) for v in value] for key, value in condition.signature.items()}
    return {**asdict(condition), "signature": signature}


def _pad_to_json(pad: PadCalibration) -> dict[str, Any]:
    curve = pad.curve
    return {
        "pad": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "curve": {
            **_shape_to_json(curve),
            "low": curve.low,
            "top": curve.top,
            "scatter": asdict(curve.scatter),
            "lack_of_fit": pad.lack_of_fit,
            "mismatch_scale": pad.mismatch_scale,
        },
        "lod": asdict(pad.lod),
        "loq": asdict(pad.loq),
        "beyond": [list(row) for row in pad.beyond],
        "calibrators": [asdict(c) for c in pad.calibrators],
        "shifts": [{"coefficients": s.coefficients.tolist(), "covariance": s.covariance.tolist()} for s in pad.shifts],
    }


def _shape_to_json(curve: Curve | ChartCurve) -> dict[str, Any]:
    if isinstance(curve, ChartCurve):
        return chart_curve_to_json(curve)
    shape = {
        "method": curve.path.name,
        "parameters": curve.parameters.tolist(),
        "covariance": curve.covariance.tolist(),
    }
    return {**shape, "u_stock": curve.u_stock} if curve.u_stock else shape


def load_lot(path: Path) -> Lot:
    """Read a lot file.

    Raises
    ------
    LotFileError
        If the file is missing, is no lot file, or a field is missing or wrong.
    """
    try:
        text = path.read_bytes()
    except OSError as error:
        raise LotFileError(
            expected=Message("a lot file"),
            found=Message("%(path)s: %(strerror)s", path=path, strerror=error.strerror),
            remedy=Message("Check the name, or calibrate the lot."),
        ) from None
    try:
        data = read_json(text)
        if not isinstance(data, dict) or data.get("format") != FORMAT:
            raise ValueError(f"no format {FORMAT!r}")
        return Lot(
            number=str(data["number"]),
            kind=str(data["kind"]),
            expires=date.fromisoformat(data["expires"]),
            calibrated_on=date.fromisoformat(data["calibrated_on"]),
            card=str(data["card"]),
            card_u_lab=float(data["card_u_lab"]),
            pads=tuple(_pad_from_json(pad) for pad in data["pads"]),
            conditions=tuple(_condition_from_json(c) for c in data["conditions"]),
            flash_colours={str(k): _three(v) for k, v in data.get("flash_colours", {}).items()},
            left_out=tuple(str(name) for name in data["left_out"]),
            provisional=data.get("provisional", False) is True,
            correction=_correction(data.get("correction", "plain")),
            strip_kind=_strip_kind(data, path),
            like=str(data.get("like", "")),
            sha256=hashlib.sha256(text).hexdigest(),
        )
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        reason = (
            Message("field %(field)s is missing", field=error) if isinstance(error, KeyError) else Verbatim(str(error))
        )
        raise LotFileError(
            expected=Message("a lot file of format %(format)s at %(path)s", format=FORMAT, path=path),
            found=reason,
            remedy=Message("Calibrate the lot again, or take the file from a backup; do not edit it by hand."),
        ) from error


def _correction(value: Any) -> Literal["plain", "spectral"]:
    if value not in ("plain", "spectral"):
        raise ValueError(f"correction {value!r}, known are 'plain' and 'spectral'")
    return "spectral" if value == "spectral" else "plain"


def _strip_kind(data: Mapping[str, Any], path: Path) -> StripKind | None:
    table = data.get("strip_kind")
    if table is None:
        return None
    try:
        kind = parse_kind(table, where=f"strip_kind of {path}")
    except KindFileError as error:
        raise ValueError(f"{error.found} where there should be {error.expected}") from error
    if kind.name != data["kind"]:
        raise ValueError(f"a strip_kind {kind.name!r} in a lot of kind {data['kind']!r}")
    return kind


def _three(values: Any) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in values)
    return a, b, c


def _condition_from_json(data: Mapping[str, Any]) -> Condition:
    return Condition(
        **{
            **data,
            "noise": float(data.get("noise", 0.0)),
            "signature": {str(k): _three(v) for k, v in data["signature"].items()},
        }
    )


def _curve_from_json(curve: Mapping[str, Any]) -> Curve | ChartCurve:
    scatter = Scatter(
        float(curve["scatter"]["relative"]),
        float(curve["scatter"]["colour"]),
        int(curve["scatter"]["degrees_of_freedom"]),
    )
    if curve["method"] == CHART_METHOD:
        return chart_curve_from_json(curve, scatter)
    path = PATHS.get(str(curve["method"]))
    if path is None:
        raise ValueError(f"curve method {curve['method']!r}, known are {', '.join((*PATHS, CHART_METHOD))}")
    parameters: Float = np.array(curve["parameters"], dtype=np.float64)
    covariance: Float = np.array(curve["covariance"], dtype=np.float64)
    if len(parameters) < path.least or (len(parameters) - 2) % 3 or covariance.shape != (len(parameters),) * 2:
        raise ValueError(f"{len(parameters)} curve parameters with a covariance of shape {covariance.shape}")
    if not (np.isfinite(parameters).all() and np.isfinite(covariance).all()):
        raise ValueError("curve parameters that are not finite")
    if (np.abs(parameters[:2]) > _MOST_LOG).any():
        raise ValueError("a curve whose K or h is of no strip")
    if not float(curve["low"]) < float(curve["top"]):
        raise ValueError("a curve whose top is not above its low end")
    return Curve(
        parameters, covariance, float(curve["low"]), float(curve["top"]), scatter, path, float(curve.get("u_stock", 0))
    )


def _pad_from_json(data: Mapping[str, Any]) -> PadCalibration:
    curve = data["curve"]
    return PadCalibration(
        pad=str(data["pad"]),
        analyte=str(data["analyte"]),
        unit=str(data["unit"]),
        curve=_curve_from_json(curve),
        lod=LimitOf(**data["lod"]),
        loq=LimitOf(**data["loq"]),
        beyond=tuple((float(c), float(x), float(a), float(b)) for c, x, a, b in data["beyond"]),
        calibrators=tuple(Calibrator(**{**c, "lab": _three(c["lab"])}) for c in data["calibrators"]),
        lack_of_fit=float(curve["lack_of_fit"]),
        mismatch_scale=float(curve["mismatch_scale"]),
        shifts=tuple(
            Shift(np.array(s["coefficients"], dtype=np.float64), np.array(s["covariance"], dtype=np.float64))
            for s in data["shifts"]
        ),
    )
