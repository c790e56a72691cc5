"""Does what an overlap shows repeat itself? Then its correlation names no single shift."""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["find_repeats"]

Array = NDArray[np.float64]


def find_repeats(
    values: NDArray[np.float32],
    *,
    every: int = 1,
    least_score: float = 0.85,
    least_px: float = 5.0,
    reach_frac: float = 0.6,
) -> list[Array]:
    """Shifts at which a picture fits onto itself.

    Parameters
    ----------
    values : (H, W) float32
        With a local mean near zero.
    every : {1, 2}
        Px from one sample to the next.
    least_score : float
        Correlation with itself above which it counts as repeating.
    least_px : float
        Shortest pitch.
    reach_frac : float
        Longest pitch as a share of the side.

    Returns
    -------
    list of (2,) float64
        One or two shortest independent shifts (x, y), px; empty where nothing repeats.
    """
    half = 2 // every if min(values.shape) * every >= 96 else 1
    small = cv2.resize(values, None, fx=1 / half, fy=1 / half, interpolation=cv2.INTER_AREA)
    height, width = small.shape
    top, side = int(height * reach_frac), int(width * reach_frac)
    padded = [scipy.fft.next_fast_len(n, real=True) for n in (height + top, width + side)]
    transform = scipy.fft.rfft2(small, padded, workers=1)
    product = scipy.fft.irfft2(np.abs(transform) ** 2, padded, workers=1)
    dy, dx = np.arange(top + 1), np.arange(-side, side + 1)
    cross = product.take(dy, axis=0).take(dx % padded[1], axis=1)
    energy = cv2.integral(small**2, sdepth=cv2.CV_64F)
    first = _box_sums(energy, dy, dx, height, width, forward=True)
    second = _box_sums(energy, dy, dx, height, width, forward=False)
    floor = 1e-3 * max(float(energy[-1, -1]), 1e-6)
    score = cross / np.sqrt(np.maximum(first, floor) * np.maximum(second, floor))
    filled = score.astype(np.float32)
    peaks = filled == cv2.dilate(filled, np.ones((3, 3), np.uint8))
    peaks &= filled >= least_score
    peaks[:, 0] = peaks[:, -1] = peaks[-1] = False
    ys, xs = np.nonzero(peaks)
    shifts = np.column_stack([dx[xs], dy[ys]]).astype(float) * (half * every)
    shifts = shifts[np.hypot(*shifts.T) >= least_px]
    return _shortest_pair(shifts)


def _box_sums(
    table: Array,
    dy: NDArray[np.int_],
    dx: NDArray[np.int_],
    height: int,
    width: int,
    *,
    forward: bool,
) -> Array:
    """Sums over the part of the picture that overlaps its own copy moved by (dx, dy)."""
    y0 = dy if forward else np.zeros_like(dy)
    y1 = np.full_like(dy, height) if forward else height - dy
    right = np.maximum(dx, 0), width + np.minimum(dx, 0)
    left = np.maximum(-dx, 0), width - np.maximum(dx, 0)
    x0, x1 = right if forward else left
    rows = table.take(y1, axis=0) - table.take(y0, axis=0)
    sums: Array = rows.take(x1, axis=1) - rows.take(x0, axis=1)
    return sums


def _shortest_pair(shifts: Array) -> list[Array]:
    """The shortest shift and the shortest one in another direction."""
    order = np.lexsort((shifts[:, 0], shifts[:, 1], np.round(np.hypot(*shifts.T), 1)))
    shifts = shifts[order]
    if not len(shifts):
        return []
    one = shifts[0]
    for two in shifts[1:]:
        across = abs(one[0] * two[1] - one[1] * two[0])
        if across > 0.3 * np.hypot(*one) * np.hypot(*two):
            return [one, two]
    return [one]
