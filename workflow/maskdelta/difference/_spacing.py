"""Gaps that no mask has: the smallest spacing of a layer, and candidates that break it.

Designers keep the shapes of a layer apart by a smallest spacing, which the unchanged majority of
the die shows. Dirt knows no such rule: a speck inside a line would be a hole far smaller than any
gap of the layer. So a candidate whose every px lies in a gap narrower than the smallest spacing is
no change of the masks. The cost: a hole smaller than that, made by damage, is called doubtful too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._changes import group_regions
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._regions import Region, own_px
from maskdelta.images import Raster, blocks_of

__all__ = ["measure_spacing_px", "split_by_spacing"]

Mask = NDArray[np.bool_]
_SIDES_PX = (3, 5, 7, 9, 11, 13, 15)


def measure_spacing_px(
    membership: Raster,
    visible: Raster,
    plane: int,
    *,
    most_loss: float = 0.015,
    patches: int = 24,
    patch_px: int = 512,
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
    patches, patch_px : int
        Patches looked at, spread over the die, and their side.

    Returns
    -------
    int
        Odd, px, 15 at the most; 0 where even 3 px do not fit or nothing is free.
    """
    boxes = blocks_of(membership.shape, patch_px)
    free_px = 0
    lost_px = dict.fromkeys(_SIDES_PX, 0)
    for box in boxes[:: max(1, len(boxes) // patches)]:
        seen = visible.read(box, planes=[plane])[0] > 0
        present = membership.read(box, planes=[plane])[0] > 127
        free = seen & ~present
        rim = _SIDES_PX[-1]
        free[:rim] = free[-rim:] = free[:, :rim] = free[:, -rim:] = False
        free_px += int(free.sum())
        for side in _SIDES_PX:
            lost_px[side] += int((free & ~_opened(~present | ~seen, side)).sum())
    fitting = [side for side in _SIDES_PX if lost_px[side] <= most_loss * free_px]
    return max(fitting, default=0) if free_px else 0


def split_by_spacing(
    regions: Sequence[Region],
    raw: Raster,
    membership: Raster,
    planes: Sequence[int],
    spacing_px: Mapping[int, int],
    *,
    distance_px: float,
) -> tuple[list[Region], list[Region]]:
    """Split candidates into those that the masks allow and those in gaps too narrow.

    Pieces within `distance_px` of each other make one change; it is kept when any piece is.

    Parameters
    ----------
    regions : sequence of Region
    raw : Raster
        States of all compared layers.
    membership : Raster
        Of the die before, same frame.
    planes : sequence of int
        Plane of the membership for each compared layer.
    spacing_px : mapping of int to int
        Smallest spacing of each plane.
    distance_px : float

    Returns
    -------
    kept, narrow : lists of Region
    """
    kept: list[Region] = []
    narrow: list[Region] = []
    for group in group_regions(regions, distance_px=distance_px):
        fits = any(
            _narrow_share(region, raw, membership, planes[region.layer], spacing_px) <= 0.8
            for region in group
        )
        (kept if fits else narrow).extend(group)
    return kept, narrow


def _narrow_share(
    region: Region,
    raw: Raster,
    membership: Raster,
    plane: int,
    spacing_px: Mapping[int, int],
    *,
    halo_px: int = 16,
) -> float:
    """Share of a region that lies in a gap narrower than the spacing, when the layer is absent."""
    side = spacing_px[plane]
    if side < 3:
        return 0.0
    box = region.box.grown(halo_px)
    states = raw.read(box, planes=[region.layer])[0]
    own = np.pad(own_px(region, states[halo_px:-halo_px, halo_px:-halo_px]), halo_px)
    before = membership.read(box, planes=[plane])[0] > 127
    present = (before | (states == REMOVED)) & (states != ADDED)
    if region.sign == REMOVED:
        present = present & (states != REMOVED) | (states == ADDED)
    return float((own & ~_opened(~present | (states == NOT_COMPARABLE), side)).sum() / own.sum())


def _opened(mask: Mask, side_px: int) -> Mask:
    square = np.ones((side_px, side_px), np.uint8)
    return cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, square) > 0
