"""Pads drawn with known colour, glare, drops, slopes and blur."""

import cv2
import numpy as np
import pytest

from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.strip import PadColour, measure_pad
from tests.listed import each

PINK = np.array([0.80, 0.55, 0.60])
PLASTIC = np.array([0.82, 0.82, 0.80])


def pad_picture(
    colour: Float = PINK,
    *,
    side: float = 36,
    blur: float = 1.0,
    noise: float = 0.01,
    turn_deg: float = 7,
    seed: int = 1,
) -> tuple[Float, Float]:
    """A pad on plastic, drawn at eight times the size and averaged down; and its corners."""
    size = int(side * 2)
    half, angle = side / 2, np.deg2rad(turn_deg)
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    corners = square @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + size / 2
    mask = np.zeros((size * 8, size * 8), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round((corners + 0.5) * 8 - 0.5).astype(np.int32)], 1)
    share = cv2.resize(mask.astype(np.float64), (size, size), interpolation=cv2.INTER_AREA)[..., None]
    picture = cv2.GaussianBlur(share * colour + (1 - share) * PLASTIC, (0, 0), blur)
    rng = np.random.default_rng(seed)
    return picture * (1 + noise * rng.standard_normal(picture.shape)), corners


def codes(pad: PadColour) -> set[str]:
    return {finding.code for finding in pad.findings}


@each(("side", "blur"), [(36, 1.0), (36, 3.0), (20, 1.5), (70, 1.0)])
def test_the_mean_of_a_clean_pad_is_true_within_its_uncertainty(side: float, blur: float) -> None:
    picture, corners = pad_picture(side=side, blur=blur)
    pad = measure_pad(picture, corners, blur_px=blur)
    u = np.sqrt(np.diag(pad.covariance_of_mean))
    assert (np.abs(pad.mean - PINK) < 3 * u + 0.001).all()  # 0.001: what blur still brings in from the plastic
    assert pad.share_left_out < 0.01
    assert not pad.findings


def test_glare_is_left_out_counted_and_found() -> None:
    picture, corners = pad_picture()
    x = np.arange(picture.shape[1])
    streak = 0.9 / (1 + np.exp(-(x - 41.0)))  # the right fifth of the pad, soft flank
    picture = picture + streak[None, :, None] * (1 - picture)
    pad = measure_pad(picture, corners)
    assert codes(pad) == {"glare_on_pad"}
    assert pad.share_glare > 0.1
    assert pad.share_specks < 0.02
    np.testing.assert_allclose(pad.mean, PINK, atol=0.012)
    assert picture[26:46, 26:46].mean(axis=(0, 1))[1] - PINK[1] > 0.05  # the plain mean is far off


def test_glare_on_a_pale_pad_is_found_too() -> None:
    pale = np.array([0.70, 0.69, 0.69])
    picture, corners = pad_picture(pale)
    picture[24:33, 24:50] = 0.97
    pad = measure_pad(picture, corners)
    assert codes(pad) == {"glare_on_pad"}
    np.testing.assert_allclose(pad.mean, pale, atol=0.003)


def test_drops_and_specks_are_left_out_without_being_called_glare() -> None:
    picture, corners = pad_picture()
    picture[28:34, 30:36] *= 0.6
    picture[40, 30:40] = 0.05
    pad = measure_pad(picture, corners)
    assert pad.share_specks == pytest.approx((36 + 10) / (25.2**2), rel=0.25)
    assert pad.share_glare < 0.005
    np.testing.assert_allclose(pad.mean, PINK, atol=0.003)
    assert not pad.findings


def test_an_uneven_pad_is_found_and_a_slight_slope_is_not() -> None:
    for change, found in ((0.04, set()), (0.25, {"pad_uneven"})):
        picture, corners = pad_picture(turn_deg=0)
        x = (np.arange(picture.shape[1]) - 36) / 36
        picture[..., 1] *= 1 + change * x
        pad = measure_pad(picture, corners)
        assert pad.gradient == pytest.approx(change, abs=0.015)
        assert codes(pad) == found


def test_noise_alone_makes_no_pad_uneven() -> None:
    for seed in range(20):
        picture, corners = pad_picture(side=18, noise=0.15, seed=seed)
        assert "pad_uneven" not in codes(measure_pad(picture, corners))


def test_a_small_pad_is_measured_with_a_finding() -> None:
    picture, corners = pad_picture(side=11, blur=0.8)
    pad = measure_pad(picture, corners, blur_px=0.8)
    assert codes(pad) == {"pad_small"}
    np.testing.assert_allclose(pad.mean, PINK, atol=0.02)


def test_more_blur_leaves_out_more_rim() -> None:
    picture, corners = pad_picture()
    assert measure_pad(picture, corners, blur_px=4).n_pixels < measure_pad(picture, corners, blur_px=1).n_pixels


def test_a_pad_outside_the_picture_or_of_a_few_pixels_is_refused() -> None:
    picture, corners = pad_picture()
    with pytest.raises(PhotoUnfitError):
        measure_pad(picture, corners + 500)
    with pytest.raises(PhotoUnfitError, match="shorter side"):
        measure_pad(picture, (corners - 36) * 0.1 + 36)


def test_the_uncertainty_covers_repeated_noise() -> None:
    errors = []
    for seed in range(150):
        picture, corners = pad_picture(seed=seed, noise=0.05)
        pad = measure_pad(picture, corners)
        errors.append((pad.mean - PINK) / np.sqrt(np.diag(pad.covariance_of_mean)))
    # |error| < 2 u in 95 %; with 13 degrees of freedom Student's t gives 93 %, and 450 values vary by 1.2 %
    assert 0.89 < (np.abs(errors) < 2).mean() < 0.97
