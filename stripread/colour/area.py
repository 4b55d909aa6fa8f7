"""The mean colour of an area that should have one colour, and how well that mean is known."""

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["block_mean", "keep_typical"]

_CUT = 3.5  # robust standard deviations. Our choice: drops 0.05 % of clean Gaussian pixels, and evenly on both sides
_MAD_TO_SIGMA = 1.4826  # of a Gaussian distribution
# Scatter below this is taken for rounding to 8 bits: half a step to one step of sRGB's codes at 0.01 to 1 of white.
_FLOOR, _FLOOR_SHARE = 0.001, 0.004
_LEAST_PIXELS = 4


def keep_typical(channels: NDArray[np.floating], *, rounds: int) -> NDArray[np.bool_]:
    """Return which pixels are like most of the area.

    A pixel is dropped where any channel is further from the median than 3.5 times the scaled median absolute deviation
    (of the pixels kept so far, when there is more than one round).

    Parameters
    ----------
    channels : ndarray, shape (3, n)
        Linear RGB, a channel a row (three times as quick as a pixel a row).
    rounds : int
        1 serves where little is to be dropped; 4 shake off a blemish over a third of the area.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    keep = np.ones(channels.shape[1], dtype=bool)
    for _ in range(rounds):
        inner = channels if keep.all() else channels[:, keep]
        middle = inner.shape[1] // 2
        # Sorted, for that is vectorised, and partition is slow where pixels share a code.
        median = np.sort(inner, axis=1)[:, middle, None]
        mad = np.sort(np.abs(inner - median), axis=1)[:, middle, None]
        limit = _CUT * np.maximum(_MAD_TO_SIGMA * mad, _FLOOR + _FLOOR_SHARE * np.abs(median))
        now = np.asarray((np.abs(channels - median) <= limit).all(axis=0))
        if np.count_nonzero(now) < _LEAST_PIXELS or np.array_equal(now, keep):
            break
        keep = now
    return keep


def _plane_projector(side: int) -> Float:
    """Return the matrix that fits a plane to values on a grid of ``side`` x ``side`` blocks and evaluates it there."""
    steps = np.arange(side) - (side - 1) / 2
    basis = np.column_stack([np.ones(side * side), np.repeat(steps, side), np.tile(steps, side)])
    projector: Float = basis @ np.linalg.pinv(basis)
    return projector


_PLANE = {side: _plane_projector(side) for side in (3, 4)}


def _cell_of(position: Float, side: int) -> NDArray[np.intp]:
    low, high = position.min(), position.max()
    cell: NDArray[np.intp] = ((position - low) * (side / max(high - low, 1e-12))).astype(np.intp)
    np.minimum(cell, side - 1, out=cell)
    return cell


def block_mean(channels: NDArray[np.floating], positions: Float) -> tuple[Float, Float]:
    """Return the mean of pixels and the covariance of that mean.

    Neighbouring pixels are not independent (demosaicing, denoising, JPEG, paper and pad texture), so the scatter of
    single pixels over n promises too much. The area is cut into blocks instead, 4 x 4 where there are pixels enough,
    and the scatter between block means is taken; a plane over the area is taken out first, for a slow change of light
    does not change what the mean stands for.

    Parameters
    ----------
    channels : ndarray, shape (3, n)
        Linear RGB, a channel a row.
    positions : ndarray, shape (n, 2)
        Where the pixels lie, any unit.

    Returns
    -------
    mean : ndarray, shape (3,)
    covariance : ndarray, shape (3, 3)
    """
    n = channels.shape[1]
    mean = channels.mean(axis=1)
    side = int(np.clip(np.sqrt(n / 12), 1, 4))  # at least a dozen pixels a block
    if side < 2:
        centred = channels - mean[:, None]
        return mean, centred @ centred.T / (n * max(n - 1, 1))
    cells = side * side
    where = _cell_of(positions[:, 0], side) * side + _cell_of(positions[:, 1], side)
    count = np.bincount(where, minlength=cells)
    sums = np.stack([np.bincount(where, weights=channel, minlength=cells) for channel in channels])
    residual = sums / np.maximum(count, 1) - mean[:, None]
    blocks, unknowns = int(np.count_nonzero(count)), 1
    if side > 2 and blocks == cells:
        residual -= residual @ _PLANE[side]
        unknowns = 3
    residual *= count / n
    return mean, residual @ residual.T * (blocks / max(blocks - unknowns, 1))
