"""From the stacks of a block to its layers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._rules import (
    MOST_COST,
    NO_BORDER,
    NOT_PHOTOGRAPHED,
    UNKNOWN,
    LayerRules,
    strips_of,
)

__all__ = ["BlockLabels", "layers_of", "nothing_photographed"]

_BRIDGE_PX = 31


@dataclass(frozen=True)
class BlockLabels:
    """What one block shows.

    Parameters
    ----------
    label : (H, W) uint8
        Index of the stack, or one of UNKNOWN, SPOILED, NOT_PHOTOGRAPHED.
    confidence : (H, W) uint8
        Probability of that stack among those that border here, 0..255.
    membership, visible, inferred : (L, H, W) uint8
        Per layer: probability of presence 0..255; 255 where presence can be seen at all; 255
        where the layer is continued under something that hides it.
    """

    label: NDArray[np.uint8]
    confidence: NDArray[np.uint8]
    membership: NDArray[np.uint8]
    visible: NDArray[np.uint8]
    inferred: NDArray[np.uint8]


def layers_of(
    label: NDArray[np.uint8], cost: NDArray[np.uint8], rules: LayerRules, *, rim_px: int
) -> BlockLabels:
    """Layers of a block without its rim.

    Parameters
    ----------
    label : (H, W) uint8
    cost : (K, H, W) uint8
        Of each stack, tenths of a log unit, 255 where it does not border.
    rules : LayerRules
    rim_px : int
        How much is cut off on every side, 32 or more: what is hidden is continued from there.
    """
    rest = rim_px - _BRIDGE_PX
    label, cost = label[rest:-rest, rest:-rest], cost[:, rest:-rest, rest:-rest]
    chosen, membership = _probabilities(cost, label, rules)
    visible = _visible(label, rules)
    inferred = _inferred((membership > 127) & (visible > 0), visible, label)
    inner = slice(_BRIDGE_PX, -_BRIDGE_PX)
    return BlockLabels(
        label[inner, inner],
        chosen[inner, inner],
        membership[:, inner, inner],
        visible[:, inner, inner],
        inferred[:, inner, inner],
    )


def nothing_photographed(shape: tuple[int, ...], rules: LayerRules) -> BlockLabels:
    """Layers of a block that no tile shows."""
    planes = np.zeros((len(rules.layers), *shape), np.uint8)
    label = np.full(shape, NOT_PHOTOGRAPHED, np.uint8)
    return BlockLabels(label, np.zeros(shape, np.uint8), planes, planes, planes)


def _probabilities(
    cost: NDArray[np.uint8], label: NDArray[np.uint8], rules: LayerRules
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Probability of the chosen stack, and of each layer's presence, 0..255."""
    decay = np.exp(-0.1 * np.arange(256)).astype(np.float32)
    decay[NO_BORDER - MOST_COST :] = 0  # what does not border
    chosen = np.empty(label.shape, np.uint8)
    membership = np.empty((len(rules.layers), *label.shape), np.uint8)
    for rows in strips_of(len(label)):
        best = cost[:, rows].min(0)
        weights = [cv2.LUT(cv2.subtract(plane[rows], best), decay) for plane in cost]
        scale = 255 / _sum(weights)
        scale[label[rows] >= UNKNOWN] = 0
        chosen[rows] = np.rint(scale)  # the likeliest stack has weight 1
        # halves go down: between two stacks as likely, the one not chosen is not there
        scale *= np.float32(1 - 1e-6)
        for layer, carrying in enumerate(rules.present.T):
            present = [weights[k] for k in np.flatnonzero(carrying)]
            if present:
                membership[layer, rows] = cv2.multiply(_sum(present), scale, dtype=cv2.CV_8U)
            else:
                membership[layer, rows] = 0
    return chosen, membership


def _sum(planes: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    total = planes[0].copy()
    for plane in planes[1:]:
        total += plane
    return total


def _visible(label: NDArray[np.uint8], rules: LayerRules) -> NDArray[np.uint8]:
    shows = np.zeros((len(rules.layers), 256), np.uint8)
    shows[:, : len(rules.stacks)] = np.where(rules.hidden.T, 0, 255)
    return np.stack([cv2.LUT(label, table) for table in shows])


def _inferred(
    present: NDArray[np.bool_],
    visible: NDArray[np.uint8],
    label: NDArray[np.uint8],
) -> NDArray[np.uint8]:
    """Continue a layer straight across what hides it, when it shows on both sides."""
    hidden = (visible == 0) & (label < UNKNOWN)
    out = np.zeros(present.shape, np.uint8)
    for layer in range(len(present)):
        if not hidden[layer].any():
            continue
        seen = present[layer].view(np.uint8)
        for shape in ((_BRIDGE_PX, 1), (1, _BRIDGE_PX)):
            bridged = cv2.morphologyEx(seen, cv2.MORPH_CLOSE, np.ones(shape, np.uint8))
            out[layer][(bridged > 0) & hidden[layer]] = 255
    return out
