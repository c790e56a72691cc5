"""How round corners are: measured at the right-angled corners of labelled outlines.

A fab leaves no sharp corner, and optics round it further. What is missing of a corner of radius r
is (1 - pi / 4) r^2; the part that a blur makes by itself is taken off.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import ndtr, ndtri

__all__ = ["missing_at_corners", "radius_px"]

Array = NDArray[np.float64]
_ARM_PX = 8  # a corner is looked for within this length of outline, its arms lie beyond
_OF_CIRCLE = 1 - np.pi / 4
_OF_BLUR, _ = quad(lambda t: ndtri(0.5 / ndtr(t)), 0, np.inf)
"""What the outline at half height of a blurred square corner misses, in squared sigmas."""


def missing_at_corners(mask: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Right-angled convex corners of a mask, and what each lacks of a sharp one.

    A corner lies where two straight arms of the outline, each 8 px long, meet at a right angle
    (within 10 degrees) with 16 px of outline between them, half of it on either side.

    Parameters
    ----------
    mask : (H, W) bool

    Returns
    -------
    where : (n, 2) float64
        x, y at which the arms would meet, px of the mask.
    missing_px2 : (n,) float64
        Area between the arms' lines and the outline; noise can make it negative, so that its
        median is right.
    """
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = [_of_outline(c[:, 0].astype(float)) for c in contours if len(c) >= 6 * _ARM_PX]
    where, missing = zip(*found, strict=True) if found else ([np.zeros((0, 2))], [np.zeros(0)])
    return np.concatenate(where), np.concatenate(missing)


def radius_px(
    missing_px2: Array, sigma_px: float, otherwise_px: float, *, least: int = 10
) -> float:
    """Radius of a die's corners beyond what a blur explains.

    Parameters
    ----------
    missing_px2 : (n,) float64
        As `missing_at_corners` gives it.
    sigma_px : float
        Softness of the picture as it was labelled.
    otherwise_px : float
        Given where fewer than `least` corners were seen.
    least : int
    """
    if len(missing_px2) < least:
        return otherwise_px
    left = float(np.median(missing_px2)) - _OF_BLUR * sigma_px**2
    return float(np.sqrt(max(left, 0.0) / _OF_CIRCLE))


def _of_outline(points: Array) -> tuple[Array, Array]:
    """Corners of one closed outline of (n, 2) px."""
    # an outline of px centres runs along each edge at the same depth: corners keep their shape
    n = _ARM_PX
    at = np.arange(len(points))

    def take(first: int, last: int) -> Array:
        return points[(at[:, None] + np.arange(first, last)) % len(points)]

    arms = [take(-2 * n, -n), take(n, 2 * n)]
    middles = [arm.mean(1) for arm in arms]
    ways = [arm[:, n // 2 :].mean(1) - arm[:, : n // 2].mean(1) for arm in arms]
    lengths = [np.hypot(*way.T) for way in ways]
    straight = np.minimum(*lengths) > 0.45 * n
    units = [way / np.maximum(np.hypot(*way.T), 1e-9)[:, None] for way in ways]
    turn = _cross(units[0], units[1])
    # outer outlines of OpenCV run counter-clockwise as seen, y down: a negative turn is convex
    right = straight & (turn < -np.cos(np.deg2rad(10)))
    across = middles[1] - middles[0]
    along = _cross(across, units[1]) / np.where(right, turn, -1.0)
    meeting = middles[0] + along[:, None] * units[0]
    between = take(-n, n + 1)
    near, far = (np.hypot(*(meeting - between[:, k]).T) for k in (0, -1))
    right &= np.abs(near - far) < 1.0
    ring = np.concatenate([meeting[:, None], between], 1)[right]
    following = np.roll(ring, -1, 1)
    area = _cross(ring, following).sum(1) / 2
    # several px of one corner: the one halfway between the arms stands for all
    keep = _first_of_runs(np.flatnonzero(right), np.abs(near - far)[right], len(points))
    return meeting[right][keep], area[keep]


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _first_of_runs(at: NDArray[np.intp], off: Array, length: int) -> NDArray[np.intp]:
    """Of px that follow one another along an outline, the one with the least `off`."""
    if not len(at):
        return at
    run = np.cumsum(np.diff(at, prepend=at[0]) > _ARM_PX)
    if at[0] + length - at[-1] <= _ARM_PX:
        run[run == run[-1]] = 0
    order = np.lexsort((off, run))
    return np.asarray(order[np.unique(run[order], return_index=True)[1]])
