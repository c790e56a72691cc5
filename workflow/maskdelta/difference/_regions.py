"""Connected regions of a block-wise mask, joined exactly over block borders."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import scipy.ndimage
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from maskdelta.errors import MaskdeltaError
from maskdelta.images import Box

__all__ = [
    "VETOES",
    "BlockRegions",
    "Region",
    "join_regions",
    "label_mask",
    "measure_block",
    "own_px",
]

_SUMS = 14
VETOES = (
    "near debris",
    "soft outline",
    "narrow gap",
    "oblique edges",
    "rim of a dot",
    "odd ground",
    "unlike a dot",
    "unlike other shapes",
    "over what hides it",
    "smaller than any shape",
    "along a seam",
)


@dataclass(frozen=True)
class Region:
    """One connected region of one layer and sign.

    Parameters
    ----------
    layer : int
    sign : int
        1 added, 2 removed.
    parts : tuple of (block, label)
        The pieces it consists of.
    area_px, core_px : int
    x, y : float
        Centroid.
    box : Box
    for_before, for_after : float
        Mean log-odds of presence in the two photographs, over the core without its rim, where it
        has more than a rim: there it is the place of the edge that is in doubt.
    affinity : float
        Mean affinity of the two photographs' colours, over the px of the core that are sure in
        both; negative for a change. Blends at its rim would make a change look usual.
    near_spoiled : float
        Share of the core that lies close to debris or damage in either photograph.
    soft_outline : float
        Share of the outline that is sharp in neither photograph.
    doubt : str
        Why it is not listed; empty when it is.
    """

    layer: int
    sign: int
    parts: tuple[tuple[int, int], ...]
    area_px: int
    core_px: int
    x: float
    y: float
    box: Box
    for_before: float
    for_after: float
    affinity: float
    near_spoiled: float
    soft_outline: float
    doubt: str = ""

    @property
    def evidence(self) -> float:
        """The weaker photograph's mean log-odds in favour of the change."""
        if self.sign == 1:
            return min(self.for_after, -self.for_before)
        return min(self.for_before, -self.for_after)

    @property
    def score(self) -> float:
        """Log units times px: how strongly all looks together speak for a change.

        The weakest of both photographs' evidence and of the colours, times the root of the core's
        px; 0 where one of them speaks against it, or something else explains it.
        """
        if self.doubt in VETOES:
            return 0.0
        return float(np.sqrt(self.core_px)) * max(0.0, min(self.evidence, -self.affinity))


@dataclass(frozen=True)
class BlockRegions:
    """Pieces of regions in one block, with the labels along its rim.

    Parameters
    ----------
    block : int
    box : Box
    layer, sign : int
    sums : (n, 14) float64
        Per label 1..n: area, core, sum x, sum y, and sums over the core of the log-odds before and
        after, of nearness to debris, of px sure in both, and of the affinity over these; px of the
        outline, and of those that are soft; px of the core without its rim, and sums over these of
        the log-odds before and after.
    bounds : (n, 4) int64
        x0, y0, x1, y1 in the raster.
    rim : dict of str to (m,) int32
        Labels along top, bottom, left, right.
    """

    block: int
    box: Box
    layer: int
    sign: int
    sums: NDArray[np.float64]
    bounds: NDArray[np.int64]
    rim: dict[str, NDArray[np.int32]] = field(default_factory=dict)


def label_mask(mask: NDArray[np.bool_]) -> tuple[int, NDArray[np.int32]]:
    """Label 8-connected regions: how many, and (H, W) int32 with 0 outside."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    return count - 1, labels


def own_px(region: Region, states: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Px of a region among the states inside its box, where other regions may reach in.

    Raises
    ------
    MaskdeltaError
        When the states do not hold the region.
    """
    _, labels = label_mask(states == region.sign)
    spanning = (slice(0, states.shape[0]), slice(0, states.shape[1]))
    for number, place in enumerate(scipy.ndimage.find_objects(labels), start=1):
        own = labels == number
        if place == spanning and int(own.sum()) == region.area_px:
            return np.asarray(own)
    raise MaskdeltaError("regions.csv does not fit the masks beside it; delete it and run again.")


def measure_block(
    block: int,
    box: Box,
    layer: int,
    sign: int,
    mask: NDArray[np.bool_],
    core: NDArray[np.bool_],
    deep: NDArray[np.bool_],
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    affinity: NDArray[np.float32],
    near_spoiled: NDArray[np.bool_],
    outline: NDArray[np.bool_],
    soft_outline: NDArray[np.bool_],
    *,
    sure_odds: float = 2.0,
) -> BlockRegions:
    """Label one block's mask and measure the pieces.

    `deep` is the core without its rim, `before` and `after` are the membership, 0..255. Px of the
    core whose log-odds reach `sure_odds` in both photographs count as sure.
    """
    count, labels = label_mask(mask)
    y, x = np.nonzero(labels)
    member = labels[y, x]
    inner, within = core[y, x], deep[y, x]
    for_before, for_after = _log_odds(before[y, x]), _log_odds(after[y, x])
    present, absent = (for_after, for_before) if sign == 1 else (for_before, for_after)
    sure = inner & (np.minimum(present, -absent) > sure_odds)

    def total(weights: NDArray[Any]) -> NDArray[np.float64]:
        return np.bincount(member, weights.astype(float), count + 1).astype(float)[1:]

    sums = np.column_stack(
        [
            total(np.ones(len(x))),
            total(inner),
            total(x + box.x0),
            total(y + box.y0),
            total(np.where(inner, for_before, 0)),
            total(np.where(inner, for_after, 0)),
            total(inner & near_spoiled[y, x]),
            total(sure),
            total(np.where(sure, affinity[y, x], 0)),
            total(outline[y, x]),
            total(soft_outline[y, x]),
            total(within),
            total(np.where(within, for_before, 0)),
            total(np.where(within, for_after, 0)),
        ]
    ).reshape(count, _SUMS)
    bounds = np.empty((count, 4), np.int64)
    bounds[:, :2], bounds[:, 2:] = np.iinfo(np.int64).max, -1
    np.minimum.at(bounds[:, 0], member - 1, x + box.x0)
    np.minimum.at(bounds[:, 1], member - 1, y + box.y0)
    np.maximum.at(bounds[:, 2], member - 1, x + box.x0 + 1)
    np.maximum.at(bounds[:, 3], member - 1, y + box.y0 + 1)
    rim = {
        "top": labels[0].copy(),
        "bottom": labels[-1].copy(),
        "left": labels[:, 0].copy(),
        "right": labels[:, -1].copy(),
    }
    return BlockRegions(block, box, layer, sign, sums, bounds, rim)


def _log_odds(membership: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Log-odds of presence, clipped to +-5.5: no photograph is surer than that."""
    p = np.clip(membership / 255, 0.004, 0.996)
    return np.log(p / (1 - p))


def join_regions(pieces: Iterable[BlockRegions]) -> list[Region]:
    """Join pieces that touch across block borders, 8-connected.

    Returns
    -------
    list of Region
        Ordered by layer, sign, then place.
    """
    groups: dict[tuple[int, int], list[BlockRegions]] = {}
    for piece in pieces:
        groups.setdefault((piece.layer, piece.sign), []).append(piece)
    found: list[Region] = []
    for (layer, sign), members in sorted(groups.items()):
        found += _join(layer, sign, members)
    return found


def _join(layer: int, sign: int, members: list[BlockRegions]) -> list[Region]:
    first, total = {}, 0
    for piece in members:
        first[piece.block] = total
        total += len(piece.sums)
    if not total:
        return []
    at = {(p.box.x0, p.box.y0): p for p in members}
    links: list[tuple[int, int]] = []
    for piece in members:
        right = at.get((piece.box.x1, piece.box.y0))
        below = at.get((piece.box.x0, piece.box.y1))
        links += _links(piece, right, first, "right", "left")
        links += _links(piece, below, first, "bottom", "top")
        links += _corner_links(piece, at, first)
    pairs = np.array(links, int).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (total, total))
    count, member = connected_components(graph, directed=False)
    sums = np.concatenate([p.sums for p in members])
    bounds = np.concatenate([p.bounds for p in members])
    parts = [(p.block, k + 1) for p in members for k in range(len(p.sums))]
    order: list[list[int]] = [[] for _ in range(count)]
    for index, number in enumerate(member):
        order[number].append(index)
    regions = [_region(layer, sign, sums[i], bounds[i], [parts[k] for k in i]) for i in order]
    return sorted(regions, key=lambda r: (r.box.y0, r.box.x0, r.box.y1, r.box.x1))


def _region(
    layer: int,
    sign: int,
    sums: NDArray[np.float64],
    bounds: NDArray[np.int64],
    parts: list[tuple[int, int]],
) -> Region:
    area, core, sx, sy, before, after, near, sure, affinity, outline, soft, *deep = sums.sum(0)
    x0, y0 = bounds[:, :2].min(0)
    x1, y1 = bounds[:, 2:].max(0)
    inner = max(core, 1.0)
    return Region(
        layer,
        sign,
        tuple(parts),
        int(area),
        int(core),
        float(sx / area),
        float(sy / area),
        Box(int(x0), int(y0), int(x1), int(y1)),
        float(deep[1] / deep[0] if deep[0] else before / inner),
        float(deep[2] / deep[0] if deep[0] else after / inner),
        float(affinity / sure) if sure else 0.0,
        float(near / inner),
        float(soft / max(outline, 1.0)),
    )


def _links(
    piece: BlockRegions,
    other: BlockRegions | None,
    first: dict[int, int],
    side: str,
    other_side: str,
) -> list[tuple[int, int]]:
    if other is None:
        return []
    here, there = piece.rim[side], other.rim[other_side]
    found = set()
    for step in (-1, 0, 1):
        a = here[max(0, -step) : len(here) - max(0, step)]
        b = there[max(0, step) : len(there) - max(0, -step)]
        both = (a > 0) & (b > 0)
        found |= set(zip(a[both].tolist(), b[both].tolist(), strict=True))
    return [(first[piece.block] + a - 1, first[other.block] + b - 1) for a, b in sorted(found)]


def _corner_links(
    piece: BlockRegions, at: dict[tuple[int, int], BlockRegions], first: dict[int, int]
) -> list[tuple[int, int]]:
    """Blocks that touch only at a corner: lower right, and lower left."""
    found = []
    right_below = at.get((piece.box.x1, piece.box.y1))
    if right_below is not None:
        a, b = piece.rim["bottom"][-1], right_below.rim["top"][0]
        if a and b:
            found.append((first[piece.block] + a - 1, first[right_below.block] + b - 1))
    for other in at.values():
        if (other.box.x1, other.box.y0) == (piece.box.x0, piece.box.y1):
            a, b = piece.rim["bottom"][0], other.rim["top"][-1]
            if a and b:
                found.append((first[piece.block] + a - 1, first[other.block] + b - 1))
    return found
