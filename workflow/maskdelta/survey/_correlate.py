"""Normalised cross-correlation of two small pictures over all shifts.

The zero-padded form of Padfield, "Masked object registration in the Fourier domain", IEEE Trans.
Image Process. 21 (2012), eq. 13-20. Both masks are whole rectangles here, so that all sums over
the overlap but one come from summed-area tables instead of transforms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["Peak", "Spectrum", "Window", "find_peaks", "padded_shape", "spectrum_of"]


@dataclass(frozen=True)
class Spectrum:
    """A picture ready to be correlated.

    Attributes
    ----------
    transform : (P, Q // 2 + 1) complex64
        Of the picture without its mean, zero-padded to (P, Q).
    sums, squares : (h + 1, w + 1) float64
        Summed-area tables.
    grain_px2 : float
        Sum of the squared autocorrelation: so many px count as one independent sample;
        100 at most.
    """

    transform: NDArray[np.complex64]
    sums: NDArray[np.float64]
    squares: NDArray[np.float64]
    shape: tuple[int, int]
    padded: tuple[int, int]
    grain_px2: float

    @property
    def nbytes(self) -> int:
        """Bytes held."""
        return self.transform.nbytes + self.sums.nbytes + self.squares.nbytes


@dataclass(frozen=True)
class Window:
    """Shifts to try, inclusive: the place of b's first pixel in a, small px."""

    x0: int
    y0: int
    x1: int
    y1: int


@dataclass(frozen=True)
class Peak:
    """A shift that fits: the place of b's first pixel in a (small px), and how well."""

    x: float
    y: float
    score: float
    bound: float


def padded_shape(shapes: list[tuple[int, int]]) -> tuple[int, int]:
    """Size of the transform that holds every shift of any two of the pictures."""
    height = 2 * max(shape[0] for shape in shapes) - 1
    width = 2 * max(shape[1] for shape in shapes) - 1
    return scipy.fft.next_fast_len(height, real=True), scipy.fft.next_fast_len(width, real=True)


def spectrum_of(image: NDArray[np.float32], padded: tuple[int, int]) -> Spectrum:
    """Prepare a picture, (h, w) float32."""
    centred = image - image.mean(dtype=np.float64).astype(np.float32)
    transform = scipy.fft.rfft2(centred, padded, workers=1)
    sums, squares = cv2.integral2(centred, sdepth=cv2.CV_64F, sqdepth=cv2.CV_64F)
    auto = scipy.fft.irfft2(np.abs(transform) ** 2, padded, workers=1)
    share = auto / max(float(auto[0, 0]), 1e-9)
    grain = float((share.astype(np.float64) ** 2).sum())
    # a periodic picture would count as one grain, though it is compared in a narrow window
    return Spectrum(transform, sums, squares, image.shape[:2], padded, min(max(grain, 1), 100))


def find_peaks(
    a: Spectrum,
    b: Spectrum,
    window: Window,
    *,
    min_overlap_frac: float,
    share: float = 0.9,
    most: int = 9,
) -> tuple[list[Peak], float]:
    """Find the shifts at which b fits onto a.

    Parameters
    ----------
    a, b : Spectrum
    window : Window
    min_overlap_frac : float
        Overlaps of less than this share of the smaller picture's area are not looked at.
    share : float
        Shifts with at least this share of the best score are kept ...
    most : int
        ... but not more than this.

    Returns
    -------
    peaks : list of Peak
        Best first, by the lower bound of their score: a small overlap correlates by chance with
        a standard deviation of sqrt(grain / px), and two of these are taken off.
    rival : float
        Best score among all other local maxima as a share of the best score, 0 if there is none.
    """
    score, noise = _score_map(a, b, window, min_overlap_frac)
    bound = score - 2 * noise
    if score.size == 0 or not np.isfinite(bound).any():
        return [], 0.0
    filled = np.where(np.isfinite(bound), bound, -9).astype(np.float32)
    top = cv2.dilate(filled, np.ones((3, 3), np.uint8))
    ys, xs = np.nonzero((filled == top) & (filled > -2))
    order = np.lexsort((xs, ys, -filled[ys, xs]))[:60]
    ys, xs = ys[order], xs[order]
    offset_x, offset_y, rise = _vertices(score, ys, xs)
    scores = np.minimum(score[ys, xs] + rise, 1.0)
    bounds = filled[ys, xs] + rise
    first = int(np.argmax(bounds))
    if scores[first] <= 0:
        return [], 0.0
    far = np.maximum(abs(ys - ys[first]), abs(xs - xs[first])) > 2
    rival = float(max(scores[far].max() / scores[first], 0)) if far.any() else 0.0
    kept = [k for k in np.argsort(-bounds, kind="stable") if scores[k] >= share * scores[first]]
    peaks = []
    for k in kept[:most]:
        x, y = window.x0 + xs[k] + offset_x[k], window.y0 + ys[k] + offset_y[k]
        peaks.append(Peak(float(x), float(y), float(scores[k]), float(bounds[k])))
    return peaks, min(rival, 1.0)


def _score_map(
    a: Spectrum, b: Spectrum, window: Window, min_overlap_frac: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Correlation at every shift of the window and its chance level; NaN where too little."""
    (ha, wa), (hb, wb) = a.shape, b.shape
    sy = np.arange(max(window.y0, 1 - hb), min(window.y1, ha - 1) + 1)
    sx = np.arange(max(window.x0, 1 - wb), min(window.x1, wa - 1) + 1)
    full_y = np.arange(window.y0, window.y1 + 1)
    full_x = np.arange(window.x0, window.x1 + 1)
    score = np.full((len(full_y), len(full_x)), np.nan)
    noise = np.full_like(score, np.nan)
    if not len(sy) or not len(sx):
        return score, noise
    product = scipy.fft.irfft2(a.transform * b.transform.conj(), a.padded, workers=1)
    cross = product[np.ix_(sy % a.padded[0], sx % a.padded[1])].astype(np.float64)
    y0, y1 = np.maximum(0, sy), np.minimum(ha, sy + hb)
    x0, x1 = np.maximum(0, sx), np.minimum(wa, sx + wb)
    n = np.outer(y1 - y0, x1 - x0).astype(float)

    def box(table: NDArray[np.float64], dy: Any, dx: Any) -> NDArray[np.float64]:
        rows = table.take(y1 - dy, axis=0) - table.take(y0 - dy, axis=0)
        return rows.take(x1 - dx, axis=1) - rows.take(x0 - dx, axis=1)

    sum_a, sum_b = box(a.sums, 0, 0), box(b.sums, sy, sx)
    var_a = box(a.squares, 0, 0) - sum_a**2 / n
    var_b = box(b.squares, sy, sx) - sum_b**2 / n
    scale = np.sqrt(np.maximum(var_a, 0) * np.maximum(var_b, 0))
    least = 1e-4 * n  # blank overlaps say nothing
    found = np.where(scale > least, (cross - sum_a * sum_b / n) / np.maximum(scale, least), 0.0)
    found[n < min_overlap_frac * min(ha * wa, hb * wb)] = np.nan
    top, left = sy[0] - window.y0, sx[0] - window.x0
    inner = np.s_[top : top + len(sy), left : left + len(sx)]
    score[inner] = found
    noise[inner] = np.sqrt(np.sqrt(a.grain_px2 * b.grain_px2) / n)
    return score, noise


def _vertices(
    score: NDArray[np.float64], ys: NDArray[np.intp], xs: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Vertices of the parabolas through three samples along x and y: offsets and rise.

    The rise makes peaks comparable that lie differently between the samples.
    """
    padded = np.pad(score, 1, constant_values=np.nan)
    y, x = ys + 1, xs + 1

    def along(dy: int, dx: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        left, mid, right = padded[y - dy, x - dx], padded[y, x], padded[y + dy, x + dx]
        bend = left - 2 * mid + right
        curved = np.isfinite(bend) & (bend < 0)
        slope = np.where(curved, right - left, 0.0)
        offset = np.clip(-0.5 * slope / np.where(curved, bend, -1.0), -0.5, 0.5)
        return offset, 0.25 * slope * offset

    across, up_x = along(0, 1)
    down, up_y = along(1, 0)
    return across, down, up_x + up_y
