"""Which stacks border on each px, and what each would cost there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._crossings import crossing_blends
from maskdelta.segment._distances import distance_to, distances_to
from maskdelta.segment._narrow import mixed_gaps, thin_lines
from maskdelta.segment._parts import of_size
from maskdelta.segment._rules import EIGHTHS, MOST_COST, NO_BORDER, LayerRules, strips_of

__all__ = ["Colours", "bordering_cost"]

# cost of being an eighth of a px farther from a trusted patch, tenths of a log unit
_NEARER = 3


@dataclass(frozen=True)
class Colours:
    """What the colours of a block say of each px by itself.

    Parameters
    ----------
    colour : (H, W, 3) float32
        sRGB-encoded, 0..255, smoothed and freed from drift.
    doubt : (K, H, W) uint8
        How much less likely each stack is than the likeliest, tenths of a log unit.
    first : (H, W) uint8
        The likeliest stack.
    far : (H, W) uint8
        Squared Mahalanobis distance of that stack, quarters.
    flat : (H, W) bool
        On no edge.
    """

    colour: NDArray[np.float32]
    doubt: NDArray[np.uint8]
    first: NDArray[np.uint8]
    far: NDArray[np.uint8]
    flat: NDArray[np.bool_]


def bordering_cost(
    colours: Colours,
    trusted: NDArray[np.bool_],
    possible: NDArray[np.bool_],
    mean: NDArray[np.float64],
    rules: LayerRules,
    edge_px: int,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Cost of each stack at each px, and how far the second nearest trusted stack lies.

    Costs are tenths of a log unit, 255 where the stack does not border; distances are eighths of
    a px.

    Only the two stacks whose trusted patches lie nearest are candidates, within twice `edge_px`:
    what lies between two stacks is a blend of these two, whatever third stack it looks like. It
    goes to the nearer of them: an outline is darker than either, and would be given to the darker
    by its colour. What hides others is told by its colour, since its trusted patches are often too
    far from those of a narrow gap; where its edge truly lies is settled later (`find_edges`). A dot
    and its host are parted by distance again.

    Narrow lines and gaps hold no px that can be trusted; `_narrow.py` says where they are, and
    `_crossings.py` where the colour of a crossing is but that of a gap. Gaps
    explain nothing that lay beyond the reach of trusted patches.

    Parameters
    ----------
    colours : Colours
    trusted, possible : (H, W) bool
        Px whose colour a stack surely has, or may have.
    mean : (K, 3) float64
        Colour of the stacks, sRGB-encoded, 0..255.
    rules : LayerRules
    edge_px : int

    Returns
    -------
    cost : (K, H, W) uint8
    second : (H, W) uint8
    """
    reach = np.uint8(min(EIGHTHS * (2 * edge_px + 1), 250))
    seeds = _seeds(colours.first, trusted, colours.flat)
    blends = crossing_blends(colours.first, seeds, rules)
    seeds[blends] = 255
    apart = distances_to(seeds, len(mean))
    lines = thin_lines(
        colours.colour, colours.doubt, possible & colours.flat, seeds, apart, mean, rules
    )
    seeds = np.where(lines < 255, lines, seeds)
    for k in np.unique(lines[lines < 255]):
        apart[k] = distance_to(seeds == k)
    odd = np.where(blends, np.uint8(255), colours.far)
    gaps, hidden = mixed_gaps(colours.colour, odd, apart, mean, rules)
    possible = possible & ~blends
    kin = _kin_in_gaps(seeds, _seeds(colours.first, possible, colours.flat), apart, rules)
    for k in np.unique(seeds[hidden & (seeds < 255)]):
        apart[k] = distance_to((seeds == k) & ~hidden)
    _seat_dots(apart, rules)
    explained, far_second = np.empty(seeds.shape, bool), np.empty_like(seeds)
    for rows in strips_of(len(seeds)):
        nearest, far_second[rows] = _two_nearest(apart[:, rows])
        explained[rows] = nearest <= reach
    kin = np.where(gaps < 255, gaps, kin)
    for k in np.flatnonzero(np.bincount(kin.ravel(), minlength=256)[:255]):
        np.minimum(apart[k], distance_to(kin == k), out=apart[k])
        # their colour is that of a blend, and must not be asked
        apart[k][gaps == k] = 1
    cost, nearest = np.empty_like(apart), np.empty_like(seeds)
    _fill_costs(apart, colours.doubt, explained, rules.hiding, reach, cost, nearest)
    for dot, host in rules.seats():
        both = (cost[dot] < NO_BORDER) & (cost[host] < NO_BORDER) & (nearest > 0)
        _part_by_distance(cost, apart, (dot, host), both)
    return cost, far_second


@compiled
def _fill_costs(
    apart: NDArray[np.uint8],
    doubt: NDArray[np.uint8],
    explained: NDArray[np.bool_],
    upper: NDArray[np.bool_],
    reach: np.uint8,
    cost: NDArray[np.uint8],
    nearest: NDArray[np.uint8],
) -> None:
    """Fill in the cost of each stack by its distance and colour, and the least distance."""
    count, height, width = apart.shape
    second, hiding = np.empty(width, np.uint8), np.empty(width, np.uint8)
    for y in range(height):
        near = nearest[y]
        near[:], second[:], hiding[:] = 255, 255, 0
        for k in range(count):
            _take_in(apart[k, y], near, second)
        limit = second
        _set_limit(limit, reach)
        for k in range(count):
            if upper[k]:
                _mark_borders(apart[k, y], near, limit, hiding)
        for k in range(count):
            _fill_cost(apart[k, y], doubt[k, y], near, limit, explained[y], hiding, cost[k, y])


@compiled
def _take_in(
    distance: NDArray[np.uint8], nearest: NDArray[np.uint8], second: NDArray[np.uint8]
) -> None:
    for x in range(len(distance)):
        second[x] = min(second[x], max(nearest[x], distance[x]))
        nearest[x] = min(nearest[x], distance[x])


@compiled
def _set_limit(second: NDArray[np.uint8], reach: np.uint8) -> None:
    """Distances up to half a px beyond the second are candidates."""
    for x in range(len(second)):
        second[x] = min(min(second[x], 251) + EIGHTHS // 2, reach)


@compiled
def _mark_borders(
    distance: NDArray[np.uint8],
    nearest: NDArray[np.uint8],
    limit: NDArray[np.uint8],
    out: NDArray[np.uint8],
) -> None:
    for x in range(len(distance)):
        out[x] |= (distance[x] <= limit[x]) | (nearest[x] == 0)


@compiled
def _fill_cost(
    distance: NDArray[np.uint8],
    doubt: NDArray[np.uint8],
    nearest: NDArray[np.uint8],
    limit: NDArray[np.uint8],
    explained: NDArray[np.bool_],
    hiding: NDArray[np.uint8],
    cost: NDArray[np.uint8],
) -> None:
    for x in range(len(distance)):
        # inside a trusted patch any other stack may be meant: there the doubt is that of the
        # colours
        inside = nearest[x] == 0
        by_colour = min(doubt[x], MOST_COST)
        by_distance = _NEARER * min(distance[x] - nearest[x], MOST_COST // _NEARER)
        value = by_colour if inside | (hiding[x] > 0) else by_distance
        cost[x] = value if ((distance[x] <= limit[x]) | inside) & explained[x] else NO_BORDER


def _two_nearest(apart: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(H, W) distances of the nearest stack and of the next, of (K, H, W)."""
    nearest = np.full(apart.shape[1:], 255, np.uint8)
    second = nearest.copy()
    for distance in apart:
        _take_in(distance.reshape(-1), nearest.reshape(-1), second.reshape(-1))
    return nearest, second


def _kin_in_gaps(
    seeds: NDArray[np.uint8],
    possible: NDArray[np.uint8],
    apart: NDArray[np.uint8],
    rules: LayerRules,
    *,
    reach_px: int = 24,
) -> NDArray[np.uint8]:
    """The stack of px in possible patches near trusted ones of the same stack, 255 elsewhere.

    The outlines on both sides of a narrow gap leave a patch of possible px in it whose colour is
    off, and which is not trusted: without it the gap would go to what bounds it. It counts where
    trusted patches of its stack lie near, as ground goes on beyond the lines that bound a gap;
    dirt has no such kin.

    `seeds` and `possible` are the stacks of trusted and of possible patches, `apart` the distances
    from the former, eighths of a px. Dots have no kin.
    """
    out = np.full(seeds.shape, 255, np.uint8)
    for k in np.flatnonzero(~rules.dot & ~rules.spoils):
        own = (possible == k) & (seeds == 255) & (apart[k] <= EIGHTHS * reach_px)
        out[own] = k
    return out


def _part_by_distance(
    cost: NDArray[np.uint8],
    apart: NDArray[np.uint8],
    pair: tuple[int, int],
    place: NDArray[np.bool_],
) -> None:
    """Give px to the nearer of two stacks, at the cost of the likelier; changes `cost`."""
    where = np.flatnonzero(place)
    costs, far = cost.reshape(len(cost), -1), apart.reshape(len(cost), -1)
    likelier = np.minimum(costs[pair[0], where], costs[pair[1], where])
    for own, other in (pair, pair[::-1]):
        farther = np.maximum(far[own, where], far[other, where]) - far[other, where]
        at_least = np.minimum(likelier + np.minimum(farther, 20) * _NEARER, MOST_COST)
        # colour may tell them apart better than place does
        by_colour = np.minimum(costs[own, where], MOST_COST)
        costs[own, where] = np.where(farther > 0, np.maximum(at_least, by_colour), likelier)


def _seat_dots(apart: NDArray[np.uint8], rules: LayerRules, *, grow_px: int = 2) -> None:
    """Keep dots small, and put the stack they sit in around them; changes `apart`.

    The strip of metal between a contact and the metal's edge is too narrow to be trusted by
    itself, and the blend at that edge has the contact's colour: without this the contact would
    take the strip. Where a dot may sit in several stacks, each shape sits in the nearest of them.
    """
    for k in np.flatnonzero(rules.dot):
        hosts = rules.hosts(int(k))
        for host, around in zip(hosts, _around_dots(apart, int(k), hosts), strict=True):
            # as if its trusted patches began as far out again; beyond, as around any shape
            out = 2 * grow_px * EIGHTHS
            beyond = np.minimum(around, 255 - EIGHTHS // 2) + np.uint8(EIGHTHS // 2)
            ring = np.where(around < out, np.uint8(out) - around, beyond)
            np.minimum(apart[host], ring, out=apart[host], where=around < 255)
        apart[k][apart[k] > 2 * grow_px * EIGHTHS] = 255


def _around_dots(
    apart: NDArray[np.uint8], k: int, hosts: NDArray[np.intp]
) -> list[NDArray[np.uint8]]:
    """Distance from the dots that sit in each host, eighths of a px."""
    if len(hosts) < 2:
        return [apart[k]] * len(hosts)
    count, parts = cv2.connectedComponents((apart[k] == 0).astype(np.uint8), connectivity=8)
    numbers = np.arange(count)
    far = [scipy.ndimage.minimum(apart[host], parts, numbers) for host in hosts]
    seat = np.argmin(far, axis=0)
    seat[0] = -1
    return [distance_to(seat[parts] == n) for n in range(len(hosts))]


def _seeds(
    first: NDArray[np.uint8],
    trusted: NDArray[np.bool_],
    flat: NDArray[np.bool_],
    *,
    least_px: int = 4,
) -> NDArray[np.uint8]:
    """The stack of each px in a patch that can be trusted, 255 elsewhere.

    A px counts when its eight neighbours are of its stack, which removes outlines and blends of up
    to 2 px; where a wide blend meets a shape of the same colour, the slope tells them apart.
    Patches of fewer than `least_px` are corners of outlines, not shapes. Such patches of two
    stacks never touch, so that one labelling serves all.
    """
    stack = np.where(trusted, first, np.uint8(255))
    square = np.ones((3, 3), np.uint8)
    alike = cv2.erode(stack, square) == cv2.dilate(stack, square)
    inner = of_size(alike & (stack < 255) & flat, least_px)
    return np.where(inner, first, np.uint8(255))
