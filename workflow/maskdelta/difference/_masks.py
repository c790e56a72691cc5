"""Tolerant comparison of one layer in one block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ADDED", "NOT_COMPARABLE", "REMOVED", "SAME", "LayerBlock", "compare_layer"]

SAME, ADDED, REMOVED, NOT_COMPARABLE = 0, 1, 2, 255
_SMOOTH_PX = 1.0


@dataclass(frozen=True)
class LayerBlock:
    """One layer of one block, compared.

    Parameters
    ----------
    state : (H, W) uint8
        SAME, ADDED, REMOVED or NOT_COMPARABLE.
    core : (H, W) bool
        Changed px that no allowed displacement explains.
    """

    state: NDArray[np.uint8]
    core: NDArray[np.bool_]


def compare_layer(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    comparable: NDArray[np.bool_],
    radius_px: NDArray[np.float32],
    *,
    grow_px: float = 0.0,
) -> LayerBlock:
    """Compare the membership of one layer, tolerant to displacement.

    A px counts as changed when the layer is present there in one photograph and nowhere within
    the radius in the other. Such cores then take back what the tolerance took off their rim, so
    that the area of a change is not underestimated. A px that differs, and whose counterpart may
    lie within the radius under something that hides it, is not comparable; one that agrees is
    the same, however near to something hidden.

    Parameters
    ----------
    before, after : (H, W) uint8
        Membership 0..255, both in the frame of the die before.
    comparable : (H, W) bool
    radius_px : (H, W) float32
        Largest displacement that is no change.
    grow_px : float
        How much farther out the edges after lie (line-width bias); half is taken off each side.

    Returns
    -------
    LayerBlock
    """
    present_b = _present(before, grow_px / 2)
    present_a = _present(after, -grow_px / 2)
    seen = _eroded(comparable, radius_px)
    gained = present_a & comparable & ~_dilated(present_b, radius_px)
    lost = present_b & comparable & ~_dilated(present_a, radius_px)
    state = np.zeros(before.shape, np.uint8)
    state[~comparable | (gained | lost) & ~seen] = NOT_COMPARABLE
    state[_regrown(gained & seen, present_a & ~present_b & comparable, radius_px)] = ADDED
    state[_regrown(lost & seen, present_b & ~present_a & comparable, radius_px)] = REMOVED
    return LayerBlock(state, (gained | lost) & seen)


def _present(membership: NDArray[np.uint8], grow_px: float) -> NDArray[np.bool_]:
    """Membership above one half, with every edge moved outwards by `grow_px`.

    At a straight edge smoothed by sigma the value changes by 1 / (sigma sqrt(2 pi)) per px, so a
    displaced edge is a displaced threshold.
    """
    smooth = cv2.GaussianBlur(membership.astype(np.float32), (0, 0), _SMOOTH_PX)
    # 1.3 px: the smoothing here together with the softness the edge already has
    step = np.clip(grow_px, -1.0, 1.0) / (1.3 * np.sqrt(2 * np.pi))
    return smooth > 255 * (0.5 - step)


def _by_radius(
    mask: NDArray[np.bool_], radius_px: NDArray[np.float32], operate: Any
) -> NDArray[np.bool_]:
    """Apply a morphological operation whose radius varies from place to place."""
    whole = np.ceil(radius_px).astype(np.uint8)
    levels = np.flatnonzero(np.bincount(whole.ravel()))
    out = np.zeros(mask.shape, bool)
    source = mask.astype(np.uint8)
    for level in levels:
        size = 2 * int(level) + 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        done = operate(source, disc) > 0
        out |= done if len(levels) == 1 else done & (whole == level)
    return out


def _dilated(mask: NDArray[np.bool_], radius_px: NDArray[np.float32]) -> NDArray[np.bool_]:
    return _by_radius(mask, radius_px, cv2.dilate)


def _eroded(mask: NDArray[np.bool_], radius_px: NDArray[np.float32]) -> NDArray[np.bool_]:
    return _by_radius(mask, radius_px, cv2.erode)


def _regrown(
    core: NDArray[np.bool_], difference: NDArray[np.bool_], radius_px: NDArray[np.float32]
) -> NDArray[np.bool_]:
    if not core.any():
        return core
    return difference & _dilated(core, radius_px + 1)
