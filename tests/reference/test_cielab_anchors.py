"""CIELAB at points where its definition gives L* exactly (ISO/CIE 11664-4; colour-science gives the same).

The white is ours: D50 for the 2 degree observer, of chromaticity (0.3457, 0.3585).
"""

import numpy as np
import pytest

from stripread.colour import d50_white, lab_jacobian, lab_to_xyz, xyz_to_lab
from tests.listed import each

ANCHORS = [
    (216 / 24389, 8.0),  # the joint of the cube root and the straight part
    (0.01, 8.991442),
    (0.18, 49.496108),
    ((66 / 116) ** 3, 50.0),
    (0.5, 76.069261),
    (1.0, 100.0),
]


@each(("y", "lightness"), ANCHORS)
def test_neutral_of_a_luminance_has_the_lightness_of_the_definition(y: float, lightness: float) -> None:
    assert xyz_to_lab(y * d50_white()) == pytest.approx([lightness, 0.0, 0.0], abs=1e-6)


@each(("y", "lightness"), ANCHORS)
def test_lightness_leads_back_to_the_luminance(y: float, lightness: float) -> None:
    assert lab_to_xyz(np.array([lightness, 0.0, 0.0])) == pytest.approx(y * d50_white(), abs=1e-7)


def test_straight_part_of_the_definition() -> None:
    """Below the joint f(t) = 841/108 t + 4/29, so L* = 24389/27 t, here of t = 0.001 in Y alone."""
    low = xyz_to_lab(d50_white() * [0.0, 0.001, 0.0])
    f = 841 / 108 * 0.001 + 4 / 29
    assert low == pytest.approx([24389 / 27 * 0.001, 500 * (4 / 29 - f), 200 * (f - 4 / 29)], abs=1e-9)


def test_white_point_is_the_one_stated() -> None:
    x, y, z = d50_white()
    assert (x / (x + y + z), y / (x + y + z)) == pytest.approx((0.3457, 0.3585), abs=5e-5)
    assert y == 1.0


@each("xyz", [(0.5, 0.4, 0.1), (0.9, 1.0, 0.8), (0.02, 0.01, 0.015), (0.004, 0.003, 0.002), (0.2, 0.003, 0.4)])
def test_jacobian_agrees_with_finite_differences(xyz: tuple[float, float, float]) -> None:
    """On both parts of the definition and across them."""
    at, step = np.array(xyz), 1e-6
    differences = np.stack(
        [(xyz_to_lab(at + step * axis) - xyz_to_lab(at - step * axis)) / (2 * step) for axis in np.eye(3)], axis=-1
    )
    np.testing.assert_allclose(lab_jacobian(at), differences, rtol=1e-6, atol=1e-5)
