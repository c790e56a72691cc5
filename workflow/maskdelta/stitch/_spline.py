"""Tiles as cubic B-splines: exact, cheap reading between the pixels.

Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal Process. Mag. 16
(1999): a picture is a sum of shifted B-splines, whose coefficients come from one recursive filter.
A whole crop moved by a fraction of a px is then a separable filter with four taps.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, grey, read_picture
from maskdelta.stitch._coordinates import tile_coordinates
from maskdelta.study import Pose
from maskdelta.survey import FlatField

__all__ = ["crop", "detail", "gradient", "load_spline", "straightening"]

Image = NDArray[np.float32]
_MID = np.array([1, 4, 1], np.float32) / 6
_SLOPE = np.array([-1, 0, 1], np.float32) / 2


def load_spline(
    path: str | Path,
    flat_field: FlatField | None = None,
    *,
    straighten: tuple[Image, Image] | None = None,
    every: int = 1,
    blur_px: float = 1.5,
) -> Image:
    """Spline coefficients of a tile's grey, evened out and lightly smoothed.

    Parameters
    ----------
    path : path
    flat_field : FlatField, optional
        Shading to take out: to the power 1 / 2.2, since the grey is that of encoded values.
    straighten : (Image, Image), optional
        From `straightening`: takes out the lens, bilinearly. On values smoothed by 1.5 px that
        moves an edge by 0.01 px at most, here one way and there the other, and takes a tenth of
        the time of Lanczos' kernel.
    every : {1, 2}
        Px from one sample to the next: 2 takes the means of 2 x 2 px of the smoothed tile, of which
        0.06 of what the photograph holds at the finest detail of the samples is left, so that
        places are as exact (0.004 px apart in the median).
    blur_px : float
        Smoothing before registration: noise and the steps of the pixel raster would otherwise
        bias a sub-pixel shift.

    Returns
    -------
    (H // every, W // every) float32
    """
    smooth = cv2.GaussianBlur(grey(read_picture(path)), (0, 0), blur_px)
    if straighten is not None:
        smooth = cv2.remap(smooth, *straighten, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    elif every > 1:
        size = (smooth.shape[1] // every, smooth.shape[0] // every)
        whole = smooth[: size[1] * every, : size[0] * every]
        smooth = cv2.resize(whole, size, interpolation=cv2.INTER_AREA)
    if flat_field is not None and not flat_field.changes_nothing:
        # so smooth that a lens or a blur does not change it
        height, width = smooth.shape
        small = flat_field.gain((max(height * every // 8, 2), max(width * every // 8, 2)))
        smooth *= cv2.resize(small.mean(axis=2) ** np.float32(1 / 2.2), (width, height))
    taps = _inverse_taps()
    return cv2.sepFilter2D(smooth, cv2.CV_32F, taps, taps, borderType=cv2.BORDER_REFLECT_101)


def detail(values: Image, *, slow_px: int = 33) -> Image:
    """Values without what changes slowly: the mean over a box, taken twice.

    It is taken of the crops to be compared, not of whole tiles: at the right shift both crops show
    the same place, so that their borders are treated alike.
    """
    size = (slow_px, slow_px)
    return values - cv2.blur(cv2.blur(values, size), size)


def straightening(shape: tuple[int, int], lens: float, *, every: int = 1) -> tuple[Image, Image]:
    """Where the samples of a tile without the lens term lie in one with it; see `Pose.to_mosaic`.

    Returns
    -------
    x, y : (H // every, W // every) float32
    """
    height, width = shape
    pose = Pose("", "", width, height, (width - 1) / 2, (height - 1) / 2, lens=lens)
    x, y = tile_coordinates(pose, Box(0, 0, width // every * every, height // every * every))
    if every == 1:
        return x, y
    size = (width // every, height // every)
    return tuple(cv2.resize(v, size, interpolation=cv2.INTER_AREA) for v in (x, y))


def _inverse_taps(*, reach: int = 8) -> Image:
    """Impulse response of the filter from values to coefficients, cut where it is below 1e-4.

    Its pole is z = sqrt(3) - 2 and its response -6 z / (1 - z^2) z^|k| (Unser 1999, box 2); the
    factor, which makes the sum 1, is taken so that it is 1 after the cut too.
    """
    z = np.sqrt(3.0) - 2
    steps = np.abs(np.arange(-reach, reach + 1))
    taps = z**steps
    return (taps / taps.sum()).astype(np.float32)


def _weights(fraction: float) -> Image:
    """Cubic B-spline at distances 1 + f, f, 1 - f, 2 - f."""
    f = fraction
    return np.array(
        [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], np.float32
    ) / np.float32(6)


def crop(spline: Image, x: float, y: float, width: int, height: int) -> Image:
    """Values of a crop whose first px lies at (x, y); it must lie 2 px inside the tile.

    Returns
    -------
    (height, width) float32
    """
    ix, iy = int(np.floor(x)), int(np.floor(y))
    part = spline[iy - 1 : iy + height + 2, ix - 1 : ix + width + 2]
    wide = cv2.sepFilter2D(part, cv2.CV_32F, _weights(x - ix), _weights(y - iy), anchor=(1, 1))
    return wide[1 : 1 + height, 1 : 1 + width]


def gradient(spline: Image, x: int, y: int, width: int, height: int) -> tuple[Image, Image]:
    """Slopes along x and y at whole pixels of a crop, each (height, width) float32."""
    part = spline[y - 1 : y + height + 1, x - 1 : x + width + 1]
    inner = np.s_[1 : 1 + height, 1 : 1 + width]
    along_x = cv2.sepFilter2D(part, cv2.CV_32F, _SLOPE, _MID)[inner]
    along_y = cv2.sepFilter2D(part, cv2.CV_32F, _MID, _SLOPE)[inner]
    return along_x, along_y
