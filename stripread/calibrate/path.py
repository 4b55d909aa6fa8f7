"""Fit a Kubelka-Munk path to the mean colours of levels, weighted by what each leaves uncertain."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripread.calibrate.fit import Fit, fit_parameters
from stripread.calibrate.levels import U_MODEL, Level, level_covariances
from stripread.errors import CalibrationRefusedError
from stripread.geometry import Float
from stripread.i18n import Message
from stripread.lot import KUBELKA_MUNK, Curve, Scatter, absorption_of, reacted_share

__all__ = ["FittedPath", "Shape", "fit_path", "shape_of"]

# Standard deviations of the priors. log K about its start, a factor of 4.5; ours. log h about 0: dyes of our own have
# h = 1 and are fitted with 0.92 to 1.01 in noise-free series, as the channels are no lines of the spectrum. A scale
# without a zero, such as pH, has an exponent of its own.
_U_HALF, _U_HILL, _U_HILL_FREE = 1.5, 0.1, 0.4
# C t^2 as a share of the change of K/S at the top. In noise-free series of 17 dyes, the five and twelve at random of
# tests/benchmarks/ends.py, 86 % of the channels have less than this, at most 0.47.
_U_BEND, _LEAST_CHANGE = 0.3, 0.05
# The same two where another lot of the kind tells the shape: what its own fit leaves open. Ours.
_U_HILL_LIKE, _U_BEND_LIKE = 0.05, 0.1
# CIELAB, each coefficient of a polynomial in t / t(top): corrected colours are no reflectances, and miss them by 1 to 3
# Delta E, smoothly along a path. Without a zero the levels lie close and tell of it; by so much an acid-base pair, seen
# in two lamps, is off the form.
_SHIFTS, _U_SHIFT, _U_SHIFT_FREE = 4, 1.0, 3.0
# Ours. Fits of simulated series take 20 to 100 evaluations; one that takes many more has a level that fits no path, and
# creeps along a valley where the colours hardly change.
_EVALUATIONS = 400


@dataclass(frozen=True, slots=True)
class Shape:
    """What lots of one kind have in common, however much dye they bear: log h, and how K/S bends by channel.

    With a reacted amount a of dye, K/S = A + b a + c a^2. A lot of amount n has B = b n, C = c n^2: C / B^2 is c / b^2.
    """

    log_hill: float
    bend: Float  # (3,), C / B^2


@dataclass(frozen=True, slots=True)
class FittedPath:
    """A fitted curve, where its prior on log K and log h was centred, and the shape that it was drawn to."""

    curve: Curve
    fit: Fit
    centre: Float
    shape: Shape | None


def shape_of(curve: Curve) -> Shape:
    """Return the shape of a fitted Kubelka-Munk path."""
    dye = curve.parameters[5:11].reshape(2, 3)
    return Shape(float(curve.parameters[1]), dye[1] / np.where(dye[0] == 0, np.inf, dye[0]) ** 2)


def fit_path(
    levels: Sequence[Level], scatter: Scatter, *, near: FittedPath | None = None, shape: Shape | None = None
) -> FittedPath:
    """Fit a path; a fit to nearly the same levels (``near``) gives the start, without it several are tried.

    ``shape`` is that of another lot of the kind, where one is known.

    Raises
    ------
    CalibrationRefusedError
        Where no fit comes to an end.
    """
    shape = near.shape if near else shape
    found = []
    if near:
        found = [_fit(levels, near.curve.parameters, near.centre, replace(near.curve, scatter=scatter), shape)]
    if not any(found):
        found = [_fit(levels, *start, None, shape, scatter=scatter) for start in _starts(levels, shape)]
    fitted = [one for one in found if one is not None]
    if not fitted:
        raise CalibrationRefusedError(
            expected=Message("a curve through the levels"),
            found=Message("none that fits"),
            remedy=Message("Check the series, or add levels."),
        )
    return min(fitted, key=lambda one: one.fit.residual_sum_of_squares)


def _starts(levels: Sequence[Level], shape: Shape | None) -> list[tuple[Float, Float]]:
    """Parameters to start from, each with the centre of its prior on log K and log h."""
    concentrations = np.array([v.concentration for v in levels])
    absorbed = absorption_of(np.array([v.mean for v in levels]))
    low, top = float(concentrations[0]), float(concentrations[-1])
    floor = max(low, top / 1e3)
    middle = float(np.sqrt(floor * top))
    own = ((middle, 2.3 * (low + top) / 2), (top, 2.3 * (low + top) / 2))
    starts = []
    for half, hill in ((3 * top, 1.0), (top / 2, 1.0), (top / 10, 1.0)) if low == 0 else own:
        centre = np.array([np.log(half), np.log(hill) if shape is None else shape.log_hill])
        powers = reacted_share(concentrations, *centre)[:, None] ** np.arange(3)
        # What a small C explains as well as a large one is left to the small one.
        ridge = np.diag([0.0, 0.0, 0.1 * float(powers[-1, 2])])
        coefficients = np.linalg.lstsq(np.vstack([powers, ridge]), np.vstack([absorbed, np.zeros((3, 3))]), rcond=None)
        starts.append((np.concatenate([centre, coefficients[0].ravel(), np.zeros(3 * _SHIFTS)]), centre))
    return starts


def _fit(
    levels: Sequence[Level],
    start: Float,
    centre: Float,
    near: Curve | None,
    shape: Shape | None,
    *,
    scatter: Scatter | None = None,
) -> FittedPath | None:
    """Fit, reweight by the curve found, and fit again; None where that comes to nothing."""
    low, top = levels[0].concentration, levels[-1].concentration
    whiten = np.eye(3 * len(levels)) / U_MODEL if near is None else _whitening(levels, near)
    scatter = near.scatter if near is not None else scatter
    assert scatter is not None
    parameters = start
    for _ in range(3 if near is None else 2):
        try:
            fit = _fit_penalised(levels, whiten, parameters, centre, shape)
        except (ValueError, np.linalg.LinAlgError):
            return None
        if not np.isfinite(fit.parameters).all():
            return None
        # Weights are absolute; what the curve leaves over them widens its covariance.
        excess = max(1.0, fit.residual_sum_of_squares / fit.degrees_of_freedom)
        curve = Curve(fit.parameters, fit.unscaled_covariance * excess, low, top, scatter, KUBELKA_MUNK)
        whiten = _whitening(levels, curve)
        parameters = fit.parameters
    return FittedPath(curve, fit, centre, shape)


def _fit_penalised(levels: Sequence[Level], whiten: Float, start: Float, centre: Float, shape: Shape | None) -> Fit:
    """Fit with priors on log K, log h, the bend C and the shift D, which few levels do not determine."""
    concentrations = np.array([v.concentration for v in levels])
    size, top = 3 * len(levels), concentrations[-1:]
    absorbed = absorption_of(np.array([levels[0].mean, levels[-1].mean]))
    change = np.abs(absorbed[1] - absorbed[0])
    bend = np.zeros(3) if shape is None else shape.bend
    u_bend = (_U_BEND if shape is None else _U_BEND_LIKE) * np.maximum(change, _LEAST_CHANGE * change.max())
    u_hill, u_shift = (_U_HILL, _U_SHIFT) if concentrations[0] == 0 else (_U_HILL_FREE, _U_SHIFT_FREE)
    u_hill = u_hill if shape is None else _U_HILL_LIKE
    # Rows of C and D among the parameters, by the power of t that each stands with.
    rows = [(8, 2), *((11 + 3 * power, power) for power in range(_SHIFTS))]
    spreads = np.array([_U_HALF, u_hill, *u_bend, *([u_shift] * 3 * _SHIFTS)])
    weights = np.zeros((size + len(spreads),) * 2)
    weights[:size, :size] = whiten
    weights[size:, size:] = np.diag(1 / spreads)

    def at_top(parameters: Float) -> list[Float]:
        share = reacted_share(top, *parameters[:2])
        found = [parameters[at : at + 3] * share**power for at, power in rows]
        found[0] = found[0] - bend * (parameters[5:8] * share) ** 2
        return found

    def predict(parameters: Float) -> Float:
        lab = KUBELKA_MUNK.lab(parameters, concentrations).ravel()
        return np.concatenate([lab, parameters[:2], *at_top(parameters)])

    def slope(parameters: Float) -> Float:
        own = KUBELKA_MUNK.slope(parameters, concentrations).reshape(size, -1)
        share = float(reacted_share(top, *parameters[:2])[0])
        steep = (1 - share) * np.exp(parameters[1])  # of log t
        by_log = np.array([-steep, steep * (np.log(top[0]) - parameters[0])])
        priors = np.zeros((len(spreads), len(parameters)))
        priors[:2, :2] = np.eye(2)
        for place, (at, power) in enumerate(rows):
            here = slice(2 + 3 * place, 5 + 3 * place)
            priors[here, :2] = np.outer(parameters[at : at + 3] * power * share**power, by_log)
            priors[here, at : at + 3] = share**power * np.eye(3)
        # C is held against the bend times the square of B.
        b = parameters[5:8]
        priors[2:5, :2] -= np.outer(bend * 2 * (b * share) ** 2, by_log)
        priors[2:5, 5:8] = np.diag(-2 * bend * b * share**2)
        return np.concatenate([own, priors])

    measured = np.concatenate([*(v.mean for v in levels), centre, np.zeros(len(spreads) - 2)])
    return fit_parameters(predict, measured, weights, start, slope=slope, evaluations=_EVALUATIONS)


def _whitening(levels: Sequence[Level], curve: Curve) -> Float:
    """Matrix (3 n, 3 n) that makes the residuals of the levels independent, of variance 1."""
    roots = np.linalg.cholesky(np.linalg.inv(level_covariances(levels, curve))).transpose(0, 2, 1)
    whiten = np.zeros((len(levels), 3, len(levels), 3))
    whiten[np.arange(len(levels)), :, np.arange(len(levels)), :] = roots
    return whiten.reshape(3 * len(levels), -1)
