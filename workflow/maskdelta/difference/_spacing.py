"""Gaps that no mask has: the smallest spacing of a layer, and candidates that break it.

Designers keep the shapes of a layer apart by a smallest spacing, which the unchanged majority of
the die shows. Dirt knows no such rule: a speck inside a line would be a hole far smaller than any
gap of the layer. So a candidate whose every px lies in a gap narrower than the smallest spacing is
no change of the masks. The cost: a hole smaller than that, made by damage, is called doubtful too.
The same holds of the smallest width: what is smaller than a square of it is no shape.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.images import Raster, blocks_of

__all__ = ["measure_spacing_px", "measure_width_px", "narrow_share"]

Mask = NDArray[np.bool_]
_SIDES_PX = (3, 5, 7, 9, 11, 13, 15)
_PATCHES, _PATCH_PX = 24, 512  # looked at, spread over the die, and their side


def measure_spacing_px(
    membership: Raster, visible: Raster, plane: int, *, most_loss: float = 0.015
) -> int:
    """Side of the largest square that fits into nearly all gaps of a layer.

    Parameters
    ----------
    membership, visible : Raster
        Of one die.
    plane : int
    most_loss : float
        Share of the free area that may lie in narrower gaps: corners, slips of the segmentation,
        and the odd place that breaks the rule.

    Returns
    -------
    int
        Odd, px, 15 at the most; 0 where even 3 px do not fit or nothing is free.
    """
    return _largest_fitting(membership, visible, plane, most_loss, np.logical_not)


def measure_width_px(
    membership: Raster, visible: Raster, plane: int, *, most_loss: float = 0.1
) -> int:
    """Side of the largest square that fits into nearly all shapes of a layer.

    As `measure_spacing_px`; more may be lost, since outlines are ragged on both sides of a line.
    """
    return _largest_fitting(membership, visible, plane, most_loss, np.asarray)


def _largest_fitting(
    membership: Raster,
    visible: Raster,
    plane: int,
    most_loss: float,
    wanted: Callable[[Mask], Mask],
) -> int:
    """Side of the largest square that fits into what is wanted; it may go on where hidden."""
    boxes = blocks_of(membership.shape, _PATCH_PX)
    seen_px = 0
    lost_px = dict.fromkeys(_SIDES_PX, 0)
    for box in boxes[:: max(1, len(boxes) // _PATCHES)]:
        seen = visible.read(box, planes=[plane])[0] > 0
        there = wanted(membership.read(box, planes=[plane])[0] > 127)
        counted = seen & there
        rim = _SIDES_PX[-1]
        counted[:rim] = counted[-rim:] = counted[:, :rim] = counted[:, -rim:] = False
        seen_px += int(counted.sum())
        for side in _SIDES_PX:
            lost_px[side] += int((counted & ~_opened(there | ~seen, side)).sum())
    fitting = [side for side in _SIDES_PX if lost_px[side] <= most_loss * seen_px]
    return max(fitting, default=0) if seen_px else 0


def narrow_share(
    own: Mask, sign: int, states: NDArray[np.uint8], before: Mask, *, side_px: int
) -> float:
    """Share of a candidate that lies in a gap narrower than the spacing, when the layer is absent.

    Parameters
    ----------
    own : (H, W) bool
        Px of the candidate, with a margin of `side_px` on all sides.
    sign : int
        ADDED or REMOVED.
    states : (H, W) uint8
        Of its layer; what is not comparable may be free.
    before : (H, W) bool
        Where the layer is present before.
    side_px : int
        Smallest spacing; below 3 nothing is narrow.
    """
    if side_px < 3:
        return 0.0
    present = (before | (states == REMOVED)) & (states != ADDED)
    if sign == REMOVED:
        present = present & (states != REMOVED) | (states == ADDED)
        # corners of what went are too faint to count as removed, and no shapes that bound a gap
        present = _opened(present, 3)
    return float((own & ~_opened(~present | (states == NOT_COMPARABLE), side_px)).sum() / own.sum())


def _opened(mask: Mask, side_px: int) -> Mask:
    square = np.ones((side_px, side_px), np.uint8)
    return cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, square) > 0
