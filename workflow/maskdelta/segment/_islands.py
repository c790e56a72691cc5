"""Shapes judged as wholes: dots by their size and place, crossings by what goes on around them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._rules import HALO_PX, MOST_COST, NO_BORDER, DotSizes, LayerRules

__all__ = [
    "dot_areas",
    "drop_crumbs",
    "false_dots",
    "give_back",
    "give_back_dots",
    "lone_overlaps",
    "of_size",
    "trim_dots",
]


def of_size(mask: NDArray[np.bool_], least_px: int) -> NDArray[np.bool_]:
    """Shapes of a mask, touching corners counted, that have at least so many px."""
    _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    kept = stats[:, cv2.CC_STAT_AREA] >= least_px
    kept[0] = False
    return np.asarray(kept[parts])


def dot_areas(
    labels: Sequence[NDArray[np.uint8]], rules: LayerRules, least: NDArray[np.float64]
) -> DotSizes:
    """Usual area of each dot, px: the median over patches of a die.

    Parameters
    ----------
    labels : sequence of (h, w) uint8
        Labels of patches, made without knowing the area. Dots cut by their border do not count.
    rules : LayerRules
    least : (K,) float64
        Area below which a shape is no dot.

    Returns
    -------
    DotSizes
        Infinite for what is no dot, or where fewer than 3 were seen.
    """
    usual = np.full(len(rules.stacks), np.inf)
    for k in np.flatnonzero(rules.dot):
        areas = np.concatenate([_inner_areas(label == k) for label in labels] or [np.zeros(0)])
        areas = areas[areas >= least[k]]
        if len(areas) >= 3:
            usual[k] = np.median(areas)
    return DotSizes(usual, least)


def _inner_areas(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    x0, y0, width, height, area = stats[1:].T
    inner = (x0 > 0) & (y0 > 0) & (x0 + width < mask.shape[1]) & (y0 + height < mask.shape[0])
    return area[inner].astype(float)


@dataclass(frozen=True)
class _Islands:
    """Connected shapes of a mask, number 0 being the rest, and the px within 4 px around each.

    Parameters
    ----------
    parts : (H, W) int32
    area, longest : (n,) int32
        px, and the longer side of the bounding box.
    ring : (m,) int32
        Which shape each px around lies beside.
    place : (m,) int
        Flat indices of these px.
    """

    parts: NDArray[np.int32]
    area: NDArray[np.int32]
    longest: NDArray[np.int32]
    ring: NDArray[np.int32]
    place: NDArray[np.intp]

    @classmethod
    def of(cls, mask: NDArray[np.bool_]) -> _Islands:
        _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
        grown = cv2.dilate(parts.astype(np.float32), np.ones((9, 9), np.uint8))
        place = np.flatnonzero((grown > 0) & ~mask)
        return cls(
            parts,
            stats[:, cv2.CC_STAT_AREA],
            np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]),
            grown.ravel()[place].astype(np.int32),
            place,
        )

    def around(self, wanted: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
        """(n,) number of px around each shape, or of those wanted, (m,) bool."""
        weights = np.ones(len(self.ring)) if wanted is None else wanted
        return np.asarray(np.bincount(self.ring, weights, len(self.area)), np.float64)

    def drawn(self, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(H, W), True in the shapes chosen, (n,) bool."""
        return (chosen & (np.arange(len(chosen)) > 0))[self.parts]


def _too_large(
    area: NDArray[np.int32],
    longest: NDArray[np.int32],
    usual_px: float,
    *,
    most_area: float = 4.0,
    most_length: float = 6.0,
) -> NDArray[np.bool_]:
    """(n,) whether shapes exceed `most_area` usual dots, or `most_length` times their side."""
    # what is longer than the halo may be cut, and must be too large in every block
    limit = min(most_length * np.sqrt(usual_px), HALO_PX - 16)
    return np.asarray((area > most_area * usual_px) | (longest > limit))


def give_back_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give shapes of a size that no dot has to the stack around them; changes `cost`.

    A contact seen only as the sagging of the metal over it has nearly the colour of metal, and
    then much of the metal has the colour of a contact. Only where the other stack explains the
    colour nearly as well; dirt it does not.
    """
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < NO_BORDER)
        _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
        area = stats[:, cv2.CC_STAT_AREA]
        longest = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
        odd = _too_large(area, longest, dots.usual[k]) | (area < dots.least[k])
        odd[0] = False
        if not odd.any():
            continue
        give_back(cost, int(k), parts, odd, area)


def trim_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Take arms off dots, narrower than half a dot; changes `cost`.

    A blend at the edge of the metal has the colour of a contact, and joins one that lies near.
    """
    for k in np.flatnonzero(rules.dot & np.isfinite(dots.usual)):
        width = int(np.sqrt(dots.usual[k]) / 2) | 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
        rest = _all_but(cost, int(k))
        mask = ((cost[k] <= rest) & (rest < NO_BORDER)).astype(np.uint8)
        kept = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc)
        _, parts = cv2.connectedComponents(mask, connectivity=8)
        # what has no width anywhere is a small dot, not an arm
        wide = np.zeros(int(parts.max()) + 1, bool)
        wide[parts[kept > 0]] = True
        cost[k][(mask > kept) & wide[parts]] = NO_BORDER


def drop_crumbs(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give what is left of an outline, too small for a dot, to what else it may be."""
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < NO_BORDER)
        _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
        small = stats[:, cv2.CC_STAT_AREA] < dots.least[k]
        small[0] = False
        cost[k][small[parts] & (rest < NO_BORDER)] = NO_BORDER


def give_back(
    cost: NDArray[np.uint8],
    k: int,
    parts: NDArray[np.int32],
    odd: NDArray[np.bool_],
    area: NDArray[np.int32],
    *,
    by: NDArray[np.uint8] | None = None,
    believable: float = 45.0,
) -> None:
    """Give odd shapes of stack `k` to the stack that explains them best; changes `cost`.

    Only where it explains them to `believable` tenths of a log unit in the mean. With `by`,
    (K, H, W), the doubts of their colours are asked in place of the costs, in which only what
    borders counts: of a narrow line the true stack may border nowhere.
    """
    place = np.flatnonzero(odd[parts])
    shape = parts.ravel()[place]
    planes = cost.reshape(len(cost), -1)
    # where nothing else borders, nothing else can explain the colour
    doubt = np.stack(
        [
            np.bincount(shape, np.minimum(p[place], MOST_COST), len(area))
            for p in (planes if by is None else by.reshape(len(by), -1))
        ]
    )
    doubt[k] = np.inf
    given = (doubt.min(0) <= believable * area)[shape]
    place, host = place[given], doubt.argmin(0)[shape[given]]
    planes[k, place] = NO_BORDER
    planes[host, place] = 0


def false_dots(
    label: NDArray[np.uint8],
    nothing: NDArray[np.bool_],
    rules: LayerRules,
    sizes: DotSizes,
    *,
    least_kin: float = 0.12,
) -> NDArray[np.bool_]:
    """Shapes with the colour of a dot that are too large for one, or stand in the wrong place.

    The wrong place is one where less than `least_kin` of the surroundings carry the dot.
    """
    out = np.zeros(label.shape, bool)
    for k in np.flatnonzero(rules.dot):
        mask = (label == k) & ~nothing
        if not mask.any():
            continue
        dots = _Islands.of(mask)
        carrying: NDArray[np.bool_] = np.any(rules.present & rules.carries(int(k)), axis=1)
        kin = carrying[label.ravel()[dots.place]] & ~nothing.ravel()[dots.place]
        share = dots.around(kin) / np.maximum(dots.around(), 1)
        large = _too_large(dots.area, dots.longest, sizes.usual[k])
        out |= dots.drawn(large | (share < least_kin))
    return out


def lone_overlaps(
    label: NDArray[np.uint8],
    nothing: NDArray[np.bool_],
    rules: LayerRules,
    *,
    least_kin: float = 0.3,
) -> Iterator[tuple[int, _Islands, NDArray[np.bool_]]]:
    """Islands with the colour of two layers crossing where neither of the two goes on.

    They are dirt, or another stack of nearly the same colour. Yields the stack, its islands and
    which of them, (n,).

    Where layers cross, one of them at least is seen around the crossing, unless something hides
    it. Islands longer than the halo are not judged, since a block may hold only a part of them.
    """
    for k in np.flatnonzero((rules.present.sum(1) >= 2) & ~rules.dot & ~rules.spoils):
        mask = (label == k) & ~nothing
        if not mask.any():
            continue
        islands = _Islands.of(mask)
        beside, known = label.ravel()[islands.place], ~nothing.ravel()[islands.place]
        kin = islands.around((rules.present & rules.present[k]).any(1)[beside] & known)
        hides = (rules.hidden & rules.present[k]).any(1)[beside]
        seen = islands.around(known & ~hides)
        odd = (kin < least_kin * seen) & (islands.longest <= HALO_PX - 16)
        odd[0] = False
        if odd.any():
            yield int(k), islands, odd


def _all_but(cost: NDArray[np.uint8], k: int) -> NDArray[np.uint8]:
    """(H, W), the least cost of all stacks but one."""
    return np.asarray(np.delete(cost, k, axis=0).min(0))
