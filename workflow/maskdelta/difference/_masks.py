"""Tolerant comparison of one layer in one block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ADDED", "NOT_COMPARABLE", "REMOVED", "SAME", "LayerBlock", "Reach", "compare_layer"]

SAME, ADDED, REMOVED, NOT_COMPARABLE = 0, 1, 2, 255
_SMOOTH_PX = 1.0
_SOFT_PX = 0.5
"""How soft edges of the membership are, since they are placed with that error."""


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


class Reach:
    """Tolerance that varies from place to place, for morphology: a disc of its own for each level.

    Parameters
    ----------
    radius_px : (H, W) float32
        Rounded up to whole px.
    """

    def __init__(self, radius_px: NDArray[np.float32]) -> None:
        whole = np.ceil(radius_px).astype(np.uint8)
        self._levels = [
            (level, (whole == level).view(np.uint8))
            for level in np.flatnonzero(np.bincount(whole.ravel())).tolist()
        ]

    def dilated(self, mask: NDArray[np.bool_], *, more_px: int = 0) -> NDArray[np.bool_]:
        """(H, W), True within the tolerance, and `more_px`, of the mask."""
        return self._apply(mask, cv2.dilate, more_px)

    def eroded(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(H, W), True where all within the tolerance lies in the mask."""
        return self._apply(mask, cv2.erode, 0)

    def regrown(self, core: NDArray[np.bool_], difference: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """The part of a difference that lies up to one px beyond the tolerance from its core."""
        if not core.any():
            return core
        return difference & self.dilated(core, more_px=1)

    def _apply(self, mask: NDArray[np.bool_], operate: Any, more_px: int) -> NDArray[np.bool_]:
        source = mask.view(np.uint8)
        out = np.zeros(mask.shape, np.uint8)
        for level, here in self._levels:
            size = 2 * (level + more_px) + 1
            disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
            out |= operate(source, disc) & here
        return out.view(bool)


def compare_layer(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    comparable: NDArray[np.bool_],
    reach: Reach,
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
    reach : Reach
        Largest displacement that is no change.
    grow_px : float
        How much farther out the edges after lie (line-width bias); half is taken off each side.

    Returns
    -------
    LayerBlock
    """
    present_b = _present(before, grow_px / 2)
    present_a = _present(after, -grow_px / 2)
    gained = present_a & comparable & ~reach.dilated(present_b)
    lost = present_b & comparable & ~reach.dilated(present_a)
    state = np.where(comparable, np.uint8(SAME), np.uint8(NOT_COMPARABLE))
    core = gained | lost
    if not core.any():
        return LayerBlock(state, core)
    seen = reach.eroded(comparable)
    state[core & ~seen] = NOT_COMPARABLE
    state[reach.regrown(gained & seen, present_a & ~present_b & comparable)] = ADDED
    state[reach.regrown(lost & seen, present_b & ~present_a & comparable)] = REMOVED
    return LayerBlock(state, core & seen)


def _present(membership: NDArray[np.uint8], grow_px: float) -> NDArray[np.bool_]:
    """Membership above one half, with every edge moved outwards by `grow_px`.

    Smoothing alone would draw what is convex in: a disc of 4 px by a fifth of a px. Twice the
    smoothed less what is smoothed twice has no second moment, and leaves such outlines in place. At
    a straight edge its value changes by so much per px; a displaced edge is a displaced threshold.
    """
    once = cv2.GaussianBlur(membership.astype(np.float32), (0, 0), _SMOOTH_PX)
    twice = cv2.GaussianBlur(once, (0, 0), _SMOOTH_PX)
    widths = np.hypot(_SMOOTH_PX * np.sqrt([1, 2]), _SOFT_PX)
    slope = (2 / widths[0] - 1 / widths[1]) / np.sqrt(2 * np.pi)
    smooth = 2 * once - twice
    step = np.clip(grow_px, -1.0, 1.0) * slope
    return smooth > 255 * (0.5 - step)
