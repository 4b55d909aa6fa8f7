"""sRGB's curve and the matrices beside it against published numbers (IEC 61966-2-1:1999)."""

import numpy as np
import pytest

from stripread.photo.profile import DISPLAY_P3_TO_SRGB, srgb_decode, srgb_light
from tests.listed import each

# Computed from the standard's formula with colour-science 0.4.7, colour.eotf(V, "sRGB").
ANCHORS = {
    0: 0.0,
    1: 0.000303526983549,
    10: 0.003035269835488,  # last on the straight part
    11: 0.003346535763899,  # first on the power part
    64: 0.051269458374043,
    128: 0.215860500113899,
    186: 0.491020849847836,
    188: 0.502886458032569,
    255: 1.0,
}


@each(("code", "light"), ANCHORS.items())
def test_srgb_decode_gives_the_published_anchors(code: int, light: float) -> None:
    assert float(srgb_decode(np.array(code / 255))) == pytest.approx(light, abs=1e-9)


@each(("code", "light"), ANCHORS.items())
@each(("codes", "step"), [(256, 1), (65536, 257)])
def test_decode_table_gives_the_anchors_at_both_depths(code: int, light: float, codes: int, step: int) -> None:
    table = srgb_light(codes).decode_table
    assert table.dtype == np.float32
    assert table.shape == (codes, 3)
    # The table is float32: half a unit in its last place, relative.
    assert table[code * step] == pytest.approx([light] * 3, rel=6e-8)


def test_half_of_the_range_decodes_to_the_published_light() -> None:
    assert float(srgb_decode(np.array(0.5))) == pytest.approx(0.214041140482233, abs=1e-9)


def test_every_code_survives_decoding_and_the_standards_encoding() -> None:
    light = srgb_light(256).decode_table[:, 0].astype(np.float64)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    np.testing.assert_array_equal(np.rint(encoded * 255), np.arange(256))


def test_display_p3_matrix_follows_from_the_primaries() -> None:
    """Primaries of P3 (SMPTE RP 431-2) and sRGB (IEC 61966-2-1), white D65 x = 0.3127, y = 0.3290 for both."""

    def to_xyz(primaries: list[list[float]]) -> np.ndarray:
        columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
        white = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
        return columns * np.linalg.solve(columns, white)

    p3 = to_xyz([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])
    srgb = to_xyz([[0.640, 0.330], [0.300, 0.600], [0.150, 0.060]])
    np.testing.assert_allclose(DISPLAY_P3_TO_SRGB, np.linalg.solve(srgb, p3), atol=1e-9)
