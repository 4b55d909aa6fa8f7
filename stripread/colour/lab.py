"""XYZ and CIELAB with D50 and the 2 degree observer, by colour-science, imported on first use (it takes a second)."""

from functools import lru_cache
from types import ModuleType

import numpy as np

from stripread.geometry import Float

__all__ = [
    "colour_science",
    "d50_white",
    "delta_e_2000",
    "lab_jacobian",
    "lab_to_xyz",
    "linear_srgb",
    "on_paper",
    "xyz_to_lab",
]


@lru_cache(maxsize=1)
def colour_science() -> ModuleType:
    """Import colour-science and put numpy's print options, which it changes for the whole process, back."""
    options = np.get_printoptions()
    import colour

    np.set_printoptions(**options)
    module: ModuleType = colour
    return module


@lru_cache(maxsize=1)
def d50_white() -> Float:
    """XYZ of D50 for the 2 degree observer, Y = 1, from colour-science's chromaticity (0.3457, 0.3585)."""
    colour = colour_science()
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    white: Float = np.asarray(colour.xy_to_XYZ(xy), dtype=np.float64)
    white.flags.writeable = False
    return white


@lru_cache(maxsize=1)
def _illuminant() -> Float:
    xy: Float = np.asarray(colour_science().CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
    return xy


@lru_cache(maxsize=1)
def _xyz_to_srgb() -> Float:
    """Return the matrix from XYZ (D50) to linear sRGB, from colour-science, which takes milliseconds to put it up."""
    matrix: Float = colour_science().XYZ_to_RGB(
        np.eye(3), "sRGB", _illuminant(), chromatic_adaptation_transform="Bradford", apply_cctf_encoding=False
    )
    return matrix


def linear_srgb(lab: Float) -> Float:
    """Linear sRGB of CIELAB: what a neutral patch reflects in each channel, nearly whatever the camera."""
    rgb: Float = lab_to_xyz(lab) @ _xyz_to_srgb()
    return rgb


def xyz_to_lab(xyz: Float) -> Float:
    """CIELAB of XYZ with Y = 1 for the perfect reflector; shape (..., 3). ISO/CIE 11664-4."""
    lab: Float = colour_science().XYZ_to_Lab(xyz, _illuminant())
    return lab


def lab_to_xyz(lab: Float) -> Float:
    """XYZ (Y = 1 for the perfect reflector) of CIELAB; shape (..., 3). ISO/CIE 11664-4."""
    xyz: Float = colour_science().Lab_to_XYZ(lab, _illuminant())
    return xyz


def on_paper(lab: Float, paper_lab: Float) -> Float:
    """CIELAB as printed, of colours given relative to the paper's white: XYZ scales with the paper's.

    The media-relative colorimetric intent of ISO 15076-1, undone (from memory).
    """
    return xyz_to_lab(lab_to_xyz(lab) * lab_to_xyz(paper_lab) / d50_white())


def delta_e_2000(first: Float, second: Float) -> Float:
    """CIEDE2000 of pairs of CIELAB colours, shape (...,). Sharma, Wu and Dalal (2005)."""
    difference: Float = colour_science().delta_E(first, second, method="CIE 2000")
    return difference


def lab_jacobian(xyz: Float) -> Float:
    """Differentiate CIELAB by XYZ, shape (..., 3, 3), rows L*, a*, b*.

    Differentiates ISO/CIE 11664-4: f' = t**(-2/3) / 3 above t = (6/29)**3, else 841/108.
    """
    t = np.asarray(xyz) / d50_white()
    slope = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 1e-9)) ** -2 / 3, 841 / 108) / d50_white()
    jacobian = np.zeros((*t.shape, 3))
    jacobian[..., 0, 1] = 116 * slope[..., 1]
    jacobian[..., 1, 0] = 500 * slope[..., 0]
    jacobian[..., 1, 1] = -500 * slope[..., 1]
    jacobian[..., 2, 1] = 200 * slope[..., 1]
    jacobian[..., 2, 2] = -200 * slope[..., 2]
    return jacobian
