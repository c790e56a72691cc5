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
from scipy.stats import trim_mean
from skimage.measure import find_contours

__all__ = ["missing_at_corners", "radius_px"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
_ARM_PX = 8  # a corner is looked for within this length of outline either way, its arms lie beyond
_SMOOTH_PX = 1.0  # takes the steps of px off an outline
_OFF_AXIS = np.sin(np.deg2rad(15))
_OF_CIRCLE = 1 - np.pi / 4
_OF_BLUR, _ = quad(lambda t: ndtri(0.5 / ndtr(t)), 0, np.inf)
"""What the outline at half height of a blurred square corner misses, in squared sigmas."""


def missing_at_corners(mask: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Right-angled convex corners of a mask, and what each lacks of a sharp one.

    A corner lies where two straight arms of the outline, each 8 px long and along one of the two
    axes of the outlines, meet with 16 px of outline between them, half of it on either side.

    Parameters
    ----------
    mask : (H, W) bool

    Returns
    -------
    where : (n, 2) float64
        x, y at which the arms would meet, px of the mask.
    missing_px2 : (n,) float64
        Area between the arms' lines and the outline; noise can make it negative, so that its
        mean is right.
    """
    smooth = cv2.GaussianBlur(np.pad(mask, 4).astype(np.float32), (0, 0), _SMOOTH_PX)
    outlines = [
        _evenly(line[:, ::-1] @ [1, 1j] - (4 + 4j))
        for line in find_contours(smooth, 0.5, positive_orientation="high")
    ]
    outlines = [line for line in outlines if len(line) >= 6 * _ARM_PX]
    steps = [np.roll(line, -_ARM_PX) - line for line in outlines]
    axis = np.angle(sum(((step / _ARM_PX) ** 4).sum() for step in steps)) / 4
    turn = np.exp(-1j * axis)
    found = [_of_outline(line * turn) for line in outlines]
    where = np.concatenate([np.zeros(0, complex), *(at for at, _ in found)]) / turn
    missing = np.concatenate([np.zeros(0), *(area for _, area in found)])
    return np.column_stack([where.real, where.imag]), missing


def radius_px(
    missing_px2: Array, sigma_px: float, otherwise_px: float, *, least: int = 20
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
        Corners that make a mean; that of their middle half, since some are no corners.
    """
    if len(missing_px2) < least:
        return otherwise_px
    usual = float(trim_mean(missing_px2, 0.25))
    left = usual - _OF_BLUR * (sigma_px**2 + _SMOOTH_PX**2)
    return float(np.sqrt(max(left, 0.0) / _OF_CIRCLE))


def _evenly(line: Complex) -> Complex:
    """A closed line with a point about every px."""
    along = np.append(0, np.cumsum(np.abs(np.diff(line))))
    return np.interp(np.arange(0, along[-1], along[-1] / max(round(along[-1]), 1)), along, line)


def _of_outline(line: Complex) -> tuple[Complex, Array]:
    """Corners of one closed outline, x + iy, turned so that edges run along x and y."""
    n = _ARM_PX
    # outlines run with the shape on their left as seen, y down: its corners turn by -90 deg
    around = line[(np.arange(len(line))[:, None] + np.arange(-2 * n, 2 * n + 1)) % len(line)]
    first, second = around[:, : n + 1], around[:, -n - 1 :]
    way, next_way = (arm[:, -1] - arm[:, 0] for arm in (first, second))
    quarter = np.rint(np.angle(way) / (np.pi / 2)) * (np.pi / 2)
    upright = np.exp(-1j * quarter)  # makes the first arm run along +x, the second along -y
    way, next_way, around = way * upright, next_way * upright * 1j, around * upright[:, None]
    straight = np.ones(len(line), bool)
    for step in (way, next_way):
        straight &= (step.real > 0.9 * n) & (np.abs(step.imag) < _OFF_AXIS * n)
    level = around[:, : n + 1].imag.mean(1)
    upto = around[:, -n - 1 :].real.mean(1)
    before, after = upto - around[:, n].real, level - around[:, -n - 1].imag
    right = straight & (np.abs(before - after) < 1.0)
    between = around[right, n:-n]
    meeting = upto[right] + 1j * level[right]
    # the outline from arm to arm, closed over the corner itself
    ends = between[:, 0].real + 1j * level[right]
    others = upto[right] + 1j * between[:, -1].imag
    ring = np.column_stack([ends, meeting, others, between[:, ::-1]])
    area = (ring.conj() * np.roll(ring, -1, 1)).imag.sum(1) / -2
    keep = _best_of_runs(np.flatnonzero(right), np.abs(before - after)[right], len(line))
    return (meeting / upright[right])[keep], area[keep]


def _best_of_runs(at: NDArray[np.intp], off: Array, length: int) -> NDArray[np.intp]:
    """Of px that follow one another along an outline, the one with the least `off`."""
    if not len(at):
        return at
    run = np.cumsum(np.diff(at, prepend=at[0]) > _ARM_PX)
    if at[0] + length - at[-1] <= _ARM_PX:
        run[run == run[-1]] = 0
    order = np.lexsort((off, run))
    return np.asarray(order[np.unique(run[order], return_index=True)[1]])
