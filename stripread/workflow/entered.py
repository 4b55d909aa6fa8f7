"""A reading by other means than a strip: from what was typed to an entry of the record."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stripread import __version__
from stripread.check import EnteredReading, EnteredVerdict, Method, check_entered
from stripread.errors import QuantityError, WrongUsageError
from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.read import Limit
from stripread.records import Entry, Records, Stamp
from stripread.site import Analyte
from stripread.units import COVERAGE, Measured, kept_findings, parse_own_unit, parse_quantity
from stripread.workflow.history import history_for_entered, with_batch_at
from stripread.workflow.payload import expected_payload, findings_payload
from stripread.workflow.sample import SampleContext

__all__ = ["EnteredSample", "RecordedEntered", "parse_entered", "record_entered"]

_BOUND = re.compile(r"\s*(?:(<|under\b|below\b|menos de\b)|>|over\b|above\b|m[aá]s de\b)\s*(.*)", re.DOTALL | re.I)
_L_PER_MIN = 1 / 60  # flows are parsed into L/h
_UNCERTAIN = re.compile(r"\su\s*=?\s*[\d.]|±|\+/-|\d\s*(?:to|\.\.)\s*[\d.]")


@dataclass(frozen=True, slots=True, kw_only=True)
class EnteredSample:
    """What was read, by what means, when, and what was said of it."""

    reading: EnteredReading
    method: Method
    at: datetime
    context: SampleContext
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedEntered:
    """The verdict on it, and its entry."""

    verdict: EnteredVerdict
    entry: Entry
    payload: dict[str, Any]


def parse_entered(analyte: Analyte, text: str, *, u: str | None = None) -> EnteredReading:
    """Read what a person typed of an analyte.

    Parameters
    ----------
    text : str
        ``0.41 mg/L``, with its uncertainty behind it as `parse_quantity` takes it, or a bound: ``under 0.05 mg/L``,
        ``over 500 mg/L``.
    u : str or None
        The standard uncertainty, where it was typed apart: ``0.02 mg/L``, ``5 %``.

    Raises
    ------
    QuantityError
        If it is no number of the analyte's unit, or cannot be.
    """
    name = Message(analyte.name)
    u = (u or "").strip() or None
    if (bound := _BOUND.fullmatch(text)) is not None:
        if u is not None or _UNCERTAIN.search(text):
            raise QuantityError(
                expected=Message("a bound without an uncertainty"),
                found=Verbatim(repr(text)),
                remedy=Message("Leave the uncertainty out: a bound is taken as it stands."),
            )
        return _bounded(analyte, bound[2], name, below=bound[1] is not None)
    measured, stated, notes = _number(analyte, text if u is None else f"{text} u {u}", name)
    _check_possible(analyte, measured.value, name)
    if not stated:
        assumed = analyte.assumed_u(measured.value)
        measured = Measured(measured.value, assumed, None, measured.floor)
        note = Message("taken as good to %(u)s (standard uncertainty), as none was given", u=analyte.assumed_words)
        notes = (*notes, note)
    elif measured.u == 0:
        raise QuantityError(
            expected=Message("a standard uncertainty over 0"),
            found=Verbatim(repr(text)),
            remedy=Message("State what the instrument is good to, or leave it out and one is assumed."),
        )
    return EnteredReading(
        analyte=analyte.name,
        unit=analyte.unit,
        value=measured.value,
        standard_uncertainty=measured.u,
        interval=measured.interval,
        u_assumed=not stated,
        notes=notes,
    )


def _bounded(analyte: Analyte, text: str, name: Shown, *, below: bool) -> EnteredReading:
    measured, _, notes = _number(analyte, text, name, exact=True)
    limit = measured.value
    _check_possible(analyte, limit, name)
    floor = 0.0 if analyte.least == 0 else None
    return EnteredReading(
        analyte=analyte.name,
        unit=analyte.unit,
        value=None,
        standard_uncertainty=None,
        interval=(floor, limit) if below else (limit, None),
        censored="below" if below else "above",
        limit=Limit(name="bound as entered", value=limit),
        notes=notes,
    )


def _number(
    analyte: Analyte, text: str, name: Shown, *, exact: bool = False
) -> tuple[Measured, bool, tuple[Message, ...]]:
    """Return a number in the analyte's unit, whether its uncertainty was stated, and what was assumed of its unit."""
    if analyte.converted is None:
        measured, stated = parse_own_unit(text, analyte.unit, name=name, bare=analyte.unit == analyte.name)
        floor = analyte.least
        if measured.ends is None:
            measured = Measured(measured.value, measured.u, None, floor)
        return measured, stated, ()
    stated = not exact and _UNCERTAIN.search(text) is not None
    known = parse_quantity(text, analyte.converted, name=name, positive=False, exact=not stated)
    scale = _L_PER_MIN if analyte.converted == "flow" else 1.0
    measured = known.measured if scale == 1.0 else known.measured.scaled(scale)
    return measured, stated, known.notes


def _check_possible(analyte: Analyte, value: float, name: Shown) -> None:
    if not analyte.least <= value <= analyte.most:
        raise QuantityError(
            expected=Message(
                "%(name)s from %(least)s to %(most)s %(unit)s",
                name=name,
                least=Number(analyte.least, "g"),
                most=Number(analyte.most, "g"),
                unit=analyte.unit,
            ),
            found=Verbatim(f"{value:g} {analyte.unit}"),
            remedy=Message("Correct number or unit."),
        )


def record_entered(records: Records, sample: EnteredSample, *, stamp: Stamp) -> RecordedEntered:
    """Judge an entered reading with what the record knows, and record it.

    Raises
    ------
    WrongUsageError
        If it lies ahead of now, or its batch is not in the record.
    SiteError
        If the site states the expected range in another unit.
    """
    if sample.at > stamp.at:
        raise WrongUsageError(
            expected=Message("a time when it was measured, until now"),
            found=Verbatim(sample.at.isoformat()),
            remedy=Message("Correct the time."),
        )
    named = sample.context.batch
    if named is not None and not records.entries(kind="batch", subject=named, limit=1):
        raise WrongUsageError(
            expected=Message("a batch of the record"), found=Verbatim(repr(named)), remedy=Message("Enter it first.")
        )
    context = with_batch_at(records, sample.context, at=sample.at)
    history = history_for_entered(
        records, context, sample.method, analyte=sample.reading.analyte, now=stamp.at, at=sample.at
    )
    verdict = check_entered(sample.reading, sample=context.sample, history=history)
    payload = _payload(verdict, sample, context)
    entry = records.add_reading(payload, files=(), stamp=stamp)
    return RecordedEntered(verdict=verdict, entry=entry, payload=payload)


def _payload(verdict: EnteredVerdict, sample: EnteredSample, context: SampleContext) -> dict[str, Any]:
    """Return the payload: the keys of a strip's (`workflow.payload`), null for photo, card, lot and strip."""
    reading = verdict.reading
    pad = {
        "pad": reading.analyte,
        "analyte": reading.analyte,
        "unit": reading.unit,
        "value": reading.value,
        "standard_uncertainty": reading.standard_uncertainty,
        "interval": list(reading.interval),
        "coverage": COVERAGE,
        "censored": reading.censored,
        "limit": None if reading.limit is None else {"name": reading.limit.name, "value": reading.limit.value},
        "lab": None,
        "delta_e_to_curve": None,
        "range_state": verdict.range_state,
        "probability_within": verdict.probability_within,
        "findings": findings_payload(verdict.findings),
        "budget": {},
    }
    payload: dict[str, Any] = {
        **dict.fromkeys(("photo", "photo_sha256", "camera", "card", "lot", "kind")),
        "taken_at": sample.at.isoformat(),
        "sample": context.sample.name,
        "point": context.point,
        **{key: value for key, value in pad.items() if key not in ("pad", "findings")},
        "validity": verdict.validity,
        "findings": findings_payload(verdict.findings),
        "cautions": list(map(str, verdict.cautions)),
        "pads": [pad],
        **dict.fromkeys(("correction", "geometry", "flash_photo", "flash_photo_sha256")),
        "how": {
            "software": f"stripread {__version__}",
            "batch": context.batch,
            "expected": expected_payload(context.sample),
            "method": {
                "by": sample.method.by,
                "instrument": sample.method.instrument,
                "u_assumed": reading.u_assumed,
                "notes": list(map(str, reading.notes)),
            },
        },
    }
    if sample.remark:
        payload["remark"] = sample.remark
    if verdict.findings:
        payload["messages"] = kept_findings(verdict.findings)
    return payload
