"""The conditions of a calibration: photos in one light with one phone, and which of them another photo is like.

What a light and a phone do to colours shows on the card: the residual of each patch when it is left out of the fit, the
*signature*. Pads of one condition err alike, so a photo whose signature is that of a condition is best held against
that condition's own photos (`stripread.lot.shift`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.colour import smoothed_residuals
from stripread.geometry import Float

__all__ = ["Condition", "Likeness", "compare_signature", "group_photos", "noise_of", "signature_of"]

# Mean distance of the smoothed signatures of two groups of photos, RMS Delta E, up to which they are one condition.
# Judged on the demo lots' 134 photos: 0.12 to 0.17 (median) within a condition, 0.26 to 0.32 between two lamps.
_ONE_CONDITION = 0.22
# Added to the squared distances of a photo to mixtures, as a share of one condition: keeps like conditions alike.
_RIDGE = 0.05
LEAST_COMMON = 20  # patches by which two photos may be compared


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One light with one phone.

    Attributes
    ----------
    name : str
        As the series names it, or a number.
    camera : str or None
    photos : int
    joined : bool
        Whether it has too few levels for a curve of its own and only shifts that of the others.
    signature : mapping from patch id to (L*, a*, b*)
        Mean residual of each patch, left out of the fit.
    noise : float
        Standard deviation of one photo's residuals about these, smoothed, of each coordinate: what is no change of
        light. 0 in files of before.
    """

    name: str
    camera: str | None
    photos: int
    joined: bool
    signature: Mapping[str, tuple[float, float, float]]
    noise: float = 0.0


@dataclass(frozen=True, slots=True)
class Likeness:
    """How a photo's signature compares with those of a lot.

    Attributes
    ----------
    weights : ndarray (k,)
        Of the conditions, adding up to 1: the mixture that the photo is most like.
    difference : ndarray (n, 3)
        Residuals of the photo's patches less the mixture's; NaN for patches that one of them lacks.
    distance : float
        RMS of the smoothed difference. [Delta E*ab]
    noise : float
        Standard deviation of each coordinate of the smoothed difference that is no change of light.
    comparable : bool
        False where too few patches are common: the weights are then equal, the difference is the photo's own residuals.
    """

    weights: Float
    difference: Float
    distance: float
    comparable: bool
    noise: float = 0.0


def signature_of(ids: Sequence[str], residuals: Float) -> dict[str, tuple[float, float, float]]:
    """Mean residual of each patch over photos (m, n, 3), of patches that most of the photos have."""
    signature = {}
    for index, patch in enumerate(ids):
        seen = residuals[:, index][np.isfinite(residuals[:, index]).all(axis=1)]
        if 2 * len(seen) > len(residuals):
            mean = seen.mean(axis=0)
            signature[patch] = (float(mean[0]), float(mean[1]), float(mean[2]))
    return signature


def noise_of(residuals: Float, patch_lab: Float, is_colour: NDArray[np.bool_]) -> float:
    """Return the standard deviation of the smoothed residuals of photos (m, n, 3) of one light; 0 of a single one."""
    known = np.isfinite(residuals).all(axis=(0, 2))
    if len(residuals) < 2 or known.sum() < LEAST_COMMON:
        return 0.0
    smooth = smoothed_residuals(patch_lab[known], residuals[:, known])[:, is_colour[known]]
    return float(np.sqrt(np.mean(smooth.var(axis=0, ddof=1))))


def group_photos(
    residuals: Float, patch_lab: Float, is_colour: NDArray[np.bool_], labels: Sequence[str], named: Sequence[bool]
) -> list[int]:
    """Sort photos into conditions by their signatures; return the condition of each, counted from 0 in order.

    Parameters
    ----------
    residuals : ndarray (m, n, 3)
        Left-out residuals of each photo's patches; NaN where a patch was not used.
    patch_lab : ndarray (n, 3)
    is_colour : ndarray of bool (n,)
    labels : sequence of str
        Photos with different labels (the phone, or the condition as named) are never put together.
    named : sequence of bool
        Photos whose label says which condition they are of: they are not sorted further.
    """
    from scipy.cluster.hierarchy import fcluster, linkage

    smooth = smoothed_residuals(patch_lab, np.nan_to_num(residuals))[:, is_colour].reshape(len(residuals), -1)
    found: list[tuple[str, int]] = [("", 0)] * len(labels)
    for label in dict.fromkeys(labels):
        own = [i for i, name in enumerate(labels) if name == label]
        parts = np.ones(len(own), dtype=int)
        if len(own) > 1 and not named[own[0]]:
            cut = _ONE_CONDITION * np.sqrt(is_colour.sum())
            parts = fcluster(linkage(smooth[own], method="average"), cut, criterion="distance")
        for i, part in zip(own, parts, strict=True):
            found[i] = (label, int(part))
    order = list(dict.fromkeys(found))
    return [order.index(key) for key in found]


def compare_signature(
    ids: Sequence[str],
    patch_lab: Float,
    residuals: Float,
    is_colour: NDArray[np.bool_],
    conditions: Sequence[Condition],
) -> Likeness:
    """Find the mixture of a lot's conditions that a photo is most like.

    The weights minimise the squared difference of the smoothed signatures under the constraint that they are not
    negative and add up to 1: a mixture of two lights shows about the mixture of their residuals.

    Parameters
    ----------
    residuals : ndarray (n, 3)
        Left-out residuals of the photo's patches; NaN where a patch was not used.
    """
    from scipy.optimize import nnls

    usual = np.array([0.0 if c.joined else 1.0 for c in conditions])
    usual = usual / max(usual.sum(), 1.0)
    missing = (np.nan,) * 3
    theirs = np.array([[c.signature.get(i, missing) for i in ids] for c in conditions]).reshape(len(conditions), -1, 3)
    known = np.isfinite(residuals).all(axis=1) & np.isfinite(theirs).all(axis=(0, 2))
    if not len(conditions) or known.sum() < LEAST_COMMON:
        return Likeness(usual, residuals, float("nan"), False)
    both = smoothed_residuals(patch_lab[known], np.concatenate([residuals[None], theirs])[:, known])
    smooth, *others = both[:, is_colour[known]].reshape(len(both), -1)
    columns = np.array(others).T
    size = np.sqrt(len(smooth))
    strong = 1e3 * size  # the row that makes the weights add up to 1
    design = np.vstack([columns, strong * np.ones(len(conditions)), _RIDGE * size * np.eye(len(conditions))])
    weights = nnls(design, np.concatenate([smooth, [strong], np.zeros(len(conditions))]))[0]
    weights = weights / weights.sum()
    difference = residuals - np.einsum("k,kni->ni", weights, theirs)
    distance = float(np.sqrt(3 * np.mean((smooth - columns @ weights) ** 2)))
    noise = float(np.sqrt(weights @ np.square([c.noise for c in conditions])))
    return Likeness(weights, difference, distance, True, noise)
