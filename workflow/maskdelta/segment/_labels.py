"""From colours to stacks and layers, one block at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._colour_model import ColourTable
from maskdelta.study import Stack

__all__ = ["NOT_PHOTOGRAPHED", "SPOILED", "UNKNOWN", "BlockLabels", "LayerRules", "label_block"]

NOT_PHOTOGRAPHED, SPOILED, UNKNOWN = 255, 254, 253


@dataclass(frozen=True)
class LayerRules:
    """Which stack shows and hides which layer.

    Parameters
    ----------
    stacks : tuple of str
    layers : tuple of str
    present : (K, L) bool
    hidden : (K, L) bool
    spoils : (K,) bool
    """

    stacks: tuple[str, ...]
    layers: tuple[str, ...]
    present: NDArray[np.bool_]
    hidden: NDArray[np.bool_]
    spoils: NDArray[np.bool_]

    @classmethod
    def of(
        cls, stacks: Sequence[str], layers: Sequence[str], meaning: Mapping[str, Stack]
    ) -> LayerRules:
        """Rules for the stacks that have swatches."""

        def table(attribute: str) -> NDArray[np.bool_]:
            rows = [
                [layer in getattr(meaning[stack], attribute) for layer in layers]
                for stack in stacks
            ]
            return np.array(rows, bool).reshape(len(stacks), len(layers))

        spoils = np.array([meaning[stack].spoils for stack in stacks], bool)
        return cls(tuple(stacks), tuple(layers), table("layers"), table("hides"), spoils)


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


def label_block(
    colour: NDArray[np.float32],
    covered: NDArray[np.bool_],
    table: ColourTable,
    rules: LayerRules,
    *,
    edge_px: int,
    debris_px: float,
) -> BlockLabels:
    """Label one block; its rim of about 4 times `edge_px` should be a halo that is cut off later.

    A blend of two stacks at an edge often has the colour of a third one, and outlines are darker
    than either side. Therefore only patches that survive an erosion are trusted, and each px
    between them takes the likeliest of the stacks that border within `edge_px`.

    Parameters
    ----------
    colour : (H, W, 3) float32
        Smoothed and freed from drift, 0..255.
    covered : (H, W) bool
    table : ColourTable
    rules : LayerRules
        Stacks in the order of the table.
    edge_px : int
    debris_px : float

    Returns
    -------
    BlockLabels
    """
    index = table.index(colour)
    doubt = np.moveaxis(np.take(table.doubt, index, axis=0), -1, 0)
    unknown = np.take(table.unknown, index).astype(np.uint8)
    first = doubt.argmin(0).astype(np.uint8)
    spoiled = _wide(unknown, debris_px)
    cost = _bordering_cost(first, doubt, unknown, covered, edge_px)
    label = cost.argmin(0).astype(np.uint8)
    best = cost.min(0)
    weight = np.exp(-0.1 * (cost - best[None])) * (cost < 250)
    total = np.maximum(weight.sum(0), 1e-6)
    chosen = np.take_along_axis(weight, label[None].astype(np.int64), 0)[0] / total
    nothing = best >= 250
    spoils = rules.spoils[np.minimum(label, len(rules.stacks) - 1)]
    label[nothing] = UNKNOWN
    label[spoiled.astype(bool) | (spoils & ~nothing)] = SPOILED
    label[~covered] = NOT_PHOTOGRAPHED
    chosen[label >= UNKNOWN] = 0
    membership = np.tensordot(rules.present.T.astype(np.float32), weight / total, axes=1)
    membership[:, label >= UNKNOWN] = 0
    visible = _visible(label, rules)
    present = (membership > 0.5) & (visible > 0)
    return BlockLabels(
        label,
        np.rint(255 * chosen).astype(np.uint8),
        np.rint(255 * membership).astype(np.uint8),
        visible,
        _inferred(present, visible, label),
    )


def _wide(mask: NDArray[np.uint8], width_px: float) -> NDArray[np.uint8]:
    """Parts of a mask at least `width_px` wide, grown by 2 px for their rim."""
    size = max(1, round(width_px))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    # close pinholes first: debris is never one even colour
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    return cv2.dilate(cv2.morphologyEx(closed, cv2.MORPH_OPEN, disc), rim)


def _bordering_cost(
    first: NDArray[np.uint8],
    doubt: NDArray[np.uint8],
    unknown: NDArray[np.uint8],
    covered: NDArray[np.bool_],
    edge_px: int,
) -> NDArray[np.float32]:
    """Cost of each stack at each px, tenths of a log unit; 255 where it does not border."""
    cost = np.full(doubt.shape, 255, np.float32)
    trusted = covered & (unknown == 0)
    cross = cv2.getStructuringElement(cv2.MORPH_RECT, (3, 3))
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * edge_px + 3, 2 * edge_px + 3))
    for k in range(len(doubt)):
        seed = cv2.erode(((first == k) & trusted).astype(np.uint8), cross)
        near = cv2.dilate(seed, reach).astype(bool)
        # 6 log units at the most: an outline's odd colour must not veto both sides
        cost[k][near] = np.minimum(doubt[k][near], 60)
    return cost


def _visible(label: NDArray[np.uint8], rules: LayerRules) -> NDArray[np.uint8]:
    shows = np.zeros((256, len(rules.layers)), np.uint8)
    shows[: len(rules.stacks)] = np.where(rules.hidden, 0, 255)
    return np.moveaxis(shows[label], -1, 0)


def _inferred(
    present: NDArray[np.bool_],
    visible: NDArray[np.uint8],
    label: NDArray[np.uint8],
    *,
    reach_px: int = 31,
) -> NDArray[np.uint8]:
    """Continue a layer straight across what hides it, when it shows on both sides."""
    hidden = (visible == 0) & (label < UNKNOWN)
    out = np.zeros(present.shape, np.uint8)
    for layer in range(len(present)):
        if not hidden[layer].any():
            continue
        seen = present[layer].astype(np.uint8)
        for shape in ((reach_px, 1), (1, reach_px)):
            bridged = cv2.morphologyEx(seen, cv2.MORPH_CLOSE, np.ones(shape, np.uint8))
            out[layer][(bridged > 0) & hidden[layer]] = 255
    return out
