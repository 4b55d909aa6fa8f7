"""Readings made up for the checker's tests: real dataclasses with chosen numbers, no photo behind them."""

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from stripread.check.case import PadCase, StripCase
from stripread.findings import Finding
from stripread.lot import Curve, Estimate, Likeness, LimitOf, Lot, PadCalibration, Scatter
from stripread.measure import StripMeasurement
from stripread.read import PadReading, Reading
from stripread.read.pad import Censored, Limit
from stripread.site import Expectation, SampleType
from stripread.strip import StripKind, load_kind

TODAY = date(2026, 5, 4)
CLO2 = "chlorine dioxide"


def made_sample(
    low: float,
    high: float,
    *,
    name: str = "line",
    analyte: str = CLO2,
    unit: str = "mg/L",
    target: float | None = None,
    kinds: tuple[str, ...] = ("clo2-ultralow",),
    strong: bool = False,
    also: tuple[Expectation, ...] = (),
) -> SampleType:
    main = Expectation(analyte=analyte, unit=unit, low=low, high=high, target=target)
    return SampleType(name=name, expectations=(main, *also), kinds=kinds, strong=strong)


LINE = made_sample(0.15, 0.40, target=0.28)
STOCK = made_sample(180, 260, name="stock", target=220, kinds=("clo2-wide",), strong=True)
CONCENTRATE = made_sample(360, 540, name="concentrate", target=430, kinds=("clo2-wide",), strong=True)
RETURN = made_sample(0, 0.28, name="return")


def made_pad(
    value: float,
    u: float,
    *,
    pad: str = "clo2",
    analyte: str = CLO2,
    unit: str = "mg/L",
    censored: Censored | None = None,
    limit: Limit | None = None,
    beyond: float | None = None,
    findings: tuple[Finding, ...] = (),
    budget: dict[str, float] | None = None,
    degrees_of_freedom: float = 1e9,
) -> PadReading:
    """Make a pad of value +- u; ends at zero when under a limit, and open when over one."""
    low, high = value - 1.96 * u, value + 1.96 * u
    low = max(low, 0.0)
    upper = None if censored == "above" else high
    estimate = Estimate(
        value=value,
        standard_uncertainty=u,
        low=low,
        high=upper,
        chi2=0.5,
        delta_e=0.3,
        degrees_of_freedom=degrees_of_freedom,
        budget=budget or {"pixels": u},
        rival=None,
    )
    return PadReading(
        pad=pad,
        analyte=analyte,
        unit=unit,
        lab=np.array([80.0, 5.0, 3.0]),
        value=value if censored is None else None,
        standard_uncertainty=u if censored is None else None,
        interval=(low, upper),
        censored=censored,
        limit=limit,
        delta_e_to_curve=0.3,
        estimate=estimate,
        beyond=beyond,
        findings=findings,
        causes={},
    )


def under(limit: float, *, name: str = "LOD", **more: Any) -> PadReading:
    return made_pad(limit / 4, limit / 4, censored="below", limit=Limit(name=name, value=limit), **more)


def over(top: float, **more: Any) -> PadReading:
    return made_pad(top, top / 100, censored="above", limit=Limit(name="top calibrator", value=top), **more)


def _calibration(pad: PadReading, low: float, top: float, loq: float | None) -> PadCalibration:
    curve = Curve(np.zeros(8), np.zeros((8, 8)), low, top, Scatter(0.02, 0.2, 10))
    return PadCalibration(
        pad=pad.pad,
        analyte=pad.analyte,
        unit=pad.unit,
        curve=curve,
        lod=LimitOf(value=None if loq is None else loq / 3, definition="made up"),
        loq=LimitOf(value=loq, definition="made up"),
        beyond=(),
        calibrators=(),
        lack_of_fit=1.0,
    )


def made_reading(
    *pads: PadReading,
    kind: str | StripKind = "clo2-ultralow",
    low: float = 0.0,
    top: float = 2.0,
    loq: float | None = 0.1,
    expires: date = date(2026, 12, 31),
    taken_at: datetime | None = None,
    findings: tuple[Finding, ...] = (),
) -> Reading:
    """Make a reading whose pads all have a curve from ``low`` to ``top`` with the given LOQ."""
    the_kind = load_kind(kind) if isinstance(kind, str) else kind
    return Reading(
        photo="made-up.jpg",
        photo_sha256="0" * 64,
        taken_at=taken_at,
        camera=None,
        lot=Lot(
            number="DEMO-1",
            kind=the_kind.name,
            expires=expires,
            calibrated_on=date(2026, 1, 10),
            card="demo",
            pads=tuple(_calibration(pad, low, top, loq) for pad in pads),
            conditions=(),
            left_out=(),
        ),
        measurement=cast(StripMeasurement, SimpleNamespace(kind=the_kind)),
        likeness=Likeness(np.zeros(0), np.zeros((0, 3)), float("nan"), False),
        pads=pads,
        findings=findings,
    )


def wide_reading(*pads: PadReading, **more: Any) -> Reading:
    return made_reading(*pads, **{"kind": "clo2-wide", "top": 500.0, "loq": 20.0, **more})


def pad_case(reading: Reading, sample: SampleType | None, *, pad: int = 0) -> PadCase:
    return PadCase(reading=reading, pad=reading.pads[pad], sample=sample)


def strip_case(
    reading: Reading, *, today: date = TODAY, dipped_at: datetime | None = None, waited_s: float | None = None
) -> StripCase:
    return StripCase(reading=reading, today=today, dipped_at=dipped_at, waited_s=waited_s)


def with_curve(reading: Reading, pad: str, *, low: float, top: float, loq: float | None) -> Reading:
    """Give one pad of a reading another curve."""
    by_id = {p.pad: p for p in reading.pads}
    pads = tuple(_calibration(by_id[pad], low, top, loq) if p.pad == pad else p for p in reading.lot.pads)
    return replace(reading, lot=replace(reading.lot, pads=pads))
