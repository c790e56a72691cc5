"""Shapes judged as wholes: dots by their size and place, crossings by what goes on around them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._parts import Parts
from maskdelta.segment._rules import HALO_PX, MOST_COST, NO_BORDER, DotSizes, LayerRules

__all__ = [
    "dot_areas",
    "drop_crumbs",
    "false_dots",
    "give_back",
    "give_back_dots",
    "lone_overlaps",
    "trim_dots",
]

# how far around a shape its surroundings reach
_RING_PX = 4


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


def _too_large(
    parts: Parts,
    usual_px: float,
    *,
    most_area: float = 4.0,
    most_length: float = 6.0,
) -> NDArray[np.bool_]:
    """(n,) whether shapes exceed `most_area` usual dots, or `most_length` times their side."""
    # what is longer than the halo may be cut, and must be too large in every block
    limit = min(most_length * np.sqrt(usual_px), HALO_PX - 16)
    return np.asarray((parts.area > most_area * usual_px) | (parts.longest > limit))


def give_back_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give shapes of a size that no dot has to the stack around them; changes `cost`.

    A contact seen only as the sagging of the metal over it has nearly the colour of metal, and
    then much of the metal has the colour of a contact. Only where the other stack explains the
    colour nearly as well; dirt it does not.
    """
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < NO_BORDER)
        parts = Parts.of(mask)
        odd = _too_large(parts, dots.usual[k]) | (parts.area < dots.least[k])
        give_back(cost, int(k), parts, odd)


def trim_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Take arms off dots, narrower than half a dot; changes `cost`.

    A blend at the edge of the metal has the colour of a contact, and joins one that lies near.
    """
    for k in np.flatnonzero(rules.dot & np.isfinite(dots.usual)):
        width = int(np.sqrt(dots.usual[k]) / 2) | 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (rest < NO_BORDER)
        kept = cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, disc) > 0
        parts = Parts.of(mask)
        # what has no width anywhere is a small dot, not an arm
        place, _ = parts.places(parts.hit(kept))
        cost[k].ravel()[place[~kept.ravel()[place]]] = NO_BORDER


def drop_crumbs(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give what is left of an outline, too small for a dot, to what else it may be."""
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < NO_BORDER)
        parts = Parts.of(mask, corners=False)
        place, _ = parts.places(parts.area < dots.least[k])
        cost[k].ravel()[place[rest.ravel()[place] < NO_BORDER]] = NO_BORDER


def give_back(
    cost: NDArray[np.uint8],
    k: int,
    parts: Parts,
    odd: NDArray[np.bool_],
    *,
    by: NDArray[np.uint8] | None = None,
    believable: float = 45.0,
) -> None:
    """Give odd shapes of stack `k` to the stack that explains them best; changes `cost`.

    Only where it explains them to `believable` tenths of a log unit in the mean. With `by`,
    (K, H, W), the doubts of their colours are asked in place of the costs, in which only what
    borders counts: of a narrow line the true stack may border nowhere.
    """
    place, shape = parts.places(odd)
    if not len(place):
        return
    planes = cost.reshape(len(cost), -1)
    # where nothing else borders, nothing else can explain the colour
    doubt = np.stack(
        [
            np.bincount(shape, np.minimum(p[place], MOST_COST), len(parts))
            for p in (planes if by is None else by.reshape(len(by), -1))
        ]
    )
    doubt[k] = np.inf
    given = (doubt.min(0) <= believable * parts.area)[shape]
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
        dots = Parts.of(mask)
        carrying: NDArray[np.bool_] = np.any(rules.present & rules.carries(int(k)), axis=1)
        place, beside = dots.around(_RING_PX)
        kin = carrying[label.ravel()[place]] & ~nothing.ravel()[place]
        share = np.bincount(beside, kin, len(dots)) / np.maximum(
            np.bincount(beside, minlength=len(dots)), 1
        )
        out |= dots.drawn(_too_large(dots, sizes.usual[k]) | (share < least_kin))
    return out


def lone_overlaps(
    label: NDArray[np.uint8],
    nothing: NDArray[np.bool_],
    rules: LayerRules,
    *,
    least_kin: float = 0.3,
) -> Iterator[tuple[int, Parts, NDArray[np.bool_]]]:
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
        islands = Parts.of(mask)
        place, number = islands.around(_RING_PX)
        beside, known = label.ravel()[place], ~nothing.ravel()[place]
        kin = (rules.present & rules.present[k]).any(1)[beside] & known
        hides = (rules.hidden & rules.present[k]).any(1)[beside]
        kin, seen = (np.bincount(number, w, len(islands)) for w in (kin, known & ~hides))
        odd = (kin < least_kin * seen) & (islands.longest <= HALO_PX - 16)
        if odd.any():
            yield int(k), islands, odd


def _all_but(cost: NDArray[np.uint8], k: int) -> NDArray[np.uint8]:
    """(H, W), the least cost of all stacks but one."""
    return np.asarray(np.delete(cost, k, axis=0).min(0))
