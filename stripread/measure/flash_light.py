"""Two photos of one card, without and with the flash: what the flash alone lights, whatever the other light is.

Where the tone curve is undone, the photo with the flash is the photo without it plus the flash's own light, but each
in other units: the phone has exposed and balanced them each in its own way, and mixed the channels by another matrix.
So there are matrices A and B with

    F(x) u = A y_without + B y_with

for every patch and pad, u being its XYZ (relative to white) as the flash alone shows it to this phone, and F the
flash's fall-off. Ambient light that is mixed, coloured or uneven drops out as long as it does not change in between.
With u known, A, B and F are a linear fit on the card's patches, and so many patches leave enough over to improve the
tone curve as well (Gauss-Newton, from the neutral patches' curve): taking one photo off the other magnifies what is
wrong with it. u itself comes from the pairs of the calibration: it
is what they have in common, and it is near the patches' reference colours (`join_flash_colours`).

The exposures tell how much of the light is ambient, and so about how large A is: a wide prior, which decides where the
patches do not, since the ambient light resembles the flash.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.colour import (
    LOWEST,
    PatchColours,
    d50_white,
    lab_jacobian,
    lab_to_xyz,
    linear_srgb,
    spread_code,
    tone_basis,
    xyz_to_lab,
)
from stripread.geometry import Float

__all__ = ["FlashLight", "PairPatches", "PairTone", "fit_flash_light", "fit_pair_tone", "join_flash_colours"]

Used = NDArray[np.bool_]

# Of the tone curve, as in tone.py: spline intervals, curvature prior, scatter of a patch mean, flare of full scale.
_KNOTS, _U_CURVATURE, _U_NEUTRAL, _U_DARK = 7, 0.10, 0.004, 0.0008
# Priors, standard deviations by the power of a place on the card (linear, quadratic, ...): of the log-light in one
# photo, and of the flash's fall-off. A flash at 170 mm loses half of its light at the card's corners.
_U_LIGHT = (0.30, 0.12, 0.05)
_U_FALL_OFF = (0.3, 0.3, 0.3, 0.3)
# Ours, judged on patch means of seen phones, lamps and printers: CIELAB by which a patch departs from the model (tone
# curve, noise), CIELAB by which the flash shows patches unlike the reference (a lamp's and a camera's mismatch),
# and how far A may be from what the exposures say, relative (white balance and matrix differ by tenths).
_U_PATCH, _U_REFERENCE, _U_SHARE = 0.1, 2.0, 0.3
_JOIN_ROUNDS = 3
_TONE_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class PairTone:
    """One tone curve a channel for both photos, and how firmly the neutral patches hold it.

    Attributes
    ----------
    low, high : ndarray (3,)
        Codes over which the spline lies.
    curve : ndarray (3, _KNOTS + 3)
        Its coefficients.
    precision : ndarray (3, _KNOTS + 3, _KNOTS + 3)
        Inverse covariance of the coefficients.
    """

    low: Float
    high: Float
    curve: Float
    precision: Float

    def undo(self, linear: Float) -> Float:
        """Scene light (n, 3) of decoded values (n, 3), light not divided out; both photos in the same unit."""
        result: Float = np.exp((self.basis(np.atleast_2d(linear)) * self.curve).sum(axis=-1))
        return result

    def basis(self, linear: Float) -> Float:
        """Differentiate the log light by the coefficients of its channel's curve, (n, 3, _KNOTS + 3)."""
        return tone_basis(self.low, self.high, spread_code(linear))


@dataclass(frozen=True, slots=True, kw_only=True)
class PairPatches:
    """A card's patches in both photos: first the one without, then the one with the flash.

    Attributes
    ----------
    linear : ndarray (2, n, 3)
        Mean decoded values.
    white : ndarray (2, 3)
        Scene light of the card's white: each photo is scaled to 1 there.
    used : ndarray of bool (n,)
        Neither clipped nor disagreeing in either photo.
    share : float
        Share of the ambient light in the photo with the flash, by the exposures; 0 to 1.
    lab : ndarray (n, 3)
        Reference CIELAB.
    places : ndarray (n, 2)
        Scaled to -1..1 on the card.
    """

    linear: Float
    tone: PairTone
    white: Float
    used: Used
    share: float
    lab: Float
    places: Float

    def six(self, tone: PairTone) -> Float:
        """Scaled scene light in both photos, side by side: (n, 6)."""
        return np.hstack([tone.undo(self.linear[i]) / self.white[i] for i in (0, 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashLight:
    """The fit of one pair.

    Attributes
    ----------
    mix : ndarray (3, 6)
        A and B, side by side.
    fall_off : ndarray (14,)
        Coefficients of F - 1 over the terms of the place, to the fourth power.
    tone : PairTone
        The tone curve after all patches have had their say.
    fitted : ndarray (n, 3)
        CIELAB of each patch in the flash's light.
    left_out : ndarray (n, 3)
        The same less the target, each patch left out of the fit.
    """

    mix: Float
    fall_off: Float
    tone: PairTone
    white: Float
    fitted: Float
    left_out: Float

    def lab(self, linear: Float, place: Float) -> Float:
        """CIELAB (3,) of decoded values (2, 3), without and with the flash, at a place scaled to -1..1."""
        fall_off = 1 + _terms(np.atleast_2d(place), len(_U_FALL_OFF))[0] @ self.fall_off
        xyz = self.mix @ (self.tone.undo(linear) / self.white).ravel() / fall_off
        return xyz_to_lab(np.maximum(xyz, 1e-6) * d50_white())

    def jacobian(self, linear: Float, place: Float) -> Float:
        """Differentiate that CIELAB by the decoded values, (3, 2, 3): the CIELAB first."""
        result = np.empty((3, 2, 3))
        for photo in (0, 1):
            for channel in range(3):
                step = np.zeros((2, 3))
                step[photo, channel] = 1e-3 * linear[photo, channel]
                change = self.lab(linear + step, place) - self.lab(linear - step, place)
                result[:, photo, channel] = change / (2 * step[photo, channel])
        return result


def _terms(places: Float, degree: int) -> Float:
    """Powers of places (n, 2) from the first to ``degree``; shape (n, terms)."""
    x, y = places[:, 0], places[:, 1]
    return np.stack([x**i * y ** (d - i) for d in range(1, degree + 1) for i in range(d + 1)], axis=1)


def _by_degree(values: Sequence[float]) -> Float:
    """One of ``values`` for each term of its degree."""
    return np.concatenate([np.full(d + 2, value) for d, value in enumerate(values)])


def fit_pair_tone(patches: Sequence[PatchColours], used: Sequence[Used]) -> PairTone:
    """Fit one tone curve a channel on the neutral patches of both photos, each with a light of its own.

    Same phone, same curve: what the lamps do to the greys' apparent reflectance then averages, and both photos come
    out in one unit, so that exposures may be compared.
    """
    first = patches[0]
    size = np.array(first.card_size_mm)
    surface = _terms((first.places_mm - size / 2) / (size / 2), len(_U_LIGHT))
    count = _KNOTS + 3
    curvature = np.diff(np.eye(count), 2, axis=0) / _U_CURVATURE
    seen = np.concatenate([p.linear[u] for p, u in zip(patches, used, strict=True)])
    low, high = spread_code(seen.min(axis=0)), spread_code(seen.max(axis=0)) + 1e-6
    curves, precisions = np.empty((3, count)), np.empty((3, count, count))
    for c in range(3):
        grid = low[c] + (high[c] - low[c]) / _KNOTS * (np.arange(count) - 1)
        nominal = 2.4 * np.log(np.maximum(grid, 0.02))
        # The curve's scale is free (each photo has an exposure): hold its mean to the nominal one's.
        normal = curvature.T @ curvature + 100.0 * np.ones((count, count))
        wanted = np.zeros(count)
        for one, use in zip(patches, used, strict=True):
            here = use & one.neutral
            linear = one.linear[here, c]
            basis = tone_basis(low[c], high[c], spread_code(linear))
            weight = 1 / np.hypot(_U_NEUTRAL, _U_DARK / np.maximum(linear, LOWEST))
            target = np.log(np.maximum(linear_srgb(one.lab[here])[:, c], LOWEST))
            light = np.hstack([np.ones((len(linear), 1)), surface[here]]) * weight[:, None]
            prior = np.diag(np.concatenate([[1e-6], 1 / _by_degree(_U_LIGHT) ** 2]))
            weighted = basis * weight[:, None]
            # This photo's light is fitted along and eliminated.
            clean = weighted - light @ np.linalg.solve(light.T @ light + prior, light.T @ weighted)
            normal += weighted.T @ clean
            wanted += clean.T @ ((target - basis @ nominal) * weight)
        curves[c], precisions[c] = nominal + np.linalg.solve(normal, wanted), normal
    return PairTone(low, high, curves, precisions)


def _prior(pair: PairPatches, six: Float, target: Float) -> tuple[Float, Float]:
    """Mean and standard deviation (3, 6) of the mix by the share of the ambient light."""
    weight = _lightness_weight(target)[pair.used]
    seen = six[pair.used, 3:]
    wanted = target[pair.used] * weight
    plain = np.stack([np.linalg.lstsq(seen * weight[:, r, None], wanted[:, r], rcond=None)[0] for r in range(3)])
    ratio = pair.share / (1 - pair.share)
    mean = np.hstack([-ratio * plain, (1 + ratio) * plain])
    spread = np.hstack([np.full((3, 3), _U_SHARE * ratio), np.full((3, 3), _U_SHARE * (1 + ratio))])
    return mean, spread


def _lightness_weight(xyz: Float) -> Float:
    """CIELAB per relative XYZ, about, from the lightness formula (CIE 15)."""
    weight: Float = 116 / 3 * np.maximum(xyz, 0.02) ** (-2 / 3)
    return weight


def fit_flash_light(pair: PairPatches, target_lab: Float) -> FlashLight:
    """Fit the mix of both photos that shows the patches as the flash alone does.

    Parameters
    ----------
    target_lab : ndarray (n, 3)
        The patches' colours in this phone's flash light (`join_flash_colours`), or their reference colours; patches
        whose colour is not known (NaN) are left out.
    """
    known: Used = np.asarray(np.isfinite(target_lab).all(axis=1))
    pair = replace(pair, used=pair.used & known)
    target_lab = np.where(known[:, None], target_lab, pair.lab)
    target = lab_to_xyz(target_lab) / d50_white()
    terms = _terms(pair.places, len(_U_FALL_OFF))
    fall, knots = 18 + terms.shape[1], pair.tone.curve.shape[1]
    count = fall + 3 * knots
    jacobian = lab_jacobian(target * d50_white()) * d50_white()
    bases = [pair.tone.basis(pair.linear[i]) for i in (0, 1)]
    tone = pair.tone
    six = pair.six(tone)
    mean, spread = _prior(pair, six, target)
    own = [spread.ravel() ** -2, _by_degree(_U_FALL_OFF) ** -2, np.zeros(3 * knots)]
    precision = np.diag(np.concatenate(own))
    for c in range(3):
        block = slice(fall + c * knots, fall + (c + 1) * knots)
        precision[block, block] = pair.tone.precision[c]
    centre = np.concatenate([mean.ravel(), np.zeros(count - 18)])
    mix = mean
    change = np.zeros(3 * knots)  # of the tone curve, from that of the neutral patches
    model = np.zeros((len(six), 3, count))
    for _ in range(_TONE_ROUNDS):
        for row in range(3):
            model[:, row, 6 * row : 6 * row + 6] = six
        model[:, :, 18:fall] = -terms[:, None, :] * target[:, :, None]
        for c in range(3):
            block = slice(fall + c * knots, fall + (c + 1) * knots)
            model[:, :, block] = 0.0
            for i in (0, 1):
                column = 3 * i + c
                model[:, :, block] += mix[None, :, column, None] * (six[:, column, None] * bases[i][:, c])[:, None]
        design = np.einsum("nij,njk->nik", jacobian, model) / _U_PATCH
        # The light is taken at the curve so far: what is asked of the change counts from the neutral patches' curve.
        so_far = target + model[:, :, fall:] @ change
        wanted = np.einsum("nij,nj->ni", jacobian, so_far) / _U_PATCH
        rows, values = design[pair.used].reshape(-1, count), wanted[pair.used].ravel()
        inverse = np.linalg.inv(rows.T @ rows + precision)
        solution = inverse @ (rows.T @ values + precision @ centre)
        mix, fall_off, change = solution[:18].reshape(3, 6), solution[18:fall], solution[fall:]
        tone = replace(pair.tone, curve=pair.tone.curve + change.reshape(3, knots))
        six = pair.six(tone)
    fitted = xyz_to_lab(np.maximum(six @ mix.T / (1 + terms @ fall_off)[:, None], 1e-6) * d50_white())
    hat = np.einsum("nia,ab,njb->nij", design, inverse, design) * pair.used[:, None, None]
    left_out = np.linalg.solve(np.eye(3) - 0.999 * hat, (fitted - target_lab)[..., None])[..., 0]
    return FlashLight(mix=mix, fall_off=fall_off, tone=tone, white=pair.white, fitted=fitted, left_out=left_out)


def join_flash_colours(pairs: Sequence[PairPatches]) -> Float:
    """Colours of the patches in the flash's light alone, CIELAB (n, 3); NaN for patches that half of the pairs lack.

    Least squares over all pairs at once: mixes and colours, with every colour drawn to its reference by the
    mismatch that lamps and cameras usually have, every mix by its prior. Pairs in two or more ambient lights tell the
    flash apart from them; of a single light the prior alone does.
    """
    n = len(pairs[0].lab)
    reference_lab = pairs[0].lab
    used = 2 * np.sum([p.used for p in pairs], axis=0) > len(pairs)
    reference = lab_to_xyz(reference_lab) / d50_white()
    target = reference.copy()
    weight = _lightness_weight(reference)
    for _ in range(_JOIN_ROUNDS):
        fits = [fit_flash_light(p, xyz_to_lab(target * d50_white())) for p in pairs]
        lights = [p.six(f.tone) for p, f in zip(pairs, fits, strict=True)]
        priors = [_prior(p, six, target) for p, six in zip(pairs, lights, strict=True)]
        for row in range(3):
            # Normal equations for the colours, the mixes eliminated pair by pair.
            own = (weight[:, row] / _U_REFERENCE) ** 2
            normal, wanted = np.diag(own), own * reference[:, row]
            for pair, light, fit, (mean, spread) in zip(pairs, lights, fits, priors, strict=True):
                level = 1 + _terms(pair.places, len(_U_FALL_OFF)) @ fit.fall_off
                six = light / level[:, None]
                w = np.where(pair.used, weight[:, row] / _U_PATCH, 0.0)
                rows = six * w[:, None]
                inverse = np.linalg.inv(rows.T @ rows + np.diag(1 / spread[row] ** 2))
                half = rows * w[:, None]  # (n, 6): from the mix to the colours' equations
                normal += np.diag(w**2) - half @ inverse @ half.T
                wanted += half @ inverse @ (mean[row] / spread[row] ** 2)
            target[:, row] = np.linalg.solve(normal, wanted)
    colours = xyz_to_lab(np.maximum(target, 1e-6) * d50_white())
    result: Float = np.where(used[:, None], colours, np.full((n, 3), np.nan))
    return result
