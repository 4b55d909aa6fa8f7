"""Measured spectra of a card's patches: whether they serve, on which scale they are, and which colours they have."""

import numpy as np

from stripread.colour import delta_e_2000, on_grid, spectra_to_xyz, xyz_to_lab
from stripread.geometry import Float

__all__ = ["as_reflectance", "spectra_disagreement", "spectra_lab", "unusable_wavelengths"]

_SPAN_NM, _STEP_NM = (400.0, 700.0), 20.0  # what hand-held instruments cover at least


def unusable_wavelengths(wavelengths_nm: tuple[float, ...]) -> str | None:
    """Tell why spectra at these wavelengths do not serve; None if they do."""
    if len(wavelengths_nm) < 2 or min(np.diff(wavelengths_nm)) <= 0:
        return "wavelengths that do not rise"
    if wavelengths_nm[0] > _SPAN_NM[0] or wavelengths_nm[-1] < _SPAN_NM[1]:
        return f"{wavelengths_nm[0]:g} to {wavelengths_nm[-1]:g} nm"
    if max(np.diff(wavelengths_nm)) > _STEP_NM:
        return f"steps of {max(np.diff(wavelengths_nm)):g} nm"
    return None


def as_reflectance(spectra: Float) -> Float | None:
    """Return spectra (n, k) as 0 to 1 for the perfect reflector, from 1 or 100; None if they are neither.

    The lightest patch, the paper, tells. Brighteners lift it over the perfect reflector at some wavelengths.
    """
    lightest = float(spectra.mean(axis=1).max())
    for scale in (1.0, 100.0):
        if 0.3 * scale <= lightest <= 1.2 * scale and spectra.min() > -0.02 * scale and spectra.max() < 2 * scale:
            return spectra / scale
    return None


def spectra_lab(wavelengths_nm: tuple[float, ...], spectra: Float) -> Float:
    """CIELAB (n, 3) of reflectances (n, k)."""
    return xyz_to_lab(spectra_to_xyz(on_grid(np.array(wavelengths_nm), spectra)))


def spectra_disagreement(lab: Float, wavelengths_nm: tuple[float, ...], spectra: Float) -> float:
    """Mean CIEDE2000 between measured colours (n, 3) and those of the spectra."""
    return float(np.mean(delta_e_2000(lab, spectra_lab(wavelengths_nm, spectra))))
