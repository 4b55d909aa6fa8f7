"""The mean colour of every patch of a card that was found in a photo, and what its colour should be."""

import numpy as np
from numpy.typing import NDArray

from stripread.card.layout import CardLayout
from stripread.colour import PatchColours, on_grid, on_paper
from stripread.geometry import Float
from stripread.photo import Photo

__all__ = ["TYPICAL_PAPER", "U_PAPER", "measure_patches", "reference_lab"]

# Plain white office paper: CIELAB and how far papers scatter about it (common practice, no source).
TYPICAL_PAPER, U_PAPER = (95.0, 0.0, -1.0), (1.0, 0.5, 1.2)
_DESIGN_WHITE = 99.0  # L*: no paper is so bright, so a white like this is relative to the paper
_INNER = 0.66  # of a patch's side: clear of its edge, of blur and of a pose that is off by a tenth
_GRID = 16  # samples along a side; 256 pixels of 2 % noise leave 0.13 % in the mean, less than a print is known to
_CUT = 3.5 * 1.4826  # median absolute deviations; drops 0.05 % of clean Gaussian pixels
_FLOOR = 0.004  # of the median: scatter below this is rounding to codes


def reference_lab(card: CardLayout) -> Float:
    """CIELAB (n, 3) that a card's patches should have.

    Measured ones where the print was enrolled. A design counts its colours from the paper, whose white it calls
    (100, 0, 0); on a print that was never measured the paper is taken for `TYPICAL_PAPER`.
    """
    lab = card.patch_lab
    white = np.array([p.role == "white" for p in card.patches])
    if card.enrolment is None and white.any() and lab[white, 0].min() > _DESIGN_WHITE:
        return on_paper(lab, np.array(TYPICAL_PAPER))
    return lab


def measure_patches(photo: Photo, homography: Float, card: CardLayout) -> PatchColours:
    """Sample the inner part of each patch, leave out specks, and average.

    Parameters
    ----------
    homography : ndarray (3, 3)
        Card mm to pixels of the full-size photo.

    Patches outside the picture count as clipped: they carry no colour.
    """
    rows, columns = photo.pixels.shape[:2]
    rects = np.array([(p.rect.x, p.rect.y, p.rect.width, p.rect.height) for p in card.patches])
    sizes = rects[:, 2:]
    centres = rects[:, :2] + sizes / 2
    x, y = _sample_places(photo.from_full_matrix @ homography, centres, sizes)
    outside = ((x < 0) | (x >= columns) | (y < 0) | (y >= rows)).any(axis=1)
    if outside.any():
        np.clip(x, 0, columns - 1, out=x)
        np.clip(y, 0, rows - 1, out=y)
    samples = np.take(photo.pixels.reshape(-1, 3), y * columns + x, axis=0)
    codes = np.ascontiguousarray(np.moveaxis(samples, 2, 0))  # channel, patch, sample
    last = np.iinfo(photo.pixels.dtype).max
    clipped = ((codes.max(axis=0) >= last - last // 255) | (codes.min(axis=0) == 0)).mean(axis=1)
    clipped[outside] = 1.0
    linear = np.stack([np.take(np.ascontiguousarray(photo.decode_table[:, c]), codes[c]) for c in range(3)])
    middle = linear.shape[2] // 2
    median = np.sort(linear, axis=2)[..., middle, None]  # quicker than partition
    apart = np.abs(linear - median)
    spread = np.sort(apart, axis=2)[..., middle, None]
    keep = (apart <= _CUT * np.maximum(spread, _FLOOR * median)).all(axis=0)
    mean = (linear * keep).sum(axis=2, dtype=np.float64).T / np.maximum(keep.sum(axis=1), 1)[:, None]
    role = np.array([p.role for p in card.patches])
    spectra = card.patch_spectra
    return PatchColours(
        ids=tuple(p.id for p in card.patches),
        places_mm=centres,
        linear=mean @ photo.to_srgb.T,
        clipped_share=clipped,
        lab=reference_lab(card),
        white=role == "white",
        neutral=role != "colour",
        card_size_mm=(card.width_mm, card.height_mm),
        u_lab=None if card.enrolment is None else card.enrolment.u_lab,
        reflectance=None if spectra is None else on_grid(np.array(card.wavelengths_nm), spectra),
    )


def _sample_places(to_pixels: Float, centres: Float, sizes: Float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns and rows, each (n, samples), of the decoded pixels nearest to a grid on each patch's inner part.

    The grid's columns and rows are carried through the homography apart and added up, which is quicker than to carry
    each of its points.
    """
    steps = ((np.arange(_GRID) + 0.5) / _GRID - 0.5) * _INNER
    x_mm, y_mm = np.moveaxis(centres[:, None] + steps[:, None] * sizes[:, None], 2, 0)
    along = to_pixels[:, 0, None, None, None] * x_mm[:, None, :]
    down = to_pixels[:, 1, None, None, None] * y_mm[:, :, None] + to_pixels[:, 2, None, None, None]
    x, y, depth = along + down
    flat = (len(centres), -1)
    return (
        np.rint(x / depth).astype(np.intp).reshape(flat),
        np.rint(y / depth).astype(np.intp).reshape(flat),
    )
