"""Scene RGB to CIELAB where the spectra of the card's patches are known.

A linear map M from camera RGB to XYZ is wrong for single spectra because lamp times camera is no linear mix of the
reference observer's curves: M times it differs from them by some d(wavelength). For a patch of reflectance R,

    M rgb = R . (observer + d),

so every patch tells of d, and M and d are fitted to all of them together: M freely, d by Bayes with the mean and
covariance that d has over many lamps and cameras (`spectra.make_views`), each with its own best M. Whatever mix of its
channels a phone makes is in M, and leaves d alone. (Wiener estimation of spectra: Pratt and Mancill 1976, Appl. Opt.
15(1):73-75, here of the observer's error.)

A pad's spectrum is not known, but dyes that look like it in this photo err by much the same R . d. Its correction is
a local linear regression on drawn dyes (`spectra.make_dyes`), and their scatter about it is part of the uncertainty.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stripread.colour.lab import lab_jacobian, lab_to_xyz, xyz_to_lab
from stripread.colour.spectra import GRID_NM, make_dyes, make_views, observer, spectra_to_xyz
from stripread.geometry import Float

__all__ = ["SpectralMap", "fit_spectral_map", "stands_for_dyes"]

_TERMS = 30  # principal components of d; the next one moves no patch by a tenth of its noise
# Noise of a patch: of its XYZ, and of the perfect reflector's. Its scale is estimated in each photo; these are what
# patch means of the seen part have about the fit.
_NOISE_SHARE, _NOISE_DARK = 0.002, 0.0004
_NOISE_LEAST, _NOISE_MOST = 0.5, 20.0  # times that
_NEAR = 5.0  # Delta E*ab; dyes within about this distance of a pad's colour stand for it. 3 and 8 differ little
# A colour has dyes that stand for it if so many lie within so much Delta E*ab. Judged on the seen part's pads: pink,
# violet and brown ones have 29 or more and err less than with a plain map; saturated yellow to blue ones have at
# most 10 and err further.
_ENOUGH_DYES, _ALIKE = 20, 10.0
_FEWEST = 50  # of them, however unlike
_FEW = 1e-6  # weight of all other dyes, for a colour that is unlike any of them
_FLOOR = 0.1  # CIELAB; what the model itself misses. As for the plain maps, a tenth of what an eye can tell


@dataclass(frozen=True, slots=True)
class _Expected:
    """What d is expected to be for one card, and what it does to the XYZ of the patches.

    Attributes
    ----------
    mean : ndarray (3, 81)
    components : ndarray (terms, 3, 81)
        Of unit variance.
    xyz, xyz_by_mean : ndarray (n, 3)
        XYZ of the patches, and what the mean of d adds to it.
    xyz_by_components : ndarray (n, 3, terms)
        What each component adds to it.
    """

    mean: Float
    components: Float
    xyz: Float
    xyz_by_mean: Float
    xyz_by_components: Float


@lru_cache(maxsize=4)
def _expected(reflectance: bytes) -> _Expected:
    """Mean and covariance of d over lamps and cameras, each with the M that fits this card's patches best."""
    spectra = np.frombuffer(reflectance).reshape(-1, len(GRID_NM))
    xyz = spectra_to_xyz(spectra)
    weights = 1 / _noise(xyz)
    views = make_views()
    rgb = spectra @ views  # (views, patches, 3)
    departures = np.empty((len(views), 3, len(GRID_NM)))
    for j in range(3):
        weighted = rgb * weights[:, j, None]
        gram = weighted.transpose(0, 2, 1) @ weighted
        row = np.linalg.solve(gram, weighted.transpose(0, 2, 1) @ (xyz[:, j] * weights[:, j])[:, None])
        departures[:, j] = (views @ row)[..., 0] - observer()[:, j]
    flat = departures.reshape(len(views), -1)
    mean = flat.mean(axis=0)
    # Principal components from the covariance: five times as quick as the singular values of all views.
    variance, directions = np.linalg.eigh((flat - mean).T @ (flat - mean) / len(views))
    components = (directions[:, : -_TERMS - 1 : -1] * np.sqrt(variance[: -_TERMS - 1 : -1])).T.reshape(_TERMS, 3, -1)
    mean = mean.reshape(3, -1)
    return _Expected(mean, components, xyz, spectra @ mean.T, np.einsum("nw,tjw->njt", spectra, components))


@lru_cache(maxsize=1)
def _dye_colours() -> tuple[Float, Float]:
    """XYZ and CIELAB (dyes, 3) of the drawn dyes."""
    xyz = spectra_to_xyz(make_dyes())
    return xyz, xyz_to_lab(xyz)


def stands_for_dyes(lab: Float) -> bool:
    """Tell whether enough drawn dyes look like each of the colours (n, 3)."""
    _, known = _dye_colours()
    alike = [np.count_nonzero(np.sum((known - one) ** 2, axis=1) < _ALIKE**2) for one in np.atleast_2d(lab)]
    return bool(min(alike) >= _ENOUGH_DYES)


def _noise(xyz: Float) -> Float:
    noise: Float = np.hypot(_NOISE_SHARE * xyz, _NOISE_DARK)
    return noise


@dataclass(frozen=True, slots=True)
class SpectralMap:
    """The fitted M and d, and how well they are known.

    Attributes
    ----------
    matrix : ndarray (3, 3)
        M: scene RGB to XYZ as a departing observer sees it.
    departure : ndarray (3, 81)
        d, rows for X, Y, Z.
    components : ndarray (terms, 3, 81)
        Those of d.
    covariance : ndarray (9 + terms, 9 + terms)
        Of the rows of M and the components' amounts.
    noise : float
        Scale of the patches' noise, 1 for that of clean patch means.
    left_out : ndarray (n, 3)
        CIELAB residual of each patch predicted from the others.
    """

    matrix: Float
    departure: Float
    components: Float
    covariance: Float
    noise: float
    left_out: Float
    method: str = "spectral"

    def seen(self, reflectance: Float) -> Float:
        """Scene RGB (n, 3) of reflectances (n, 81) in this photo."""
        looks = reflectance @ (observer() + self.departure.T)
        rgb: Float = looks @ np.linalg.inv(self.matrix).T
        return rgb

    def lab(self, rgb: Float) -> Float:
        """CIELAB of scene RGB, shape (..., 3), taken for a dye on a carrier."""
        flat = np.reshape(rgb, (-1, 3))
        lab = np.array([self._dye(one)[0] for one in flat])
        return lab.reshape(np.shape(rgb))

    def jacobian(self, rgb: Float) -> Float:
        """Differentiate CIELAB by scene RGB (3,), shape (3, 3); the dye's small correction counts as constant."""
        jacobian: Float = lab_jacobian(np.maximum(self.matrix @ rgb, 1e-4)) @ self.matrix
        return jacobian

    def mismatch(self, rgb: Float) -> Float:
        """Covariance (3, 3) of the CIELAB of scene RGB (3,): of M and d, and of which dye it is."""
        lab, scatter, reflectance = self._dye(rgb)
        design = np.zeros((3, len(self.covariance)))
        for j in range(3):
            design[j, 3 * j : 3 * j + 3] = rgb
        design[:, 9:] = -(self.components @ reflectance).T
        jacobian = lab_jacobian(np.maximum(lab_to_xyz(lab), 1e-4))
        known = jacobian @ design @ self.covariance @ design.T @ jacobian.T
        total: Float = known + scatter + _FLOOR**2 * np.eye(3)
        return total

    def _dye(self, rgb: Float) -> tuple[Float, Float, Float]:
        """CIELAB of scene RGB (3,), its covariance from the choice of dye, and the mean dye that looks like it."""
        dyes = make_dyes()
        xyz, true = _dye_colours()
        seen_as = xyz_to_lab(np.maximum(self.matrix @ rgb, 1e-6))
        # d moves colours by a few Delta E: the dyes far away need not be looked at.
        distance = np.sum((true - seen_as) ** 2, axis=1)
        near = np.flatnonzero(distance < (4 * _NEAR) ** 2)
        if len(near) < _FEWEST:
            near = np.argpartition(distance, _FEWEST)[:_FEWEST]
        look = xyz_to_lab(np.maximum(xyz[near] + dyes[near] @ self.departure.T, 1e-6))
        offset = look - seen_as
        weights = np.exp(-np.sum(offset**2, axis=1) / (2 * _NEAR**2)) + _FEW
        weights /= weights.sum()
        terms = np.column_stack([np.ones(len(near)), offset])
        weighted = terms * weights[:, None]
        # A little ridge on the slopes where few dyes are near.
        gram = terms.T @ weighted + 1e-3 * np.diag([0.0, 1.0, 1.0, 1.0])
        wanted = true[near] - look
        solution = np.linalg.solve(gram, weighted.T @ wanted)
        scatter = wanted - terms @ solution
        return seen_as + solution[0], (scatter * weights[:, None]).T @ scatter, weights @ dyes[near]


def fit_spectral_map(rgb: Float, reflectance: Float, used: NDArray[np.bool_], *, noise: float = 1.0) -> SpectralMap:
    """Fit M and d to the patches of one photo.

    Parameters
    ----------
    rgb : ndarray (n, 3)
        Scene RGB of the patches.
    reflectance : ndarray (n, 81)
        Their spectra.
    used : ndarray of bool (n,)
        The patches of the fit.
    noise : float
        Scale of the patches' noise, from an earlier fit of the same photo.
    """
    expected = _expected(np.ascontiguousarray(reflectance, np.float64).tobytes())
    count = 9 + len(expected.components)
    xyz = expected.xyz
    sigma = _noise(xyz) * noise
    design = np.zeros((len(rgb), 3, count))
    for j in range(3):
        design[:, j, 3 * j : 3 * j + 3] = rgb
    design[:, :, 9:] = -expected.xyz_by_components
    wanted = xyz + expected.xyz_by_mean
    scaled, target = design / sigma[..., None], wanted / sigma
    # Row by row of X, Y, Z: so small a product is not spread over threads, which wait for each other on a busy machine.
    rows, aims = scaled[used].transpose(1, 0, 2), target[used].T
    information = (rows.transpose(0, 2, 1) @ rows).sum(axis=0)
    information[9:, 9:] += np.eye(count - 9)
    covariance: Float = np.asarray(np.linalg.inv(information), dtype=np.float64)
    solution = covariance @ (rows.transpose(0, 2, 1) @ aims[..., None]).sum(axis=0)[:, 0]
    residual = scaled @ solution - target
    # Left-out residuals as in `map.fit_map`.
    hat = np.einsum("nia,nja->nij", scaled @ covariance, scaled) * used[:, None, None]
    left_out = np.linalg.solve(np.eye(3) - 0.999 * hat, residual[..., None])[..., 0] * sigma
    freedom = max(aims.size - float(np.trace(hat, axis1=1, axis2=2).sum()), 1.0)
    squares = float(np.sum(residual[used] ** 2)) / freedom
    return SpectralMap(
        matrix=solution[:9].reshape(3, 3),
        departure=expected.mean + np.tensordot(solution[9:], expected.components, axes=1),
        components=expected.components,
        covariance=covariance,
        noise=float(np.clip(noise * np.sqrt(squares), _NOISE_LEAST, _NOISE_MOST)),
        left_out=xyz_to_lab(np.maximum(xyz + left_out, 1e-6)) - xyz_to_lab(xyz),
    )
