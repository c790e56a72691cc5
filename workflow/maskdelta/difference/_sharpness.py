"""A look at the outlines of candidates: those that a mask draws are as sharp as all the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._pairs import PatchPair, smoothed
from maskdelta.images import colour_slope

__all__ = ["OutlineSharpness", "inner_outline", "learn_outlines", "slopes"]

_NEAR = np.ones((5, 5), np.uint8)  # within 2 px
_RIM_PX = 6
_LEAST_PX = 200


@dataclass(frozen=True)
class OutlineSharpness:
    """How steep the outlines of each layer are where nothing changed, in either photograph.

    Everything that a mask draws is imaged by the same objective. Dirt lies above the focal plane,
    or thins out towards its rim, and has softer outlines, however much its colour is that of a
    layer.

    Parameters
    ----------
    steepness : (L, 2) float64
        Slope that all but a twentieth of a layer's unchanged outline reaches, before and after,
        levels per px; 0 where too few outlines were seen.
    """

    steepness: NDArray[np.float64]

    def soft(
        self,
        layer: int,
        before: NDArray[np.float32],
        after: NDArray[np.float32],
        least_frac: float,
    ) -> NDArray[np.bool_]:
        """(H, W), True where neither photograph has an edge that would do for a layer's outline.

        Parameters
        ----------
        layer : int
        before, after : (H, W) float32
            As `slopes` gives them.
        least_frac : float
            Share of `steepness` that is sharp enough.
        """
        first, second = least_frac * self.steepness[layer]
        return (before < first) & (after < second)


def slopes(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(H, W), the steepest colour gradient within 2 px, levels per px, of an (H, W, 3) picture."""
    return cv2.dilate(colour_slope(smoothed(image)), _NEAR)


def learn_outlines(
    pairs: Iterable[PatchPair], planes: Sequence[int], *, low_percent: float = 5.0
) -> OutlineSharpness:
    """Learn from patches spread over two dies.

    Parameters
    ----------
    pairs : iterable of PatchPair
    planes : sequence of int
        Of the layers in the patches' membership.
    low_percent : float
        Percentile of the slopes that counts as the least steepness.

    Returns
    -------
    OutlineSharpness
    """
    found: list[list[NDArray[np.float32]]] = [[] for _ in planes]
    inner = (slice(_RIM_PX, -_RIM_PX), slice(_RIM_PX, -_RIM_PX))
    for pair in pairs:
        steep = np.stack([slopes(pair.before), slopes(pair.after)], -1)
        for rows, plane in zip(found, planes, strict=True):
            outline = inner_outline(pair.member_before[plane] > 127) & pair.seen
            other = inner_outline(pair.member_after[plane] > 127).astype(np.uint8)
            kept = outline & (cv2.dilate(other, _NEAR) > 0)
            rows.append(steep[inner][kept[inner]])
    steepness = np.zeros((len(planes), 2))
    for k, rows in enumerate(found):
        both = np.concatenate([np.zeros((0, 2), np.float32), *rows])
        if len(both) >= _LEAST_PX:
            steepness[k] = np.percentile(both, low_percent, axis=0)
    return OutlineSharpness(steepness)


def inner_outline(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(H, W), the px of a mask that have a neighbour outside it."""
    return mask & (cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
