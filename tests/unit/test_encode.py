"""From linear camera RGB to a photo file: noise, saturation, sharpening, formats, EXIF."""

import io
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image as PillowImage
from PIL import ImageCms, ImageOps

from stripread.simulate.scene.encode import Exif, FileFormat, Noise, PhotoFile, Sharpening, expose_to_file
from tests.listed import each

PNG = PhotoFile(format="png")


def gamma(linear: np.ndarray) -> np.ndarray:
    return np.power(linear, np.float32(1 / 2.2))


def same(linear: np.ndarray) -> np.ndarray:
    return linear


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(PillowImage.open(io.BytesIO(data)))


def grey(level: float, rows: int = 300, columns: int = 400) -> np.ndarray:
    return np.full((rows, columns, 3), level, np.float32)


def scene() -> np.ndarray:
    """A lopsided picture: no turn or flip of it equals another."""
    image = grey(0.3, 90, 120)
    image[:30, :40] = (0.8, 0.1, 0.1)
    image[60:, :20] = (0.1, 0.2, 0.7)
    return image


def test_without_noise_the_codes_are_the_processed_light_rounded() -> None:
    assert np.unique(pixels(expose_to_file(grey(0.2), gamma, seed=1, file=PNG))) == [round(255 * 0.2 ** (1 / 2.2))]


def test_noise_has_the_stated_variance_and_keeps_the_mean() -> None:
    data = expose_to_file(grey(0.4), same, seed=3, noise=Noise(read=0.01, shot=1e-3), file=PhotoFile(format="tiff16"))
    signal = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED) / 65535
    assert signal.dtype == np.float64
    assert signal.mean() == pytest.approx(0.4, abs=4 * 0.0224 / np.sqrt(360_000))
    assert signal.std() == pytest.approx(np.sqrt(0.01**2 + 1e-3 * 0.4), rel=0.01)


def test_the_sensor_saturates_before_the_processing() -> None:
    def halved(linear: np.ndarray) -> np.ndarray:
        return linear / 2

    assert np.unique(pixels(expose_to_file(grey(7.0), halved, seed=1, file=PNG))) == [128]


def test_softness_spreads_the_noise_free_edge_only() -> None:
    image = grey(0.1)
    image[:, 200:] = 0.9
    sharp, soft = (pixels(expose_to_file(image, same, seed=1, softness_px=s, file=PNG)) for s in (0.0, 1.5))
    assert len(np.unique(sharp)) == 2
    assert len(np.unique(soft)) > 6
    np.testing.assert_array_equal(sharp[:, :180], soft[:, :180])


def test_sharpening_overshoots_at_edges_leaves_flats_and_shows_no_seam_between_blocks() -> None:
    image = np.repeat(np.where(np.arange(400) < 200, 0.3, 0.6)[:, None], 300, axis=1).astype(np.float32)
    image = np.stack([image] * 3, axis=-1)  # the edge runs along the rows
    result = pixels(expose_to_file(image, same, seed=1, sharpening=Sharpening(amount=0.8), file=PNG)).astype(int)
    assert result.min() < round(255 * 0.3) - 10
    assert result.max() > round(255 * 0.6) + 10
    flat = np.r_[0:190, 210:400]
    assert set(np.unique(result[flat])) == {round(255 * 0.3), round(255 * 0.6)}
    turned = expose_to_file(
        np.ascontiguousarray(image.swapaxes(0, 1)), same, seed=1, sharpening=Sharpening(amount=0.8), file=PNG
    )
    np.testing.assert_array_equal(pixels(turned).swapaxes(0, 1), result)


def test_same_seed_same_bytes_and_another_seed_other_bytes(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    first = expose_to_file(scene(), gamma, path, seed=1, noise=Noise())
    assert path.read_bytes() == first
    assert expose_to_file(scene(), gamma, seed=1, noise=Noise()) == first
    assert expose_to_file(scene(), gamma, seed=2, noise=Noise()) != first


def test_jpeg_has_half_size_colour_and_the_stated_quality() -> None:
    noisy = {q: expose_to_file(scene(), gamma, seed=1, noise=Noise(), file=PhotoFile(quality=q)) for q in (50, 95)}
    assert len(noisy[50]) < 0.7 * len(noisy[95])
    photo = PillowImage.open(io.BytesIO(noisy[95]))
    assert photo.format == "JPEG"
    assert photo.layer[0][1:3] == (2, 2)  # type: ignore[attr-defined] # luma sampled twice as finely both ways


@each("orientation", range(1, 9))
@each("form", ["jpeg", "png", "webp"])
def test_every_orientation_shows_the_same_upright_picture(orientation: int, form: FileFormat) -> None:
    upright = pixels(expose_to_file(scene(), gamma, seed=1, file=PNG)).astype(int)
    file = PhotoFile(format=form, quality=95, exif=Exif(orientation=orientation))
    photo = PillowImage.open(io.BytesIO(expose_to_file(scene(), gamma, seed=1, file=file)))
    assert photo.getexif()[0x0112] == orientation
    assert (photo.width > photo.height) == (orientation <= 4)
    shown = np.asarray(ImageOps.exif_transpose(photo)).astype(int)
    # compression: 2 codes on average; the wrong turn would differ by more than 20
    assert np.abs(shown - upright).mean() < (0.001 if form == "png" else 2.0)


def test_exif_tells_phone_and_time() -> None:
    exif = Exif(model="Demo phone 2", taken_at=datetime(2026, 5, 1, 9, 8, 7, tzinfo=UTC))
    photo = PillowImage.open(io.BytesIO(expose_to_file(scene(), gamma, seed=1, file=PhotoFile(exif=exif))))
    block = photo.getexif()
    assert (block[0x010F], block[0x0110]) == ("Demo", "Demo phone 2")
    details = block.get_ifd(0x8769)
    assert (details[0x9003], details[0x9011]) == ("2026:05:01 09:08:07", "+00:00")


def test_profile_is_embedded_unchanged() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = expose_to_file(scene(), gamma, seed=1, file=PhotoFile(icc_profile=profile))
    assert PillowImage.open(io.BytesIO(data)).info["icc_profile"] == profile


def test_what_a_file_cannot_hold_is_refused() -> None:
    with pytest.raises(ValueError, match="tiff16"):
        expose_to_file(scene(), gamma, seed=1, file=PhotoFile(format="tiff16", exif=Exif()))
    with pytest.raises(ValueError, match="orientation 9"):
        expose_to_file(scene(), gamma, seed=1, file=PhotoFile(exif=Exif(orientation=9)))
