"""XYZ and CIELAB with D50 and the 2 degree observer, in plain numpy, as every pad is carried there several times.

The tests hold each function against colour-science, which takes a second to import; that is put off to where its
tables are needed.
"""

import sys
import warnings
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

# ISO/CIE 11664-4: the cube root is straight below the joint.
_JOINT, _STEEP, _FOOT = 6 / 29, 841 / 108, 4 / 29
# IEC 61966-2-1: XYZ (D65) to linear sRGB. Bradford's cone responses: CAT_BRADFORD of colour-science, after Lindbloom.
_XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def _white(x: float, y: float) -> Float:
    """XYZ, Y = 1, of a chromaticity."""
    white: Float = np.array([x / y, 1.0, (1 - x - y) / y])
    white.flags.writeable = False
    return white


_D50, _D65 = _white(0.3457, 0.3585), _white(0.3127, 0.3290)  # 2 degree observer, by chromaticity (CIE 15:2004)
_D50_TO_SRGB = _XYZ_TO_SRGB @ np.linalg.inv(_BRADFORD) @ np.diag(_BRADFORD @ _D65 / (_BRADFORD @ _D50)) @ _BRADFORD


@lru_cache(maxsize=1)
def colour_science() -> ModuleType:
    """Import colour-science, and undo what it does to the whole process.

    It changes numpy's print options; where matplotlib is missing, it warns, and leaves dummies in its place on which
    others would fail.
    """
    options, modules = np.get_printoptions(), sys.modules.copy()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message='"Matplotlib" related API features are not available')
        import colour

    np.set_printoptions(**options)
    for name in [name for name, found in sys.modules.items() if _is_dummy(name, found)]:
        del sys.modules[name]
        if name in modules:
            sys.modules[name] = modules[name]
    module: ModuleType = colour
    return module


def _is_dummy(name: str, module: ModuleType) -> bool:
    """Tell whether a module is none that was imported, but stands for one of matplotlib's."""
    return name.partition(".")[0] in ("matplotlib", "mpl_toolkits", "cycler") and not hasattr(module, "__spec__")


def d50_white() -> Float:
    """XYZ of D50 for the 2 degree observer, Y = 1, by its chromaticity (0.3457, 0.3585)."""
    return _D50


def linear_srgb(lab: Float) -> Float:
    """Linear sRGB of CIELAB: what a neutral patch reflects in each channel, nearly whatever the camera."""
    rgb: Float = lab_to_xyz(lab) @ _D50_TO_SRGB.T
    return rgb


def xyz_to_lab(xyz: Float) -> Float:
    """CIELAB of XYZ with Y = 1 for the perfect reflector; shape (..., 3). ISO/CIE 11664-4."""
    t = np.asarray(xyz, dtype=np.float64) / _D50
    f = np.where(t > _JOINT**3, np.cbrt(t), _STEEP * t + _FOOT)
    lab = np.empty_like(f)
    lab[..., 0] = 116 * f[..., 1] - 16
    lab[..., 1] = 500 * (f[..., 0] - f[..., 1])
    lab[..., 2] = 200 * (f[..., 1] - f[..., 2])
    return lab


def lab_to_xyz(lab: Float) -> Float:
    """XYZ (Y = 1 for the perfect reflector) of CIELAB; shape (..., 3). ISO/CIE 11664-4."""
    lab = np.asarray(lab, dtype=np.float64)
    f = np.empty_like(lab)
    f[..., 1] = (lab[..., 0] + 16) / 116
    f[..., 0] = f[..., 1] + lab[..., 1] / 500
    f[..., 2] = f[..., 1] - lab[..., 2] / 200
    xyz: Float = np.where(f > _JOINT, f * f * f, (f - _FOOT) / _STEEP) * _D50
    return xyz


def on_paper(lab: Float, paper_lab: Float) -> Float:
    """CIELAB as printed, of colours given relative to the paper's white: XYZ scales with the paper's.

    This undoes what a profile's colours relative to the medium leave out.
    """
    return xyz_to_lab(lab_to_xyz(lab) * lab_to_xyz(paper_lab) / _D50)


def delta_e_2000(first: Float, second: Float) -> Float:
    """CIEDE2000 of pairs of CIELAB colours, shape (...,). Sharma, Wu and Dalal (2005), equations 2 to 22.

    Where one colour is grey its hue counts for nothing, whatever it is taken for: it is multiplied by the chroma.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, dtype=np.float64), -1, 0)
    stretch = 1.5 - 0.5 * _saturation((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2)
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.arctan2(b1, a1), np.arctan2(b2, a2)
    turn = (h2 - h1 + np.pi) % (2 * np.pi) - np.pi  # the short way round
    lightness, chroma, hue = (l1 + l2) / 2, (c1 + c2) / 2, h1 + turn / 2
    t = (
        1
        - 0.17 * np.cos(hue - np.radians(30))
        + 0.24 * np.cos(2 * hue)
        + 0.32 * np.cos(3 * hue + np.radians(6))
        - 0.20 * np.cos(4 * hue - np.radians(63))
    )
    by_lightness = (l2 - l1) / (1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2))
    by_chroma = (c2 - c1) / (1 + 0.045 * chroma)
    by_hue = 2 * np.sqrt(c1 * c2) * np.sin(turn / 2) / (1 + 0.015 * chroma * t)
    blue = np.radians(60) * np.exp(-(((np.degrees(hue) % 360 - 275) / 25) ** 2))
    rotation = -2 * _saturation(chroma) * np.sin(blue)
    difference: Float = np.sqrt(by_lightness**2 + by_chroma**2 + by_hue**2 + rotation * by_chroma * by_hue)
    return difference


def _saturation(chroma: Float) -> Float:
    """From 0 of grey to 1: sqrt(C^7 / (C^7 + 25^7)) of CIEDE2000."""
    seventh = chroma**7
    share: Float = np.sqrt(seventh / (seventh + 25.0**7))
    return share


def lab_jacobian(xyz: Float) -> Float:
    """Differentiate CIELAB by XYZ, shape (..., 3, 3), rows L*, a*, b*.

    Differentiates ISO/CIE 11664-4: f' = t**(-2/3) / 3 above t = (6/29)**3, else 841/108.
    """
    t = np.asarray(xyz) / _D50
    slope = np.where(t > _JOINT**3, np.cbrt(np.maximum(t, 1e-9)) ** -2 / 3, _STEEP) / _D50
    jacobian = np.zeros((*t.shape, 3))
    jacobian[..., 0, 1] = 116 * slope[..., 1]
    jacobian[..., 1, 0] = 500 * slope[..., 0]
    jacobian[..., 1, 1] = -500 * slope[..., 1]
    jacobian[..., 2, 1] = 200 * slope[..., 1]
    jacobian[..., 2, 2] = -200 * slope[..., 2]
    return jacobian
