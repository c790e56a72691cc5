"""Dust on the sensor: what is dark at the same place of many tiles, whatever lies there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.ndimage
import scipy.optimize
from numpy.typing import NDArray

from maskdelta.images import srgb_inverse
from maskdelta.survey._look import Look

__all__ = ["Speck", "find_dust"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]
_HALF = 16  # half the side of the patches that are looked at closely, cells
_NOISE = 0.03  # of a cell: grain of the die and noise, logarithm of light
_BESIDE = 0.8  # how strong other spots may be beside one
_VOTES = 19.0  # by how much a spot must explain the tiles better than none


@dataclass(frozen=True)
class Speck:
    """A soft dark spot: it takes `depth_frac` exp(-r^2 / (2 sigma_px^2)) of the linear light.

    Attributes
    ----------
    x_px, y_px : float
        Its middle in every tile.
    sigma_px : float
    depth_frac : float
    tiles : int
        Number of tiles that it was measured in.
    """

    x_px: float
    y_px: float
    sigma_px: float
    depth_frac: float
    tiles: int

    def to_mapping(self) -> dict[str, float]:
        """Plain values, as they are written."""
        return dict(vars(self))


def find_dust(looks: Sequence[Look], *, least_tiles: int = 8) -> tuple[Speck, ...]:
    """Find specks on the sensor.

    The die moves from tile to tile and dust does not, so that it stands out in the mean of many
    tiles in the frame of the sensor, in which calm places count most. In a memory array whose
    pitch goes into the step of the stage, the die stands still too: then its surroundings recur as
    well. Only what is alone in its surroundings, and seen in several tiles by themselves, is taken
    for dust.

    Parameters
    ----------
    looks : sequence of Look
        The grey pictures of the calmest of them are used.
    least_tiles : int
        With fewer tiles nothing is looked for.

    Returns
    -------
    tuple of Speck
        From the top down.
    """
    first = {look.sha256: look for look in looks if look.grey.size}
    shapes = {look.grey.shape for look in first.values()}
    if len(first) < least_tiles or len(shapes) > 1:
        return ()
    cell_px = looks[0].grey_cell_px
    stack = [_against_surroundings(look.grey) for look in first.values()]
    weights = [1 / (cv2.blur(plane * plane, (15, 15)) + _NOISE**2) for plane in stack]
    mean = np.zeros_like(stack[0])
    for plane, weight in zip(stack, weights, strict=True):
        mean += weight * plane
    mean /= np.sum(weights, axis=0)
    specks = []
    for x, y, depth in _candidates(mean):
        speck = _fit(mean, stack, x, y, depth, cell_px)
        if speck is not None:
            specks.append(speck)
    return tuple(sorted(specks, key=lambda speck: (speck.y_px, speck.x_px)))


def _against_surroundings(levels: NDArray[np.uint8]) -> Image:
    """Logarithm of the light of each cell, against the median of those around it.

    Of 9 x 9 cells every second one is taken: small windows are ten times as fast.
    """
    log_light = np.log(np.maximum(srgb_inverse(np.arange(256) / 255), 1e-3)).astype(np.float32)
    around = np.empty_like(levels)
    for odd in np.ndindex(2, 2):
        part = np.s_[odd[0] :: 2, odd[1] :: 2]
        around[part] = cv2.medianBlur(np.ascontiguousarray(levels[part]), 5)
    apart = cv2.LUT(levels, log_light) - cv2.LUT(around, log_light)
    return np.asarray(np.clip(apart, -0.3, 0.3), np.float32)


def _candidates(mean: Image) -> list[tuple[int, int, float]]:
    """Cells that are darker in the mean than anything around them: x, y, and about how deep."""
    soft = cv2.GaussianBlur(mean, (0, 0), 1.0)
    spread = np.sqrt(np.maximum(cv2.blur(soft * soft, (33, 33)) - cv2.blur(soft, (33, 33)) ** 2, 0))
    lowest = scipy.ndimage.minimum_filter(soft, 9, mode="nearest")
    spots = (soft == lowest) & (soft < -4 * spread) & (soft < -0.008)
    # a spot of that width, blurred by a cell, loses a third of its depth
    return [(x, y, min(0.9, -1.5 * float(soft[y, x]))) for y, x in np.argwhere(spots).tolist()]


def _fit(
    mean: Image, stack: Sequence[Image], x: int, y: int, depth: float, cell_px: int
) -> Speck | None:
    """A Gaussian spot fitted to the mean of all tiles; None unless it stands out in them too."""
    height, width = mean.shape
    x0, y0 = max(0, x - _HALF), max(0, y - _HALF)
    view = np.s_[y0 : min(height, y + _HALF + 1), x0 : min(width, x + _HALF + 1)]
    seen = [plane[view] for plane in stack]
    if _votes(seen, (x - x0, y - y0), depth, 1.4)[0] < _VOTES / 2:
        return None
    gy, gx = np.mgrid[view].astype(float)
    near = np.hypot(gx - x, gy - y) < 8

    def spot(p: Array) -> Array:
        r2 = (gx - x - p[1]) ** 2 + (gy - y - p[2]) ** 2
        return np.asarray(np.log1p(-np.clip(p[0], -1, 0.95) * np.exp(-r2 / (2 * p[3] ** 2))))

    found = scipy.optimize.least_squares(
        lambda p: (spot(p) + p[4] - mean[view])[near],
        [0.05, 0.0, 0.0, 1.5, 0.0],
        bounds=([0.0, -2, -2, 0.4, -0.1], [0.9, 2, 2, 4, 0.1]),
        loss="soft_l1",
        f_scale=0.01,
    )
    depth, cx, cy, sigma, base = (float(v) for v in found.x)
    # what else is there must be weak beside it, on its own scale: a spot blurred by its own width
    # is half as deep
    left = cv2.GaussianBlur(mean[view] - base - spot(found.x), (0, 0), sigma)
    beside = float(np.abs(left).max()) / (depth / 2)
    if depth < 0.015 or beside > _BESIDE or not 0.45 < sigma < 3.95:
        return None
    votes, tiles = _votes(seen, (x + cx - x0, y + cy - y0), depth, sigma)
    if votes < _VOTES or tiles < 2:
        return None
    # half of the cells that the median was taken of lie within 3.6 of the middle: it is dark too
    depth /= 1 - np.exp(-(3.6**2) / (2 * sigma**2))
    # a cell shows the mean over its px
    sigma_px = float(np.sqrt(max(sigma**2 - 1 / 12, 0.1))) * cell_px
    depth = min(0.95, float(depth) * (sigma * cell_px / sigma_px) ** 2)
    middle = [round((v + 0.5) * cell_px - 0.5, 1) for v in (x + cx, y + cy)]
    return Speck(middle[0], middle[1], round(sigma_px, 2), round(depth, 4), tiles)


def _votes(
    seen: Sequence[Image], middle: tuple[float, float], depth: float, sigma: float
) -> tuple[float, int]:
    """How much more likely the tiles are with the spot than without, and how many can tell.

    In each tile the spot's depth is measured by least squares, in shares of what the mean of all
    tiles says; how far that errs is told by what the fit leaves, and twice as much is reckoned
    with, since shapes of the die are no noise. The sum of squares by which 0 is worse than 1 is
    returned, that of a single tile at most 9, so that no tile alone, with a dark shape at that
    place, speaks for dust.
    """
    height, width = seen[0].shape
    gy, gx = np.mgrid[:height, :width].astype(float)
    r2 = (gx - middle[0]) ** 2 + (gy - middle[1]) ** 2
    around = r2 < (2.5 * sigma + 1) ** 2
    shape = np.log1p(-depth * np.exp(-r2[around] / (2 * sigma**2)))
    shape -= shape.mean()
    power = float((shape**2).sum())
    votes, tiles = 0.0, 0
    for plane in seen:
        values = plane[around] - plane[around].mean()
        share = float((values * shape).sum()) / power
        left = values - share * shape
        error = max(0.15, 2 * float(np.sqrt((left**2).sum() / (len(left) - 2) / power)))
        votes += min((share / error) ** 2, 9.0) - min(((share - 1) / error) ** 2, 9.0)
        tiles += error < 0.5
    return votes, tiles
