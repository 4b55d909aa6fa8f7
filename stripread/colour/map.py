"""Scene RGB to XYZ (D50): maps fitted on the card's patches, white kept white, judged by patches left out of the fit.

All maps are linear in their coefficients, so leaving a patch out needs no new fit: with the patch's block H of the hat
matrix, its left-out residual is (I - H)^-1 e; a test holds that to fits without the patch.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stripread.colour.lab import lab_jacobian, lab_to_xyz, xyz_to_lab
from stripread.geometry import Float

__all__ = ["METHODS", "ColourMap", "MapMethod", "fit_map"]

MapMethod = Literal["linear", "root-polynomial"]


def _root_polynomial(rgb: Float) -> Float:
    """Degree 2: Finlayson, Mackiewicz and Hurlbert (2015), IEEE Trans. Image Process. 24(5):1460-1470."""
    r, g, b = np.moveaxis(np.maximum(rgb, 0.0), -1, 0)
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)


@dataclass(frozen=True, slots=True)
class _Method:
    """A kind of map.

    Attributes
    ----------
    terms : callable
        Its terms for RGB (..., 3) relative to white; every term is 1 at white.
    least_patches : int
        How many patches must be usable for it to be tried.
    """

    terms: Callable[[Float], Float]
    least_patches: int


# The plain one first: another is kept only where it predicts patches clearly better (`colour.correct`).
METHODS: dict[MapMethod, _Method] = {
    "linear": _Method(lambda rgb: rgb, 0),
    # 15 coefficients; a third as many patches more than that keeps its residuals meaningful.
    "root-polynomial": _Method(_root_polynomial, 20),
}


@dataclass(frozen=True, slots=True)
class ColourMap:
    """A fitted map.

    Attributes
    ----------
    white_rgb, white_xyz : ndarray (3,)
        The card's white as seen and as it is.
    coefficients : ndarray (3, terms)
        Rows for X, Y, Z relative to white; each row sums to 1, which keeps white.
    left_out : ndarray (n, 3)
        CIELAB residual, measured minus reference, of each patch predicted by the map fitted without it.
    weights : ndarray (n,)
        Weights of the patches in the fit.
    """

    method: MapMethod
    white_rgb: Float
    white_xyz: Float
    coefficients: Float
    left_out: Float
    weights: Float

    def xyz(self, rgb: Float) -> Float:
        """XYZ of scene RGB, shape (..., 3)."""
        result: Float = (METHODS[self.method].terms(rgb / self.white_rgb) @ self.coefficients.T) * self.white_xyz
        return result

    def lab(self, rgb: Float) -> Float:
        """CIELAB of scene RGB, shape (..., 3)."""
        return xyz_to_lab(self.xyz(rgb))

    def jacobian(self, rgb: Float) -> Float:
        """Differentiate CIELAB by scene RGB (3,), shape (3, 3), by central differences."""
        steps = np.diag(1e-4 * self.white_rgb)
        up, down = self.lab(np.stack([rgb + steps, rgb - steps]))
        jacobian: Float = ((up - down) / (2e-4 * self.white_rgb[:, None])).T
        return jacobian


def fit_map(rgb: Float, lab: Float, white: NDArray[np.bool_], weights: Float, *, method: MapMethod) -> ColourMap:
    """Fit a map by least squares in CIELAB, linearised at the reference colours.

    Parameters
    ----------
    rgb, lab : ndarray (n, 3)
        Scene RGB and reference CIELAB of the patches.
    white : ndarray of bool (n,)
        Which of them are the card's white; the map keeps their mean.
    weights : ndarray (n,)
        Weight of each patch; 0 leaves it out (its residual is then a prediction all the same).
    """
    xyz = lab_to_xyz(lab)
    white_rgb, white_xyz = rgb[white].mean(axis=0), xyz[white].mean(axis=0)
    terms = METHODS[method].terms(rgb / white_rgb)
    count = terms.shape[1]
    # Rows sum to one: the first coefficient is one less the others.
    free = terms[:, 1:] - terms[:, :1]
    jacobian = lab_jacobian(xyz) * white_xyz  # (n, 3 Lab, 3 XYZ)
    n, k = len(rgb), count - 1
    design = (jacobian[..., None] * free[:, None, None]).reshape(n, 3, 3 * k)
    wanted = (jacobian @ (xyz / white_xyz - terms[:, :1])[..., None])[..., 0]
    root = np.sqrt(weights)[:, None, None]
    flat = (design * root).reshape(3 * n, 3 * k)
    # A little ridge towards the linear white balance keeps sparse cards defined.
    gram = flat.T @ flat
    gram += 1e-6 * np.trace(gram) / (3 * k) * np.eye(3 * k)
    inverse = np.linalg.inv(gram)
    solution = inverse @ (flat.T @ (wanted * root[..., 0]).ravel())
    coefficients = solution.reshape(3, k)
    full = np.hstack([1 - coefficients.sum(axis=1, keepdims=True), coefficients])
    fitted = xyz_to_lab((terms @ full.T) * white_xyz)
    # One product for all patches: NumPy would make many small ones of a stack.
    leverage = (design.reshape(3 * n, 3 * k) @ inverse).reshape(design.shape)
    hat = leverage @ design.swapaxes(1, 2) * weights[:, None, None]
    left_out = np.linalg.solve(np.eye(3) - 0.999 * hat, (fitted - lab)[..., None])[..., 0]
    return ColourMap(method, white_rgb, white_xyz, full, left_out, weights)
