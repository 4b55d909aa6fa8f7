"""Loss of strength: first-order, fitted to readings, with what the tank's cover lets expect where readings are few.

c(t) = c0 exp(-k t). The readings weigh by their own uncertainties; what is known of k beforehand is a normal
distribution of ln k, from the tank's cover, or a wide one. ``scipy`` finds the most probable pair; around it the
probability of ln k is laid out on a grid, and all intervals are read from there, because those of a half-life and of a
time are not even.

Known limit: errors that all readings of a lot share (its curve) hardly change k, but shift every strength alike, and so
the time when a limit is passed. They are in the uncertainty of each reading and are taken as independent here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from stripread.errors import WaterError
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.units import Measured, difference, probability_in_words, propagate
from stripread.water.warmth import (
    ACTIVATION_KJ_PER_MOL,
    ANY_SEASON_C,
    REFERENCE_C,
    check_liquid,
    rate_factor,
    season_width,
)

__all__ = [
    "COVERS",
    "NO_COVER_TOLD",
    "Forecast",
    "LossFit",
    "Prior",
    "Timed",
    "check_no_rise",
    "cover_prior",
    "fit_loss",
    "forecast",
    "strength_at",
    "time_until",
]

_TAIL = 0.025
_RISE = 0.05  # chance under which a rise is no accident. Ours: the 95 % of an interval
_SHARES = np.linspace(0.0, 1.0, 4001)  # at which quantiles are taken; the ends of 95 % are among them
_NODES = 41  # of the strength, for each k


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is expected of the half-life before any reading: a median, and the factor that is one standard deviation."""

    name: str
    half_life: float
    factor: float
    source: str


_OURS = "common practice, no published source; chosen for this project and judged on no data"
COVERS: dict[str, Prior] = {
    "open": Prior(name="an open tank", half_life=12.0, factor=3.0, source=_OURS),
    "covered": Prior(name="a covered tank", half_life=96.0, factor=3.0, source=_OURS),
    "sealed": Prior(name="a sealed, full and dark container", half_life=336.0, factor=3.0, source=_OURS),
}
"""Half-life of a stock [h] at 20 C by the cover of its tank; the factor is for water of any season (5 to 35 C)."""

NO_COVER_TOLD = Prior(name="a tank whose cover nobody told", half_life=64.0, factor=6.0, source=_OURS)
"""From an open tank's half-life to a sealed one's."""

_WIDE_FACTOR = 20.0  # of the prior where no cover is named; about three times the time over which was read. Ours


def cover_prior(cover: str, temperature_c: Measured | None = None) -> Prior:
    """Return what a cover lets expect of the half-life; at a temperature that is known, for that one.

    The warmth makes it shorter (`water.warmth`), and what the season does is no longer in the factor.
    """
    known = COVERS[cover]
    if temperature_c is None:
        return known
    check_liquid(temperature_c)
    activation = ACTIVATION_KJ_PER_MOL
    faster = float(rate_factor(temperature_c.value, REFERENCE_C, activation.value))
    away = math.log(faster) * activation.u / activation.value
    rest = math.log(known.factor) ** 2 - season_width(ANY_SEASON_C.u) ** 2
    width = math.sqrt(rest + season_width(temperature_c.u) ** 2 + away**2)
    return replace(known, half_life=known.half_life / faster, factor=math.exp(width))


@dataclass(frozen=True, slots=True)
class Timed:
    """A reading and when (or how far down the line) it was taken, in hours (or metres)."""

    at: float
    reading_mg_per_l: Measured


@dataclass(frozen=True, slots=True)
class _Posterior:
    """ln k on a grid with its probability, and for each the strength at 0: normal, mean and standard deviation."""

    ln_k: Float
    weight: Float
    mean: Float
    sd: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class LossFit:
    """A fitted loss of strength.

    Attributes
    ----------
    rate : Measured
        k, per hour (or metre).
    half_life : Measured
        In hours (or metres).
    start_mg_per_l : Measured
        At 0.
    prior : Prior
    prior_share : float
        Variance of ln k beside that of the prior: near 1 the readings told little, near 0 they told all.
    chi2, degrees_of_freedom : float, int
        Weighted squares of the readings about the curve; 0 degrees where there are two readings or fewer.
    widened_by : float
        Factor by which the readings' uncertainties were widened because they scatter more than they state (chi-squared
        under 5 % probability); 1 where they do not. The root of chi-squared over its degrees of freedom.
    last : float
        Of the last reading, in hours (or metres).
    """

    rate: Measured
    half_life: Measured
    start_mg_per_l: Measured
    prior: Prior
    prior_share: float
    chi2: float
    degrees_of_freedom: int
    widened_by: float
    last: float
    posterior: _Posterior = field(repr=False)


def check_no_rise(readings: Sequence[Timed]) -> None:
    """Refuse readings of which a later one is stronger beyond chance: that is no loss.

    Beyond chance is a probability under 5 % over the number of pairs (Bonferroni), to either side: one good batch in
    forty at most is refused.

    Raises
    ------
    WaterError
        With the pair that rises most surely.
    """
    ordered = sorted(readings, key=lambda one: one.at)
    pairs = [(a, b) for a, b in combinations(ordered, 2) if b.at > a.at]
    rises = [
        (difference(a.reading_mg_per_l, b.reading_mg_per_l).probability, a, b)
        for a, b in pairs
        if b.reading_mg_per_l.value > a.reading_mg_per_l.value
    ]
    if not rises:
        return
    chance, before, after = min(rises, key=lambda rise: rise[0])
    if chance >= _RISE / len(pairs):
        return
    raise WaterError(
        expected=Message("a strength that falls or stays: a stock cannot become stronger by itself"),
        found=Message(
            "%(before)s mg/L at %(first)s h and %(after)s mg/L at %(second)s h; the chance of so large a rise "
            "is %(chance)s",
            before=Number(before.reading_mg_per_l.value, ".3g"),
            first=Number(before.at, ".3g"),
            after=Number(after.reading_mg_per_l.value, ".3g"),
            second=Number(after.at, ".3g"),
            chance=probability_in_words(chance),
        ),
        remedy=Message(
            "Look whether both are of one batch, whether it was topped up in between, whether the tank was mixed when "
            "the first was taken (a still tank is layered), and whether the times are right; then read a fresh strip."
        ),
    )


def fit_loss(readings: Sequence[Timed], *, prior: Prior | None = None) -> LossFit:
    """Fit a first-order loss.

    Parameters
    ----------
    readings : sequence of Timed
        Two or more at different times, or one with a prior. Each with an uncertainty over 0.
    prior : Prior or None
        Of the half-life, in the unit of the times; None takes a wide one.

    Raises
    ------
    WaterError
        With too few readings, or one without uncertainty or strength.
    """
    if len({one.at for one in readings}) < (1 if prior is not None else 2):
        raise WaterError(
            expected=Message("readings at two times or more, or one and the tank's cover"),
            found=Message("%(readings)s reading(s)", readings=len(readings)),
            remedy=Message("Read again some hours later, or say how the tank is covered."),
        )
    if any(one.reading_mg_per_l.u <= 0 or one.reading_mg_per_l.value <= 0 for one in readings):
        raise WaterError(
            expected=Message("readings over 0 with an uncertainty over 0"),
            found=Message("one without"),
            remedy=Message("Give it its interval."),
        )
    at = np.array([one.at for one in readings], dtype=float)
    strength = np.array([one.reading_mg_per_l.value for one in readings])
    u = np.array([one.reading_mg_per_l.u for one in readings])
    known = prior or Prior(
        name="none", half_life=3 * float(np.ptp(at)), factor=_WIDE_FACTOR, source="wide, chosen for this project"
    )
    centre, width = math.log(math.log(2) / known.half_life), math.log(known.factor)
    mode, u_mode, chi2 = _most_probable(at, strength, u, centre, width)
    degrees = max(len(readings) - 2, 0)
    widened = 1.0
    if degrees and _chi2_tail(chi2, degrees) < 0.05:
        widened = math.sqrt(chi2 / degrees)
        mode, u_mode, _ = _most_probable(at, strength, widened * u, centre, width)
    grid = _posterior(at, strength, widened * u, centre, width, mode, u_mode)
    ln_k_mean = float(grid.weight @ grid.ln_k)
    return LossFit(
        rate=_from_quantiles(np.exp(grid.ln_k), grid.weight),
        half_life=_from_quantiles(math.log(2) / np.exp(grid.ln_k), grid.weight),
        start_mg_per_l=_strength(grid, 0.0),
        prior=known,
        prior_share=float(grid.weight @ (grid.ln_k - ln_k_mean) ** 2) / width**2,
        chi2=chi2,
        degrees_of_freedom=degrees,
        widened_by=widened,
        last=float(at.max()),
        posterior=grid,
    )


def strength_at(fit: LossFit, at: float, *, most_mg_per_l: float | None = None) -> Measured:
    """Return the strength at a time (or distance) with its interval [mg/L].

    Parameters
    ----------
    most_mg_per_l : float or None
        What it can have had at 0 at most, by what went in: a late reading and an unsure loss tell little of an early
        strength, mass balance does. It is left out where the readings hardly allow it (under 2.5 %).
    """
    return _strength(fit.posterior, at, most_mg_per_l)


def time_until(fit: LossFit, *, limit_mg_per_l: float) -> Measured:
    """Return when the strength falls below a limit, from 0 on; under 0 where it did so before.

    The estimate is the median, u half of the central 68 % interval: the distribution leans far to late times.
    """
    grid = fit.posterior
    start = np.maximum(_starts(grid), 1e-9)
    times = np.log(start / limit_mg_per_l) / np.exp(grid.ln_k)[:, None]
    return _from_quantiles(times, np.broadcast_to(grid.weight[:, None] / _NODES, times.shape), floor=-math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What follows from a loss of strength.

    Attributes
    ----------
    now_mg_per_l : Measured
        By the curve, at the last reading.
    below_limit_at_h, left_h : Measured or None
        When the stock falls below its limit, from the batch's start and from the last reading; None without a limit.
    at_mg_per_l : Measured or None
        At the time that was asked for.
    """

    fit: LossFit
    now_mg_per_l: Measured
    below_limit_at_h: Measured | None
    left_h: Measured | None
    at_mg_per_l: Measured | None


def forecast(fit: LossFit, *, limit_mg_per_l: float | None = None, at: float | None = None) -> Forecast:
    """Return where the stock stands, when it falls below a limit, and how strong it is at a time [h]."""
    until = None if limit_mg_per_l is None else time_until(fit, limit_mg_per_l=limit_mg_per_l)
    return Forecast(
        fit=fit,
        now_mg_per_l=strength_at(fit, fit.last),
        below_limit_at_h=until,
        left_h=None if until is None else _later(until, -fit.last),
        at_mg_per_l=None if at is None else strength_at(fit, at),
    )


def _later(time: Measured, by: float) -> Measured:
    return propagate(lambda t: t + by, time, floor=-math.inf)


def _starts(grid: _Posterior) -> Float:
    """Strengths at 0 that are equally probable, for each k; shape (K, nodes)."""
    from scipy.special import ndtri

    nodes = ndtri((np.arange(_NODES) + 0.5) / _NODES)
    return np.asarray(grid.mean[:, None] + grid.sd[:, None] * nodes)


def _strength(grid: _Posterior, at: float, most: float | None = None) -> Measured:
    left, starts = np.exp(-np.exp(grid.ln_k) * at), _starts(grid)
    strengths = np.maximum(starts * left[:, None], 0.0)
    weight = np.broadcast_to(grid.weight[:, None] / _NODES, strengths.shape)
    allowed = weight * (starts <= (math.inf if most is None else most))
    if (share := float(allowed.sum())) > _TAIL:
        weight = allowed / share
    return _from_quantiles(strengths, weight)


def _most_probable(at: Float, strength: Float, u: Float, centre: float, width: float) -> tuple[float, float, float]:
    """Return the most probable ln k, its uncertainty by the curvature there, and the readings' chi-squared."""
    from scipy.optimize import least_squares

    scale = float(strength.max())

    def residuals(theta: Float) -> Float:
        curve = theta[0] * scale * np.exp(-np.exp(theta[1]) * (at - at.min()))
        return np.append((strength - curve) / u, (theta[1] - centre) / width)

    starts = [np.array([1.0, centre + step * width]) for step in (-1, 0, 1)]
    best = min((least_squares(residuals, start, x_scale=(0.1, 1.0)) for start in starts), key=lambda found: found.cost)
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    return float(best.x[1]), float(np.sqrt(covariance[1, 1])), float(np.sum(best.fun[:-1] ** 2))


def _posterior(
    at: Float, strength: Float, u: Float, centre: float, width: float, mode: float, u_mode: float
) -> _Posterior:
    """Lay ln k out on a grid.

    For each k the most probable strength is that of weighted least squares, and the readings' chi-squared with it gives
    k its probability. (A prior of the strength that is flat in the scale in which it was read: one that is flat at time
    0 would draw k upwards whenever the first reading is late.)
    """
    low, high = mode - 8 * u_mode, mode + 8 * u_mode
    ln_k = np.linspace(max(low, centre - 6 * width), max(high, centre - 5 * width), 801)
    curves = np.exp(-np.exp(ln_k)[:, None] * at)
    precision = np.maximum(np.sum((curves / u) ** 2, axis=1), 1e-300)
    mean = np.sum(curves * strength / u**2, axis=1) / precision
    chi2 = np.sum(((strength - mean[:, None] * curves) / u) ** 2, axis=1)
    log_weight = -0.5 * (chi2 + ((ln_k - centre) / width) ** 2)
    weight = np.exp(log_weight - log_weight.max())
    return _Posterior(ln_k, weight / weight.sum(), mean, 1 / np.sqrt(precision))


def _chi2_tail(chi2: float, degrees: int) -> float:
    from scipy.stats import chi2 as distribution

    return float(distribution.sf(chi2, degrees))


def _from_quantiles(numbers: Float, weight: Float, *, floor: float = 0.0) -> Measured:
    """Return what numbers with weights say: their median, half of the central 68 %, the central 95 %, and the rest."""
    flat = numbers.ravel()
    order = np.argsort(flat)
    share = np.cumsum(weight.ravel()[order])
    return Measured.from_quantiles(np.interp(_SHARES, share, flat[order]), floor=floor)
