"""Fit the curve of one pad from its calibrators, and refuse where no curve may be trusted.

Photos of one strip are averaged first, then the strips of a level. Levels are weighted by the strip-to-strip scatter
(pooled over all levels) and by the uncertainty of the dilution, which moves a whole level along the curve.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripread.calibrate.fit import Fit, fit_parameters
from stripread.errors import CalibrationRefusedError
from stripread.geometry import Float
from stripread.i18n import ByFace, Message, Number, Shown
from stripread.lot import (
    COVERAGE,
    Calibrator,
    Curve,
    LimitOf,
    PadCalibration,
    Scatter,
    Shift,
    fit_shift,
    limit_of_quantification,
    minimum_detectable_value,
    path_lab,
    path_slope,
    reacted_share,
)

__all__ = ["calibrate_pad", "curve_calibrators", "curve_conditions", "fit_condition_shift"]

LEAST_LEVELS = 5  # common practice, no source: at least 5 levels with 3 replicates
LEAST_REPLICATED = 3  # levels with two strips or more
_U_MODEL = 0.15  # CIELAB; the curve's form is not the chemistry's, and no level is trusted closer than this
# Standard deviations of the prior on log K and log h about their start. Ours: a factor of 4.5 in K, of 1.5 in h.
_PRIOR_SD = np.array([1.5, 0.4])
# Ours. Fits of simulated series take 20 to 100 evaluations; one that takes many more has a level that fits no path, and
# creeps along a valley where the colours hardly change.
_EVALUATIONS = 400
_LEVEL_P, _STRIP_P = 1e-4, 1e-4  # chance that a good level or strip is refused
_LEAST_SCATTER = 0.05  # CIELAB; no two strips are more alike
_RELATIVE_SCATTER = (np.log(1e-3), np.log(0.5))  # bounds of the logarithm
LOD_DEFINITION = Message(
    "minimum detectable value, alpha = beta = 5 %, one strip in the conditions of the calibration (ISO 11843-2)"
)
LOQ_DEFINITION = Message(
    "concentration whose 95 % half-width is a third of it, one strip in the conditions of the calibration "
    "(DIN 32645, k = 3)"
)


@dataclass(frozen=True, slots=True)
class _Level:
    concentration: float
    u: float
    strips: Float  # (n, 3), each the mean of its photos
    photos: float  # of a strip, on average
    coding: Float  # (3, 3), covariance that all its photos share

    @property
    def mean(self) -> Float:
        mean: Float = self.strips.mean(axis=0)
        return mean


@dataclass(frozen=True, slots=True)
class _Start:
    """Where a fit starts, and the centre of its prior on log K and log h."""

    parameters: Float
    centre: Float


@dataclass(frozen=True, slots=True)
class _Candidate:
    """The best path of one degree."""

    curve: Curve
    fit: Fit
    centre: Float

    @property
    def parameters(self) -> Float:
        return self.curve.parameters


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The path chosen among those of several degrees."""

    best: _Candidate
    candidates: Mapping[int, _Candidate]


def calibrate_pad(
    calibrators: Sequence[Calibrator],
    *,
    pad: str,
    analyte: str,
    unit: str,
    blank: bool,
    u_pixels: Float,
    u_coding: Float | None = None,
) -> PadCalibration:
    """Fit a pad's curve.

    Parameters
    ----------
    calibrators : sequence of Calibrator
        All of the pad's, those beyond the range and those left out included.
    blank : bool
        Whether the scale has a zero, and so a blank must be there.
    u_pixels : ndarray (3, 3)
        Typical covariance of one pad's measured CIELAB, for LOD and LOQ.
    u_coding : ndarray (3, 3), optional
        The part of it that is the coding's: careful photos are rounded much alike. Half of it, the pad's own, does not
        average out over the photos of a level; the other half, that of white and patches, not over the levels either.

    Raises
    ------
    CalibrationRefusedError
        Fewer than 5 levels, no blank, no replicates, a calibrator that does not fit (named), a path that folds back.
    """
    inside = curve_calibrators(calibrators)
    coding = np.zeros((3, 3)) if u_coding is None else u_coding / 2
    levels = _levels(inside, coding)
    _check_design(levels, blank=blank, pad=pad)
    scatter = Scatter(0.0, _plain_scatter(levels), sum(len(v.strips) - 1 for v in levels))
    fitted = _fit_curve(levels, scatter)
    for _ in range(2):  # the scatter's share along the curve needs the curve, and the weights need the scatter
        scatter = _pooled_scatter(levels, fitted.best.curve, u_pixels)
        fitted = _fit_curve(levels, scatter, near=fitted)
    curve = _shared(fitted.best.curve, coding)
    _check_strips(inside, levels, curve, pad=pad)
    _check_levels(levels, fitted, pad=pad)
    _check_fold(curve, pad=pad)
    lod, loq = _limits(curve, u_pixels, blank=blank)
    return PadCalibration(
        pad=pad,
        analyte=analyte,
        unit=unit,
        curve=curve,
        lod=lod,
        loq=loq,
        beyond=tuple(
            (v.concentration, float(v.mean[0]), float(v.mean[1]), float(v.mean[2]))
            for v in _levels([c for c in calibrators if c.beyond], coding)
        ),
        calibrators=tuple(calibrators),
        lack_of_fit=fitted.best.fit.residual_sd,
    )


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
        covariances.append(noise + spread + _LEAST_SCATTER**2 * np.eye(3))
    if not at or own == {condition}:  # the only condition is the curve itself
        return Shift(np.zeros(3), np.zeros((3, 3)))
    return fit_shift(curve, np.array(at), np.array(differences), np.array(covariances))


def _levels(calibrators: Sequence[Calibrator], coding: Float) -> list[_Level]:
    levels = []
    for concentration in sorted({c.concentration for c in calibrators}):
        here = [c for c in calibrators if c.concentration == concentration]
        names = sorted({c.replicate for c in here})
        strips = np.array([np.mean([c.lab for c in here if c.replicate == name], axis=0) for name in names])
        u = max(c.u_concentration for c in here)
        levels.append(_Level(concentration, u, strips, len(here) / len(names), coding))
    return levels


def _refuse(expected: Shown, found: Shown, remedy: Shown) -> CalibrationRefusedError:
    return CalibrationRefusedError(expected=expected, found=found, remedy=remedy)


def _check_design(levels: Sequence[_Level], *, blank: bool, pad: str) -> None:
    values = ", ".join(f"{v.concentration:g}" for v in levels)
    if len(levels) < LEAST_LEVELS:
        raise _refuse(
            Message("at least %(least)s levels for pad %(pad)s", least=LEAST_LEVELS, pad=repr(pad)),
            Message("%(levels)s (%(values)s)", levels=len(levels), values=values),
            Message("Add dilutions spread over the range."),
        )
    if blank and levels[0].concentration != 0:
        raise _refuse(
            Message("a blank (concentration 0) for pad %(pad)s", pad=repr(pad)),
            Message("levels %(values)s", values=values),
            Message("Add strips dipped in water without it."),
        )
    replicated = sum(len(v.strips) >= 2 for v in levels)
    if replicated < LEAST_REPLICATED:
        raise _refuse(
            Message(
                "replicate strips at %(least)s or more levels for pad %(pad)s", least=LEAST_REPLICATED, pad=repr(pad)
            ),
            Message("%(replicated)s levels with more than one strip", replicated=replicated),
            Message("Dip at least two, better three strips at each level."),
        )


def _plain_scatter(levels: Sequence[_Level]) -> float:
    squares = sum(float(np.sum((v.strips - v.mean) ** 2)) for v in levels)
    return max(float(np.sqrt(squares / (3 * max(sum(len(v.strips) - 1 for v in levels), 1)))), 0.05)


def _pooled_scatter(levels: Sequence[_Level], curve: Curve, u_photo: Float) -> Scatter:
    """Split the scatter of replicates into a part along the curve, relative in concentration, and a plain part.

    What the photos themselves scatter (``u_photo``, the covariance of one) is no scatter of strips and is taken off.
    """
    from scipy.optimize import minimize_scalar

    along, reach, noise, across, count = [], [], [], 0.0, 0
    for level in levels:
        n = len(level.strips)
        if n < 2:
            continue
        tangent = curve.tangent(np.array([level.concentration]))[0]
        length = float(np.linalg.norm(tangent))
        unit = tangent / length if length > 0 else np.zeros(3)  # a path that turns here has no direction to lie along
        off = level.strips - level.mean
        inline = off @ unit
        along.append(float(inline @ inline))
        reach.append(((level.concentration * length) ** 2, n - 1))
        noise.append(float(unit @ u_photo @ unit) / level.photos)
        beside = float(np.trace(u_photo)) / level.photos - noise[-1]
        across += float(np.sum(off**2) - inline @ inline) - (n - 1) * beside
        count += n - 1
    colour = float(np.sqrt(max(across / (2 * count), _LEAST_SCATTER**2)))
    squares, spans, freedoms = np.array(along), np.array([r for r, _ in reach]), np.array([n for _, n in reach])

    def surprise(log_relative: float) -> float:
        """-2 log likelihood of the squares along the curve, each a variance times chi-square."""
        variance = np.exp(2 * log_relative) * spans + colour**2 + np.array(noise)
        return float(np.sum(freedoms * np.log(variance) + squares / variance))

    # By likelihood, so that each level counts alike; the sum of squares alone would be that of the strongest level.
    found = minimize_scalar(surprise, bounds=_RELATIVE_SCATTER, method="bounded")
    return Scatter(float(np.exp(found.x)), colour, count)


def _level_covariances(levels: Sequence[_Level], curve: Curve) -> Float:
    """Covariance (n, 3, 3) of the mean colour of each level about the curve, the curve's own left out."""
    at = np.array([v.concentration for v in levels])
    strips = np.array([len(v.strips) for v in levels], dtype=np.float64)[:, None, None]
    moved = curve.tangent(at) * np.array([[v.u] for v in levels])
    coding = np.array([v.coding for v in levels]) + _U_MODEL**2 * np.eye(3)
    covariances: Float = curve.scatter_at(at) / strips + moved[:, :, None] * moved[:, None, :] + coding
    return covariances


def _shared(curve: Curve, coding: Float) -> Curve:
    """Return the curve with an error in its covariance that all levels share: it moves B0, and so the whole path."""
    covariance = curve.covariance.copy()
    covariance[2:5, 2:5] += coding
    return replace(curve, covariance=covariance)


def _fit_curve(levels: Sequence[_Level], scatter: Scatter, *, near: _Fitted | None = None) -> _Fitted:
    """Fit paths of degree 1 to 3 as far as there are levels to spare; Akaike's criterion chooses.

    A fit to nearly the same levels (``near``) gives the starts; without it there are several for each degree.
    """
    candidates: dict[int, _Candidate] = {}
    for degree in (1, 2, 3):
        if 3 * len(levels) - (2 + 3 * (degree + 1)) < 4:
            continue
        if near is not None and degree in near.candidates:
            found = [_fit_path(levels, scatter, near.candidates[degree])]
        else:
            found = [_fit_path(levels, scatter, start) for start in _starts(levels, degree)]
        fitted = [c for c in found if c is not None]
        if fitted:
            candidates[degree] = min(fitted, key=lambda c: c.fit.residual_sum_of_squares)
    if not candidates:
        raise _refuse(
            Message("a curve through the levels"),
            Message("none that fits"),
            Message("Check the series, or add levels."),
        )
    return _Fitted(min(candidates.values(), key=_criterion), candidates)


def _criterion(candidate: _Candidate) -> float:
    """Akaike's criterion; its small-sample correction is for a variance estimated from the residuals, not for ours.

    In 40 simulated series of a bent path, the correction chose the straight one 14 times, and was then up to 5.7
    standard uncertainties off; this choice was at most 3.7 off.
    """
    return candidate.fit.residual_sum_of_squares + 2 * len(candidate.fit.parameters)


def _starts(levels: Sequence[_Level], degree: int) -> list[_Start]:
    concentrations = np.array([v.concentration for v in levels])
    means = np.array([v.mean for v in levels])
    low, top = float(concentrations[0]), float(concentrations[-1])
    floor = max(low, top / 1e3)
    starts = []
    # The Hill exponent of a scale with a zero is near 1; on a scale such as pH it is many times that.
    for half, hill in ((top, 1.0), (top / 4, 1.0), (np.sqrt(floor * top), 2.3 * (low + top) / 2 if low else 1.5)):
        centre = np.log([half, hill])
        powers = reacted_share(concentrations, *centre)[:, None] ** np.arange(degree + 1)
        coefficients = np.linalg.lstsq(powers, means, rcond=None)[0]
        starts.append(_Start(np.concatenate([centre, coefficients.ravel()]), centre))
    return starts


def _fit_path(levels: Sequence[_Level], scatter: Scatter, start: _Start | _Candidate) -> _Candidate | None:
    """Fit, reweight by the curve found, and fit again; None where that comes to nothing."""
    low, top = levels[0].concentration, levels[-1].concentration
    parameters = start.parameters
    if isinstance(start, _Candidate):
        whiten = _whitening(levels, replace(start.curve, scatter=scatter))
        rounds = 2
    else:
        whiten = np.eye(3 * len(levels)) / _U_MODEL
        rounds = 3
    for _ in range(rounds):
        try:
            fit = _fit_penalised(levels, whiten, parameters, start.centre)
        except (ValueError, np.linalg.LinAlgError):
            return None
        if not np.isfinite(fit.parameters).all():
            return None
        # Weights are absolute; what the curve leaves over them widens its covariance.
        excess = max(1.0, fit.residual_sum_of_squares / fit.degrees_of_freedom)
        curve = Curve(fit.parameters, fit.unscaled_covariance * excess, low, top, scatter)
        whiten = _whitening(levels, curve)
        parameters = fit.parameters
    return _Candidate(curve, fit, start.centre)


def _fit_penalised(levels: Sequence[_Level], whiten: Float, start: Float, centre: Float) -> Fit:
    """Fit with weak priors on log K and log h, which the levels may not determine when the path is nearly straight."""
    concentrations = np.array([v.concentration for v in levels])
    size = 3 * len(levels)
    weights = np.zeros((size + 2, size + 2))
    weights[:size, :size] = whiten
    weights[size:, size:] = np.diag(1 / _PRIOR_SD)
    first_two = np.eye(2, len(start))

    def predict(parameters: Float) -> Float:
        result: Float = np.concatenate([path_lab(parameters, concentrations).ravel(), parameters[:2]])
        return result

    def slope(parameters: Float) -> Float:
        return np.concatenate([path_slope(parameters, concentrations).reshape(size, -1), first_two])

    measured = np.concatenate([*(v.mean for v in levels), centre])
    return fit_parameters(predict, measured, weights, start, slope=slope, evaluations=_EVALUATIONS)


def _whitening(levels: Sequence[_Level], curve: Curve) -> Float:
    """Matrix (3 n, 3 n) that makes the residuals of the levels independent, of variance 1."""
    roots = np.linalg.cholesky(np.linalg.inv(_level_covariances(levels, curve))).transpose(0, 2, 1)
    whiten = np.zeros((len(levels), 3, len(levels), 3))
    whiten[np.arange(len(levels)), :, np.arange(len(levels)), :] = roots
    return whiten.reshape(3 * len(levels), -1)


def _check_strips(inside: Sequence[Calibrator], levels: Sequence[_Level], curve: Curve, *, pad: str) -> None:
    """Name the strip that lies apart from its level's others by far more than strips scatter."""
    from scipy.stats import f as fisher

    for level in levels:
        n = len(level.strips)
        if n < 2:
            continue
        middle = np.median(level.strips, axis=0) if n > 2 else curve.lab(np.array([level.concentration]))[0]
        inverse = np.linalg.inv(curve.scatter_at(np.array([level.concentration]))[0] + _U_MODEL**2 * np.eye(3))
        limit = 3 * fisher.ppf(1 - _STRIP_P, 3, max(curve.scatter.degrees_of_freedom, 4))
        distance = np.einsum("ni,ij,nj->n", level.strips - middle, inverse, level.strips - middle)
        # The strip itself has widened the pooled scatter, so the spread of all others is what it is held against.
        others = _plain_scatter([v for v in levels if v is not level and len(v.strips) > 1])
        plain = np.linalg.norm(level.strips - middle, axis=1)
        index = int(np.argmax(distance))
        reach = np.linalg.norm(curve.tangent(np.array([level.concentration]))[0]) * level.concentration
        allowed = 6 * np.hypot(others, curve.scatter.relative * reach)
        if distance[index] > limit or plain[index] > max(allowed, 1.5):
            name = sorted({c.replicate for c in inside if c.concentration == level.concentration})[index]
            photos = [c.photo for c in inside if c.concentration == level.concentration and c.replicate == name]
            raise _refuse(
                Message(
                    "the strips at %(concentration)s to agree (pad %(pad)s)",
                    concentration=Number(level.concentration, "g"),
                    pad=repr(pad),
                ),
                Message(
                    "strip %(name)s (%(photos)s) %(apart)s Delta E from the others",
                    name=name,
                    photos=", ".join(photos),
                    apart=Number(plain[index], ".1f"),
                ),
                ByFace(
                    Message(
                        "Look at that photo; dip and photograph the strip again, or calibrate with --without and "
                        "its photo's name, which the lot file records."
                    ),
                    Message(
                        "Look at that photo; dip and photograph the strip again, or leave its photo out below, "
                        "which the lot file records."
                    ),
                ),
            )


def _check_levels(levels: Sequence[_Level], fitted: _Fitted, *, pad: str) -> None:
    """Name the level that the curve misses by far more than its uncertainty when it is fitted without it."""
    from scipy.stats import chi2

    curve = fitted.best.curve
    worst, where, others = 0.0, 0, curve
    for index in range(len(levels)):
        rest = [v for k, v in enumerate(levels) if k != index]
        if len(rest) < LEAST_LEVELS - 1 or index in (0, len(levels) - 1):
            without = curve
            off = levels[index].mean - curve.lab(np.array([levels[index].concentration]))[0]
            spread = _level_covariances([levels[index]], curve)[0]
        else:
            try:
                without = _fit_curve(rest, curve.scatter, near=fitted).best.curve
            except CalibrationRefusedError:
                continue
            here = np.array([levels[index].concentration])
            off = levels[index].mean - without.lab(here)[0]
            # Interpolating over a gap is uncertain by more than the parameters' covariance tells: 3 % of the step.
            gap = levels[index + 1].mean - levels[index - 1].mean
            spread = (
                _level_covariances([levels[index]], without)[0]
                + without.covariance_at(here)[0]
                + 0.03**2 * float(gap @ gap) * np.eye(3)
            )
        distance = float(off @ np.linalg.solve(spread, off))
        if distance > worst:
            worst, where, others = distance, index, without
    if worst > 2.0 * chi2.ppf(1 - _LEVEL_P / len(levels), 3):
        level = levels[where]
        grid = others.grid()
        nearest = grid[np.argmin(np.sum((others.lab(grid) - level.mean) ** 2, axis=1))]
        raise _refuse(
            Message("every level on one smooth curve (pad %(pad)s)", pad=repr(pad)),
            Message(
                "the level %(concentration)s, whose strips look like about %(nearest)s",
                concentration=Number(level.concentration, "g"),
                nearest=Number(nearest, ".3g"),
            ),
            ByFace(
                Message(
                    "Check that dilution and its label; make it again, or calibrate with --without and its photos' "
                    "names."
                ),
                Message("Check that dilution and its label; make it again, or leave its photos out below."),
            ),
        )


def _check_fold(curve: Curve, *, pad: str) -> None:
    """Refuse a path that comes back near itself: one colour would then stand for two concentrations."""
    grid = curve.grid(80)
    path = curve.lab(grid)
    scatter = curve.scatter_at(grid) + _U_MODEL**2 * np.eye(3) + curve.covariance_at(grid)
    inverse = np.linalg.inv(scatter)
    for i in range(len(grid) - 2):
        off = path[i + 1 :] - path[i]
        distance = np.einsum("ni,ij,nj->n", off, inverse[i], off)
        far = np.maximum.accumulate(distance)
        back = np.nonzero((far > 36.0) & (distance < 9.0))[0]
        if len(back):
            j = i + 1 + int(back[0])
            raise _refuse(
                Message("one colour for each concentration (pad %(pad)s)", pad=repr(pad)),
                Message(
                    "the same colour at %(one)s and %(other)s: the curve folds back",
                    one=Number(grid[i], ".3g"),
                    other=Number(grid[j], ".3g"),
                ),
                ByFace(
                    Message("Mark the levels where the pad bleaches or turns back with beyond = yes in the series."),
                    Message(
                        "Plan it again, with the levels where the pad bleaches or turns back as far above the range."
                    ),
                ),
            )


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
