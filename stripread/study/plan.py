"""The plan of a study as a file, and its truth as another one that is kept apart, under a hash that the plan holds."""

import hashlib
import json
import secrets
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stripread.errors import StudyError
from stripread.files import read_json, write_file
from stripread.i18n import Message, Verbatim
from stripread.lot import Lot, PadCalibration, invert_curve
from stripread.strip import StripKind
from stripread.study.criteria import Aims, Criterion, plan_criteria
from stripread.study.design import FULL, Conditions, Form, design_strengths, design_strips, mix_solutions
from stripread.study.shape import PlannedPhoto, PlannedStrip, Solution, Strength, Truth
from stripread.units import Measured

__all__ = [
    "Pouring",
    "Stock",
    "StudyPlan",
    "load_plan",
    "load_truth",
    "make_plan",
    "save_plan",
    "save_truth",
    "truth_hash",
    "window_of",
]

FORMAT = 1
# What a photo adds to the lot's own curve and strips when weights are set beforehand [CIELAB]; ours, about what the
# sample photos state for their colour correction.
_U_LAB = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """The second stock: what it is, how it is assayed, and what it is expected to be, in the unit of the lot."""

    what: str
    method: str
    expected: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pouring:
    """How solutions are measured out: volume of each [mL], relative u of a volume, least volume so measured [mL]."""

    total_ml: float = 500.0
    pour_u: float = 0.01
    least_ml: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """All that is settled before the first strip is dipped, but for the truth.

    Attributes
    ----------
    at : str
        When it was made, ISO 8601 with its zone.
    window_s : tuple of float
        When after the dip a strip's colour counts, by its kind: from, until.
    truth_sha256 : str
        Of the sealed truth.
    """

    id: str
    at: str
    who: str
    software: str
    lot: str
    lot_sha256: str
    kind: str
    pad: str
    analyte: str
    unit: str
    form: str
    window_s: tuple[float, float]
    stock: Stock
    conditions: Conditions
    aims: Aims
    strengths: tuple[Strength, ...]
    strips: tuple[PlannedStrip, ...]
    criteria: tuple[Criterion, ...]
    truth_sha256: str

    def strip(self, code: str) -> PlannedStrip:
        """Return the strip of a code; `StudyError` for any other."""
        for strip in self.strips:
            if strip.code == code:
                return strip
        raise StudyError(
            expected=Message("a code of the study"),
            found=Verbatim(repr(code)),
            remedy=Message("Look at the sheet, or at the cup."),
        )


def window_of(kind: StripKind) -> tuple[float, float]:
    """Return when after the dip the colour of a kind's strips counts [s]."""
    return kind.dip.read_from_s, kind.dip.read_until_s


def make_plan(
    *,
    study: str,
    lot: Lot,
    window_s: tuple[float, float],
    stock: Stock,
    conditions: Conditions,
    aims: Aims | None = None,
    form: Form = FULL,
    pouring: Pouring | None = None,
    at: str,
    who: str,
    software: str,
    seed: int | None = None,
) -> tuple[StudyPlan, Truth]:
    """Plan a study of a lot; return the plan and the truth that is to be sealed.

    Parameters
    ----------
    seed : int or None
        None: drawn by the system. It is kept with the truth, as whoever knows it knows all codes.

    Raises
    ------
    StudyError
        If the lot has several pads, no LOD or LOQ, or names are missing.
    """
    pad = _only_pad(lot)
    drawn = secrets.randbits(48) if seed is None else seed
    salt = secrets.token_hex(16) if seed is None else f"{seed:032x}"
    rng = np.random.default_rng([drawn, 51])
    pouring, aims = pouring or Pouring(), aims or Aims()
    calibrators = sorted({c.concentration for c in pad.calibrators if not c.beyond})
    lod, loq = pad.lod.value or 0.0, pad.loq.value or 0.0
    known = {value: _expected_u(pad, value) for value in (lod, loq, *calibrators) if value > 0}
    strengths = design_strengths(form, lod=lod, loq=loq, calibrators=calibrators, expected_u=known)
    solutions = mix_solutions(
        strengths,
        stock=Measured(stock.expected),
        total_ml=pouring.total_ml,
        pour_u=pouring.pour_u,
        least_ml=pouring.least_ml,
    )
    strips, strength_of = design_strips(strengths, conditions, rng)
    truth = Truth(
        study=study, seed=drawn, salt=salt, strength_of=dict(sorted(strength_of.items())), solutions=solutions
    )
    plan = StudyPlan(
        id=study,
        at=at,
        who=who,
        software=software,
        lot=lot.number,
        lot_sha256=lot.sha256,
        kind=lot.kind,
        pad=pad.pad,
        analyte=pad.analyte,
        unit=pad.unit,
        form=form.name,
        window_s=window_s,
        stock=stock,
        conditions=conditions,
        aims=aims,
        strengths=strengths,
        strips=strips,
        criteria=plan_criteria(strips, strength_of, strengths, aims),
        truth_sha256=truth_hash(truth),
    )
    return plan, truth


def _only_pad(lot: Lot) -> PadCalibration:
    if len(lot.pads) != 1 or lot.provisional or lot.pads[0].lod.value is None or lot.pads[0].loq.value is None:
        raise StudyError(
            expected=Message("a calibrated lot of one pad, with LOD and LOQ"),
            found=Message("lot %(lot)s, which is none", lot=lot.number),
            remedy=Message("Calibrate a lot from known dilutions first."),
        )
    return lot.pads[0]


def _expected_u(pad: PadCalibration, value: float) -> float:
    colour = pad.curve.lab(np.array([value]))[0]
    found = invert_curve(pad.curve, colour, {"photo": _U_LAB**2 * np.eye(3)}, {})
    return min(found.standard_uncertainty / value, 1.0)


# --- files -----------------------------------------------------------------------------------------------------------


def truth_hash(truth: Truth) -> str:
    """Return the SHA-256 of the sealed truth as it is written."""
    return hashlib.sha256(_bytes(asdict(truth))).hexdigest()


def save_plan(plan: StudyPlan, path: Path) -> None:
    """Write the plan."""
    write_file(path, _bytes({"format": FORMAT, **asdict(plan)}))


def save_truth(truth: Truth, path: Path) -> None:
    """Write the truth, to be read by nobody else on this machine."""
    write_file(path, _bytes(asdict(truth)), mode=0o600)


def _bytes(data: Mapping[str, Any]) -> bytes:
    return (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def load_plan(path: Path) -> StudyPlan:
    """Read a plan; `StudyError` where it is none."""
    data = _read(path)
    try:
        if data.pop("format") != FORMAT:
            raise ValueError("another format")
        return StudyPlan(
            **{
                **data,
                "window_s": tuple(data["window_s"]),
                "stock": Stock(**data["stock"]),
                "conditions": Conditions(**{key: _tuple(value) for key, value in data["conditions"].items()}),
                "aims": Aims(**data["aims"]),
                "strengths": tuple(Strength(**one) for one in data["strengths"]),
                "strips": tuple(
                    PlannedStrip(**{**one, "photos": tuple(PlannedPhoto(**p) for p in one["photos"])})
                    for one in data["strips"]
                ),
                "criteria": tuple(Criterion(**one) for one in data["criteria"]),
            }
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _wrong(path, str(error)) from error


def load_truth(path: Path, plan: StudyPlan) -> Truth:
    """Read the sealed truth of a plan.

    Raises
    ------
    StudyError
        If it is none, or not the one whose hash the plan holds: then it was changed after the plan was made.
    """
    data = _read(path)
    try:
        truth = Truth(**{**data, "solutions": tuple(Solution(**one) for one in data["solutions"])})
    except (KeyError, TypeError, ValueError) as error:
        raise _wrong(path, str(error)) from error
    if truth_hash(truth) != plan.truth_sha256:
        raise StudyError(
            expected=Message(
                "the truth with the hash %(wanted)s, as sealed in the plan", wanted=plan.truth_sha256[:16]
            ),
            found=Message("%(path)s with the hash %(found)s", path=path, found=truth_hash(truth)[:16]),
            remedy=Message("Find the file that was written with the plan. One that was changed proves nothing."),
        )
    return truth


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _read(path: Path) -> dict[str, Any]:
    try:
        data = read_json(path.read_bytes())
    except (OSError, ValueError) as error:
        raise _wrong(path, str(error)) from error
    if not isinstance(data, dict):
        raise _wrong(path, type(data).__name__)
    return data


def _wrong(path: Path, found: str) -> StudyError:
    return StudyError(
        expected=Message("a file of a study as the program writes it, at %(path)s", path=path),
        found=Verbatim(found),
        remedy=Message("Take the file from a backup, or plan a new study."),
    )
