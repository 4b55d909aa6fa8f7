"""The wavelength grid of the simulator, and the colour of a reflectance under the reference illuminant."""

from functools import lru_cache
from typing import Any

import numpy as np

from stripread.colour import colour_science, d50_white, xyz_to_lab
from stripread.geometry import Float

__all__ = ["WAVELENGTHS", "gaussian", "observer_weights", "on_grid", "reflectance_to_lab"]

WAVELENGTHS: Float = np.arange(380.0, 781.0, 5.0)  # nm; 5 nm resolves the phosphor lines of the CIE lamps well enough


def gaussian(centre: float, width: float) -> Float:
    """Bell curve of unit height on the grid; ``centre`` and standard deviation ``width`` in nm."""
    curve: Float = np.exp(-0.5 * ((WAVELENGTHS - centre) / width) ** 2)
    return curve


def on_grid(distribution: Any) -> Float:
    """Values of a colour-science spectral distribution on the grid, held constant beyond its ends."""
    values: Float = np.interp(WAVELENGTHS, distribution.wavelengths, distribution.values)
    return values


@lru_cache(maxsize=1)
def observer_weights() -> Float:
    """D50 times the CIE 1931 2 degree observer, shape (81, 3), scaled so that the perfect reflector is `d50_white`."""
    colour = colour_science()
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    matching = np.stack([np.interp(WAVELENGTHS, observer.wavelengths, observer.values[:, i]) for i in range(3)], axis=1)
    weights = matching * on_grid(colour.SDS_ILLUMINANTS["D50"])[:, None]
    scaled: Float = weights / weights.sum(axis=0) * d50_white()
    return scaled


def reflectance_to_lab(reflectance: Float) -> Float:
    """CIELAB (D50, 2 degree) of reflectances of shape (..., 81)."""
    return xyz_to_lab(reflectance @ observer_weights())
