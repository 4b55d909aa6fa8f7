"""The plain equations of ``colour/lab.py`` against colour-science, an independent implementation, over all colours."""

import numpy as np
import pytest

from stripread.colour import colour_science, d50_white, delta_e_2000, lab_to_xyz, linear_srgb, xyz_to_lab
from tests.listed import each

D50 = np.array([0.3457, 0.3585])
# Beyond any real colour, with greys and colours near black, where CIELAB is straight.
LAB = np.vstack(
    [
        np.random.default_rng(3).uniform([0, -128, -128], [110, 128, 128], (4000, 3)),
        np.random.default_rng(4).uniform([0, -4, -4], [10, 4, 4], (500, 3)),
        np.column_stack([np.linspace(0, 100, 101), np.zeros((101, 2))]),
    ]
)


def test_white_is_that_of_the_chromaticity() -> None:
    np.testing.assert_allclose(d50_white(), colour_science().xy_to_XYZ(D50), rtol=1e-14)


def test_cielab_to_xyz_and_back() -> None:
    xyz = colour_science().Lab_to_XYZ(LAB, D50)
    np.testing.assert_allclose(lab_to_xyz(LAB), xyz, rtol=1e-12, atol=1e-14)
    np.testing.assert_allclose(xyz_to_lab(xyz), colour_science().XYZ_to_Lab(xyz, D50), rtol=1e-12, atol=1e-11)
    np.testing.assert_allclose(xyz_to_lab(lab_to_xyz(LAB)), LAB, atol=1e-11)


def test_linear_srgb() -> None:
    wanted = colour_science().XYZ_to_RGB(
        colour_science().Lab_to_XYZ(LAB, D50),
        "sRGB",
        D50,
        chromatic_adaptation_transform="Bradford",
        apply_cctf_encoding=False,
    )
    np.testing.assert_allclose(linear_srgb(LAB), wanted, atol=1e-12)


@each("apart", [0.1, 3.0, 200.0])
def test_ciede2000(apart: float) -> None:
    other = LAB + apart * np.random.default_rng(5).normal(size=LAB.shape)
    wanted = colour_science().delta_E(LAB, other, method="CIE 2000")
    np.testing.assert_allclose(delta_e_2000(LAB, other), wanted, rtol=1e-9)
    assert delta_e_2000(LAB[0], other[0]) == pytest.approx(wanted[0])
