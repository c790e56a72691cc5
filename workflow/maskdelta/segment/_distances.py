"""Distances to the nearest px of each stack, many at a time.

The chamfer distance of Borgefors (1986) with the weights 0.955 and 1.3693, in two passes over
16-bit integers. OpenCV has the same in floats, for one mask at a time, which takes four times as
long; what lies beyond 32 px is of no interest here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._rules import EIGHTHS

__all__ = ["closed", "distance_to", "distances_to", "opened"]

# units of a px, and of steps along the axes and the diagonals: with these, eighths of a px come
# out as they do with the exact weights
_UNITS = 1400
_STRAIGHT, _DIAGONAL = 1337, 1917
_FAR = 32 * _UNITS
# columns worked on at a time, so that both passes stay in the cache
_STRIP_PX = 512
_REACH_PX = 35


def distances_to(stacks: NDArray[np.uint8], count: int) -> NDArray[np.uint8]:
    """Distance from each px to the nearest one of each stack.

    Parameters
    ----------
    stacks : (H, W) uint8
        Numbers of stacks; those from `count` on are none.
    count : int

    Returns
    -------
    (count, H, W) uint8
        Eighths of a px, at most 255.
    """
    out = np.empty((count, *stacks.shape), np.uint8)
    stacks = np.ascontiguousarray(stacks)
    for k in range(count):
        _chamfer(stacks, np.uint8(k), out[k])
    return out


def distance_to(mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """(H, W) distance in eighths of a px to the nearest px that is set, at most 255."""
    out = np.empty(mask.shape, np.uint8)
    _chamfer(np.ascontiguousarray(mask).view(np.uint8), np.uint8(1), out)
    return out


def closed(mask: NDArray[np.bool_], reach_px: int) -> NDArray[np.bool_]:
    """Bridge gaps of up to twice `reach_px`, at most 31 (closing by a disc)."""
    grown = distance_to(mask) <= EIGHTHS * reach_px
    return distance_to(~grown) > EIGHTHS * reach_px


def opened(mask: NDArray[np.bool_], reach_px: int) -> NDArray[np.bool_]:
    """Drop what is nowhere as wide as twice `reach_px`, at most 31 (opening by a disc)."""
    core = distance_to(~mask) > EIGHTHS * reach_px
    return distance_to(core) <= EIGHTHS * reach_px


@compiled
def _chamfer(values: NDArray[np.uint8], wanted: np.uint8, out: NDArray[np.uint8]) -> None:
    """Write eighths of a px to the nearest px of the value `wanted` into `out`."""
    height, width = values.shape
    for x0 in range(0, width, _STRIP_PX):
        x1 = min(x0 + _STRIP_PX, width)
        left, right = max(x0 - _REACH_PX, 0), min(x1 + _REACH_PX, width)
        # a column more on either side, at which nothing is
        units = np.full((height + 2, right - left + 2), _FAR, np.uint16)
        last = -_REACH_PX
        for y in range(height):
            if _mark(values[y, left:right], wanted, units[y + 1, 1:-1]):
                last = y
            if y - last < _REACH_PX:
                _from_row(units[y], units[y + 1])
                _from_left(units[y + 1])
        last = height + _REACH_PX
        for y in range(height - 1, -1, -1):
            if _any_near(units[y + 1]):
                last = y
            if last - y < _REACH_PX:
                _from_row(units[y + 2], units[y + 1])
                _from_left(units[y + 1, ::-1])
            _in_eighths(units[y + 1, x0 - left + 1 : x1 - left + 1], out[y, x0:x1])


# each loop runs over the whole of its own rows, so that it becomes one of vectors


@compiled
def _mark(values: NDArray[np.uint8], wanted: np.uint8, units: NDArray[np.uint16]) -> bool:
    """Set the distance 0 where a value is the one wanted; whether there is any."""
    found = 0
    for x in range(len(values)):
        found += values[x] == wanted
    if found:
        for x in range(len(values)):
            units[x] = 0 if values[x] == wanted else _FAR
    return found > 0


@compiled
def _any_near(units: NDArray[np.uint16]) -> bool:
    found = 0
    for x in range(len(units)):
        found += units[x] != _FAR
    return found > 0


@compiled
def _from_row(other: NDArray[np.uint16], units: NDArray[np.uint16]) -> None:
    """Distances that come from the row beside."""
    for x in range(1, len(units) - 1):
        straight = other[x] + _STRAIGHT
        across = min(other[x - 1], other[x + 1]) + _DIAGONAL
        units[x] = min(units[x], min(straight, across))


@compiled
def _from_left(units: NDArray[np.uint16]) -> None:
    """Distances that come along the row."""
    nearest = units[0]
    for x in range(1, len(units) - 1):
        nearest = min(nearest + _STRAIGHT, units[x])
        units[x] = nearest


@compiled
def _in_eighths(units: NDArray[np.uint16], out: NDArray[np.uint8]) -> None:
    for x in range(len(out)):
        out[x] = min(units[x] // (_UNITS // 8), 255)
