"""Chromatic adaptation from D65 to D50 by the Bradford method, as the product does it.

Two sets of white points are about. Profiles (``photo/profile.py``) go by ICC's D50, XYZ (0.96422, 1, 0.82521), and D65
(0.95047, 1, 1.08883); their matrices are B. Lindbloom's, "Chromatic Adaptation" and "RGB/XYZ Matrices", here from
memory, recomputed. Card colours (``colour/correct.py``) go by chromaticities, D50 (0.3457, 0.3585) of ``colour/lab.py``
and D65 (0.3127, 0.3290). The whites differ by up to 1.1e-4, which is 0.02 in CIELAB.
"""

import numpy as np
import pytest

from stripread.colour import colour_science, d50_white, linear_srgb, xyz_to_lab
from stripread.photo.profile import _SRGB_TO_XYZ_D50

D65 = np.array([0.95047, 1.0, 1.08883])
D50 = np.array([0.96422, 1.0, 0.82521])
D65_TO_D50 = np.array(
    [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
)
SRGB_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def bradford(white: np.ndarray, target: np.ndarray) -> np.ndarray:
    adapt = colour_science().adaptation.matrix_chromatic_adaptation_VonKries
    return np.asarray(adapt(white, target, transform="Bradford"))


def test_adaptation_matrix_is_the_published_one() -> None:
    np.testing.assert_allclose(bradford(D65, D50), D65_TO_D50, atol=1e-7)
    np.testing.assert_allclose(bradford(D65, D50) @ D65, D50, atol=1e-12)


def test_matrix_of_profiles_is_the_published_product() -> None:
    np.testing.assert_allclose(bradford(D65, D50) @ SRGB_TO_XYZ, _SRGB_TO_XYZ_D50, atol=1e-7)


def test_adaptation_from_chromaticities_is_the_published_one() -> None:
    """First row for whites (0.3127, 0.3290) and ours, (0.3457, 0.3585), read in W3C csswg-drafts issue 9607.

    It prints ten digits but warns that it went by an inverse rounded to seven: 1e-7.
    """
    found = bradford(np.asarray(colour_science().xy_to_XYZ([0.3127, 0.3290])), d50_white())
    assert found[0] == pytest.approx([1.0479298208, 0.0229467933, -0.0501922295], abs=1e-7)


def test_card_colours_reach_linear_srgb_by_the_published_matrix() -> None:
    """The way of neutral patches, CIELAB to linear sRGB, is linear in XYZ, so three colours give its matrix.

    Tolerance 3e-4 in each coefficient of the inverse: sRGB's matrix has four digits in IEC 61966-2-1 (5e-5), and the
    whites differ as said above; both enter multiplied by coefficients of up to 3.
    """
    xyz = np.array([[0.4, 0.3, 0.2], [0.3, 0.4, 0.2], [0.3, 0.3, 0.4]])
    matrix = np.linalg.solve(xyz, linear_srgb(xyz_to_lab(xyz))).T
    np.testing.assert_allclose(np.linalg.inv(matrix), bradford(D65, D50) @ SRGB_TO_XYZ, atol=3e-4)
    # White is white whatever the set, but for the four digits of the matrix.
    assert linear_srgb(np.array([100.0, 0.0, 0.0])) == pytest.approx([1.0, 1.0, 1.0], abs=2e-4)
