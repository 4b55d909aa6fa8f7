"""How a condition's colours lie beside the lot's curve: a shift that bends smoothly along it.

    lab(c) = curve(c) + d0 + d1 s + d2 s^2,    s = t(c) / t(top)

t is the reacted share of `stripread.lot.path`, so a shifted curve is a curve of the same form. The coefficients have a
weak prior about 0, so a few levels are enough: what they leave open stays uncertain.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripread.geometry import Float
from stripread.lot.curve import Curve
from stripread.lot.path import POLYNOMIAL, reacted_share

__all__ = ["Shift", "fit_shift", "shifted_curve"]

_DEGREE = 2
# CIELAB, each coefficient: corrected colours of one pad lie 1 to 3 Delta E apart between simulated lights.
_PRIOR_SD = 2.0


@dataclass(frozen=True, slots=True)
class Shift:
    """Coefficients (3 m,) of a polynomial in t that is added to a curve, in rows of three, and their covariance."""

    coefficients: Float
    covariance: Float


def fit_shift(curve: Curve, concentration: Float, difference: Float, covariance: Float) -> Shift:
    """Fit a shift to colours (n, 3) less the curve's at concentrations (n,), each with its covariance (n, 3, 3)."""
    own = (len(curve.parameters) - 2) // 3 - 1
    degree = min(_DEGREE, own) if curve.path is POLYNOMIAL else _DEGREE
    share = np.asarray(reacted_share(np.append(concentration, curve.top), *curve.parameters[:2]), dtype=np.float64)
    powers = (share[:-1, None] / share[-1]) ** np.arange(degree + 1)
    design = np.einsum("nj,ab->najb", powers, np.eye(3)).reshape(len(concentration), 3, -1)
    inverse = np.linalg.inv(covariance)
    information = np.einsum("nap,nab,nbq->pq", design, inverse, design)
    posterior = np.linalg.inv(information + np.eye(len(information)) / _PRIOR_SD**2)
    solution = posterior @ np.einsum("nap,nab,nb->p", design, inverse, difference)
    off = difference - design @ solution
    freedom = 3 * len(concentration) - len(solution)
    if freedom > 0:  # what a smooth shift does not explain
        posterior = posterior * max(1.0, float(np.einsum("na,nab,nb->", off, inverse, off)) / freedom)
    scale = np.repeat(share[-1] ** -np.arange(degree + 1.0), 3)
    return Shift(solution * scale, posterior * np.outer(scale, scale))


def shifted_curve(curve: Curve, shifts: Sequence[Shift], weights: Float) -> Curve:
    """Return the curve in a mixture of conditions."""
    parameters, _ = curve.path.shifted(curve.parameters.copy(), max(len(s.coefficients) for s in shifts))
    covariance = np.zeros((len(parameters), len(parameters)))
    covariance[: len(curve.covariance), : len(curve.covariance)] = curve.covariance
    for shift, weight in zip(shifts, weights, strict=True):
        _, here = curve.path.shifted(parameters, len(shift.coefficients))
        parameters[here] += weight * shift.coefficients
        covariance[here, here] += weight**2 * shift.covariance
    return replace(curve, parameters=parameters, covariance=covariance)
