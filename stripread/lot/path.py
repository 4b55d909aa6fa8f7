"""The form of a calibration curve: how CIELAB follows from the share of a pad's dye that has reacted.

    t(c) = c^h / (c^h + K^h)

saturates (Hill 1910, J. Physiol. 40, iv-vii; h = 1 is Langmuir's isotherm) and only grows, so a path is run through
once. Lots are calibrated with ``KUBELKA_MUNK``: what a dye absorbs adds up in K/S, so that with

    K/S(t) = A + B t + C t^2,    R = 1 + K/S - sqrt(K/S (K/S + 2))

in three sharp channels, A of the blank and B of the dye nearly say all (Kubelka and Munk 1931, Z. tech. Phys. 12,
593-601; as given by Kubelka 1948, J. Opt. Soc. Am. 38, 448-457); C makes up for the width of the channels. Lots of
before have ``POLYNOMIAL`` paths: lab = B0 + B1 t + ... + Bd t^d.
"""

from typing import Any, Protocol

import numpy as np

from stripread.colour import d50_white, lab_jacobian, lab_to_xyz, xyz_to_lab
from stripread.geometry import Float

__all__ = ["KUBELKA_MUNK", "PATHS", "POLYNOMIAL", "Path", "absorption_of", "reacted_share"]

# Bradford's cone responses (Lam 1985, as in ICC.1:2022 annex E): narrow, and positive for all surfaces.
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# Matrix from XYZ to the channels, each 1 for the perfect reflector; and back.
_CHANNELS: Float = _BRADFORD / (_BRADFORD @ d50_white())[:, None]
_XYZ = np.linalg.inv(_CHANNELS).astype(np.float64)
# K/S below which R(K/S) goes on straight: a pad whiter than 0.956 has none, or less, and its slope would be infinite.
_LEAST_ABSORPTION = 1e-3
_DYE = 11  # parameters up to C; what follows is a polynomial in t, added in CIELAB: a shift of the colours


class Path(Protocol):
    """The form of a curve, of parameters log K, log h and coefficients in rows of three."""

    @property
    def name(self) -> str:
        """As lot files name it."""

    @property
    def least(self) -> int:
        """Fewest parameters of such a path."""

    def lab(self, parameters: Float, concentration: Float) -> Float:
        """CIELAB (n, 3) of concentrations (n,)."""

    def slope(self, parameters: Float, concentration: Float) -> Float:
        """Differentiate ``lab`` by the parameters, (n, 3, p)."""

    def by_amount(self, parameters: Float, concentration: Float) -> Float | None:
        """Change of CIELAB (n, 3) per relative change of the dye's amount; None where the form does not know."""

    def shifted(self, parameters: Float, count: int) -> tuple[Float, slice]:
        """Parameters with room for ``count`` coefficients of a shift, and where these stand."""


def reacted_share(concentration: Float, log_half: Any, log_hill: Any) -> Any:
    """Reacted share t of concentrations (n,), 0 at 0; the logarithms may be complex (for derivatives)."""
    positive = np.maximum(concentration, 1e-300)
    exponent = np.exp(log_hill) * (log_half - np.log(positive))
    share = 1 / (1 + np.exp(np.where(np.real(exponent) > 600, 600, exponent)))
    return np.where(concentration > 0, share, 0.0)


def _powers(parameters: Float, concentration: Float, rows: int) -> tuple[Float, Float]:
    """Powers (n, rows) of t, and the derivative (n, 2) of t by log K and log h."""
    share = np.asarray(reacted_share(concentration, parameters[0], parameters[1]), dtype=np.float64)
    # t = 1 / (1 + exp(h (log K - log c))); at c = 0 it stays 0 whatever K and h.
    steep = share * (1 - share) * np.exp(parameters[1])
    by_half = np.stack([-steep, steep * (np.log(np.maximum(concentration, 1e-300)) - parameters[0])], axis=1)
    return np.vander(share, rows, increasing=True), by_half


def _polynomial_slope(powers: Float, by_half: Float, coefficients: Float) -> Float:
    """Differentiate (n, 3, 2 + 3 rows) a polynomial in t by log K, log h and its coefficients (rows, 3)."""
    by_share = (powers[:, :-1] * np.arange(1, len(coefficients))) @ coefficients[1:]
    slope = np.zeros((len(powers), 3, 2 + coefficients.size))
    slope[:, :, :2] = by_share[:, :, None] * by_half[:, None, :]
    for channel in range(3):
        slope[:, channel, 2 + channel :: 3] = powers
    return slope


class PolynomialPath:
    """CIELAB as a polynomial in t. Parameters: log K, log h, then B0, B1 ... in rows of three."""

    name, least = "hill-polynomial-path", 8

    def lab(self, parameters: Any, concentration: Float) -> Any:
        """CIELAB (n, 3); the parameters may be complex."""
        share = reacted_share(concentration, parameters[0], parameters[1])
        coefficients = parameters[2:].reshape(-1, 3)
        return np.vander(share, len(coefficients), increasing=True) @ coefficients

    def slope(self, parameters: Float, concentration: Float) -> Float:
        """Differentiate ``lab``, (n, 3, p)."""
        coefficients = parameters[2:].reshape(-1, 3)
        return _polynomial_slope(*_powers(parameters, concentration, len(coefficients)), coefficients)

    def by_amount(self, parameters: Float, concentration: Float) -> None:  # the protocol's
        """Return None: a polynomial knows no dye."""
        return

    def shifted(self, parameters: Float, count: int) -> tuple[Float, slice]:
        """Return where a shift adds to the first coefficients."""
        return parameters, slice(2, 2 + count)


class KubelkaMunkPath:
    """K/S of the dye in three channels. Parameters: log K, log h, A, B, C and, if shifted, D0, D1 ... in CIELAB."""

    name, least = "kubelka-munk-path", _DYE

    def lab(self, parameters: Float, concentration: Float) -> Float:
        """CIELAB (n, 3)."""
        rows = max(3, len(parameters[_DYE:]) // 3)
        powers, _ = _powers(parameters, concentration, rows)
        lab = _lab_of_absorption(powers[:, :3] @ parameters[2:_DYE].reshape(3, 3))
        shift = parameters[_DYE:].reshape(-1, 3)
        result: Float = lab + powers[:, : len(shift)] @ shift
        return result

    def slope(self, parameters: Float, concentration: Float) -> Float:
        """Differentiate ``lab``, (n, 3, p)."""
        powers, by_half = _powers(parameters, concentration, max(3, len(parameters[_DYE:]) // 3))
        dye = parameters[2:_DYE].reshape(3, 3)
        change = _lab_by_absorption(powers[:, :3] @ dye)
        slope = np.zeros((len(concentration), 3, len(parameters)))
        slope[:, :, :_DYE] = change @ _polynomial_slope(powers[:, :3], by_half, dye)
        shift = parameters[_DYE:].reshape(-1, 3)
        if len(shift):
            own = _polynomial_slope(powers[:, : len(shift)], by_half, shift)
            slope[:, :, :2] += own[:, :, :2]
            slope[:, :, _DYE:] = own[:, :, 2:]
        return slope

    def by_amount(self, parameters: Float, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per relative change of the dye's amount.

        With an amount n, B goes as n and C as n^2 (`calibrate.path.Shape`): B t + 2 C t^2 of K/S.
        """
        powers, _ = _powers(parameters, concentration, 3)
        dye = parameters[2:_DYE].reshape(3, 3)
        change = _lab_by_absorption(powers @ dye)
        result: Float = np.einsum("nij,nj->ni", change, powers[:, 1:] @ (dye[1:] * [[1.0], [2.0]]))
        return result

    def shifted(self, parameters: Float, count: int) -> tuple[Float, slice]:
        """Make room for a shift behind the coefficients of the dye."""
        room = np.zeros(max(_DYE + count - len(parameters), 0))
        return np.concatenate([parameters, room]), slice(_DYE, _DYE + count)


def absorption_of(lab: Float) -> Float:
    """K/S (..., 3) of CIELAB colours, in the channels of a Kubelka-Munk path."""
    reflected = np.maximum(lab_to_xyz(lab) @ _CHANNELS.T, 1e-4)
    straight = _reflectance(np.array([_LEAST_ABSORPTION]))[0]
    absorbed: Float = np.where(reflected < straight, (1 - reflected) ** 2 / (2 * reflected), _LEAST_ABSORPTION)
    return absorbed


def _reflectance(absorbed: Float) -> Float:
    safe = np.maximum(absorbed, _LEAST_ABSORPTION)
    straight = _reflectance_slope(absorbed) * np.minimum(absorbed - safe, 0)
    result: Float = 1 + safe - np.sqrt(safe * (safe + 2)) + straight
    return result


def _reflectance_slope(absorbed: Float) -> Float:
    safe = np.maximum(absorbed, _LEAST_ABSORPTION)
    result: Float = 1 - (safe + 1) / np.sqrt(safe * (safe + 2))
    return result


def _lab_of_absorption(absorbed: Float) -> Float:
    return xyz_to_lab(_reflectance(absorbed) @ _XYZ.T)


def _lab_by_absorption(absorbed: Float) -> Float:
    """Differentiate (n, 3, 3) CIELAB by K/S (n, 3)."""
    by_xyz = lab_jacobian(_reflectance(absorbed) @ _XYZ.T)
    result: Float = by_xyz @ (_XYZ * _reflectance_slope(absorbed)[:, None, :])
    return result


POLYNOMIAL, KUBELKA_MUNK = PolynomialPath(), KubelkaMunkPath()
PATHS: dict[str, Path] = {path.name: path for path in (POLYNOMIAL, KUBELKA_MUNK)}
