"""What two photographs tell of one layer, made one."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Merged", "Told", "merge_halo_px", "merge_told"]

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Told:
    """What one photograph tells of one layer.

    Parameters
    ----------
    membership : (H, W) uint8
        Probability of presence, 0..255.
    told : (H, W) bool
        Where presence or absence can be seen.
    confidence : (H, W) uint8
        Probability of the label, 0..255.
    """

    membership: NDArray[np.uint8]
    told: Mask
    confidence: NDArray[np.uint8]

    @property
    def present(self) -> Mask:
        """(H, W), where the layer is seen."""
        return self.told & (self.membership > 127)


@dataclass(frozen=True)
class Merged:
    """What two photographs tell together.

    Parameters
    ----------
    both : Told
    second : (H, W) bool
        What was taken from the second.
    at_odds : (H, W) bool
        Where one sees the layer and the other sees that it is not there; nothing is told there.
    """

    both: Told
    second: Mask
    at_odds: Mask


def merge_halo_px(reach_px: int) -> int:
    """How far beyond a block `merge_told` must see."""
    return 2 * reach_px


def merge_told(first: Told, second: Told, *, reach_px: int) -> Merged:
    """Take each px of a layer from the photograph that shows it.

    Where both show the layer, the first counts near its outlines, since the second was resampled
    and lies a little off, and the more confident one elsewhere. Where they contradict each other
    farther than `reach_px` from where an outline of the other lies, neither is believed: dirt,
    damage by the stripping, or a mistake of the segmentation cannot be told from one another.

    Parameters
    ----------
    first, second : Told
        In one frame.
    reach_px : int
        How far apart their outlines may lie and still be the same; a square of this half side.

    Returns
    -------
    Merged
        `merge_halo_px` at the border are not to be relied on.
    """
    overlap = first.told & second.told
    at_odds = _contradiction(first, second, overlap, reach_px)
    inner = overlap & ~_near_outline(first.present, reach_px)
    inner &= ~_near_outline(second.present, reach_px)
    surer = inner & (second.confidence > first.confidence)
    taken = (second.told & ~first.told) | surer
    told = (first.told | second.told) & ~at_odds
    confidence = np.where(taken, second.confidence, first.confidence)
    confidence[at_odds] = 0
    membership = np.where(taken, second.membership, first.membership)
    return Merged(Told(membership, told, confidence), taken & ~at_odds, at_odds)


def _contradiction(first: Told, second: Told, overlap: Mask, reach_px: int) -> Mask:
    """(H, W), where presence in one has no counterpart within reach in the other, nor absence."""
    out = np.zeros(overlap.shape, bool)
    if not overlap.any():
        return out
    for one, other in ((first, second), (second, first)):
        # what is not told may be either
        out |= one.present & ~_grown(other.present | ~other.told, reach_px)
        out |= one.told & ~one.present & ~_grown(~other.present, reach_px)
    out &= overlap
    if not out.any():
        return out
    return _grown(out, reach_px) & overlap & (first.present != second.present)


def _near_outline(mask: Mask, reach_px: int) -> Mask:
    return _grown(mask, reach_px) & _grown(~mask, reach_px)


def _grown(mask: Mask, reach_px: int) -> Mask:
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    return cv2.dilate(mask.view(np.uint8), square) > 0
