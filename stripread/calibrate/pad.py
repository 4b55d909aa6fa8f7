"""Fit the curve of one pad from its calibrators, and refuse where no curve may be trusted.

Photos of one strip are averaged first, then the strips of a level. Levels are weighted by the strip-to-strip scatter
(pooled over all levels) and by the uncertainty of the dilution, which moves a whole level along the curve.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stripread.calibrate.levels import LEAST_SCATTER, levels_of, plain_scatter, pooled_scatter
from stripread.calibrate.path import fit_path, shape_of
from stripread.calibrate.refuse import LEAST_LEVELS, check_design, check_fold, check_levels, check_strips
from stripread.errors import CalibrationRefusedError
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.lot import (
    COVERAGE,
    KUBELKA_MUNK,
    Calibrator,
    Curve,
    LimitOf,
    PadCalibration,
    Scatter,
    Shift,
    fit_shift,
    limit_of_quantification,
    minimum_detectable_value,
)

__all__ = ["calibrate_pad", "curve_calibrators", "curve_conditions", "fit_condition_shift"]

# A level near the LOQ: the lowest one but the blank is at most so many times it. Ours; a curve between blank and lowest
# level is held by nothing but its form.
_NEAR = 2.0
LOD_DEFINITION = Message(
    "minimum detectable value, alpha = beta = 5 %, one strip in the conditions of the calibration (ISO 11843-2)"
)
LOQ_DEFINITION = Message(
    "concentration whose 95 % half-width is a third of it, one strip in the conditions of the calibration "
    "(DIN 32645, k = 3)"
)
LOWEST_DEFINITION = Message(
    "lowest calibrator: none lies near the concentration whose 95 % half-width is a third of it (DIN 32645, k = 3)"
)


def calibrate_pad(
    calibrators: Sequence[Calibrator],
    *,
    pad: str,
    analyte: str,
    unit: str,
    blank: bool,
    u_pixels: Float,
    u_light: Float | None = None,
    u_coding: Float | None = None,
    u_stock: float = 0.0,
    like: Curve | None = None,
) -> PadCalibration:
    """Fit a pad's curve.

    Parameters
    ----------
    calibrators : sequence of Calibrator
        All of the pad's, those beyond the range and those left out included.
    blank : bool
        Whether the scale has a zero, and so a blank must be there.
    u_pixels : ndarray (3, 3)
        Typical covariance of one pad's measured CIELAB by the noise of its pixels, each photo's own.
    u_light, u_coding : ndarray (3, 3), optional
        That by the light and by the coding, which careful photos share: no part of the scatter of replicates is theirs
        for sure. That of the coding does not average out over the photos of a level.
    u_stock : float
        Relative standard uncertainty of the solution that all levels were diluted from.
    like : Curve, optional
        That of another lot of the kind: dye and carrier are the same, their amounts are each lot's own.

    Raises
    ------
    CalibrationRefusedError
        Fewer than 5 levels, no blank, no replicates, a calibrator that does not fit (named), a path that folds back.
    """
    if u_stock and not blank:
        raise CalibrationRefusedError(
            expected=Message("u_stock only for a scale with a zero (pad %(pad)s)", pad=repr(pad)),
            found=Number(u_stock, "g"),
            remedy=Message("Put it into u_concentration: such levels are not diluted from one solution."),
        )
    inside = curve_calibrators(calibrators)
    none = np.zeros((3, 3))
    coding = none if u_coding is None else u_coding
    levels = levels_of(inside, coding)
    check_design(levels, blank=blank, pad=pad)
    scatter = Scatter(0.0, plain_scatter(levels), sum(len(v.strips) - 1 for v in levels))
    shape = shape_of(like) if like is not None and like.path is KUBELKA_MUNK else None
    fitted = fit_path(levels, scatter, shape=shape)
    for _ in range(2):  # the scatter's relative part needs the curve, and the weights need the scatter
        scatter = pooled_scatter(levels, fitted.curve, u_pixels)
        fitted = fit_path(levels, scatter, near=fitted)
    curve = replace(fitted.curve, u_stock=u_stock)
    check_strips(inside, levels, curve, pad=pad)
    check_levels(levels, fitted, pad=pad)
    check_fold(curve, pad=pad)
    lod, loq = _limits(curve, u_pixels + sum((u for u in (u_light, u_coding) if u is not None), none), blank=blank)
    return PadCalibration(
        pad=pad,
        analyte=analyte,
        unit=unit,
        curve=curve,
        lod=lod,
        loq=_earned(loq, levels[1].concentration),
        beyond=tuple(
            (v.concentration, float(v.mean[0]), float(v.mean[1]), float(v.mean[2]))
            for v in levels_of([c for c in calibrators if c.beyond], coding)
        ),
        calibrators=tuple(calibrators),
        lack_of_fit=fitted.fit.residual_sd,
    )


def _earned(loq: LimitOf, lowest: float) -> LimitOf:
    """Return the LOQ where a level lies near it; else the lowest level, as no number is stated under that."""
    if loq.value is None or lowest <= _NEAR * loq.value:
        return loq
    return LimitOf(value=lowest, definition=str(LOWEST_DEFINITION))


def curve_conditions(calibrators: Sequence[Calibrator]) -> frozenset[int]:
    """Conditions with enough levels, the lowest and highest of all among them, to make the curve; the others only join.

    Empty where no condition alone has them: then all make it together.
    """
    fitted = [c for c in calibrators if not c.beyond and not c.left_out]
    levels = {k: {c.concentration for c in fitted if c.condition == k} for k in {c.condition for c in fitted}}
    ends = {min((c.concentration for c in fitted), default=0.0), max((c.concentration for c in fitted), default=0.0)}
    return frozenset(k for k, own in levels.items() if len(own) >= LEAST_LEVELS and ends <= own)


def curve_calibrators(calibrators: Sequence[Calibrator]) -> list[Calibrator]:
    """Return those that the curve is fitted to: not beyond, not left out, of the conditions that make it."""
    own = curve_conditions(calibrators)
    return [c for c in calibrators if not c.beyond and not c.left_out and (c.condition in own or not own)]


def fit_condition_shift(calibration: PadCalibration, condition: int, noise: Float) -> Shift:
    """Fit how the colours of a condition lie beside the curve; ``noise`` (3, 3) is one photo's covariance there.

    A strip that was photographed in all of the curve's own conditions, too, is held against its mean over these, which
    takes its own departure from the curve out; other strips against the curve, with the strip-to-strip scatter.
    """
    curve = calibration.fitted_curve
    fitted = [c for c in calibration.calibrators if not c.beyond and not c.left_out]
    own = curve_conditions(calibration.calibrators) or frozenset(c.condition for c in fitted)
    photos: dict[tuple[float, str], dict[int, list[tuple[float, float, float]]]] = {}
    for c in fitted:
        photos.setdefault((c.concentration, c.replicate), {}).setdefault(c.condition, []).append(c.lab)
    at, differences, covariances = [], [], []
    for (concentration, _), by_condition in photos.items():
        if condition not in by_condition:
            continue
        beside = [np.mean(labs, axis=0) for k, labs in by_condition.items() if k in own]
        here = np.array([concentration])
        shared = len(beside) == len(own)
        reference = np.mean(beside, axis=0) if shared else curve.lab(here)[0]
        spread = noise / len(own) if shared else curve.scatter_at(here)[0]
        at.append(concentration)
        differences.append(np.mean(by_condition[condition], axis=0) - reference)
        covariances.append(noise + spread + LEAST_SCATTER**2 * np.eye(3))
    if not at or own == {condition}:  # the only condition is the curve itself
        return Shift(np.zeros(3), np.zeros((3, 3)))
    return fit_shift(curve, np.array(at), np.array(differences), np.array(covariances))


def _limits(curve: Curve, u_pixels: Float, *, blank: bool) -> tuple[LimitOf, LimitOf]:
    """LOD and LOQ of one strip read in the conditions of the calibration."""
    from scipy.stats import t as student

    if not blank:
        none = "this scale has no zero"
        return LimitOf(value=None, definition=none), LimitOf(value=None, definition=none)

    nu = max(curve.scatter.degrees_of_freedom, 2)
    lod = minimum_detectable_value(curve, u_pixels, t=float(student.ppf(0.95, nu)))
    loq = limit_of_quantification(curve, u_pixels, t=float(student.ppf((1 + COVERAGE) / 2, nu)), k=3.0)
    return LimitOf(value=lod, definition=str(LOD_DEFINITION)), LimitOf(value=loq, definition=str(LOQ_DEFINITION))
