"""From colours to stacks and layers, one block at a time."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from maskdelta.images import colour_slope
from maskdelta.segment._alike import Lookalike, among, told_by_host, told_by_width
from maskdelta.segment._borders import Colours, bordering_cost
from maskdelta.segment._colour_model import LUMA, ColourTable, luma_of
from maskdelta.segment._compiled import compiled
from maskdelta.segment._dirt import debris, dirt_inside, unknown_colours
from maskdelta.segment._discs import round_dots
from maskdelta.segment._islands import (
    drop_crumbs,
    false_dots,
    give_back,
    give_back_dots,
    lone_overlaps,
    trim_dots,
)
from maskdelta.segment._outlines import IN_QUESTION_PX, Edges, Moved, find_edges
from maskdelta.segment._rims import clear_rims
from maskdelta.segment._rules import (
    MOST_COST,
    NO_BORDER,
    NOT_PHOTOGRAPHED,
    SPOILED,
    UNKNOWN,
    DotSizes,
    LayerRules,
    strips_of,
)
from maskdelta.study import SegmentSettings

__all__ = ["label_stacks"]


def label_stacks(
    colour: NDArray[np.float32],
    covered: NDArray[np.bool_],
    ignored: NDArray[np.bool_],
    table: ColourTable,
    rules: LayerRules,
    dots: DotSizes,
    *,
    settings: SegmentSettings,
    alike: Sequence[Lookalike] = (),
    edges: Edges | None = None,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Label one block; its rim of `HALO_PX` should be cut off later.

    A blend of two stacks at an edge often has the colour of a third one, and outlines are darker
    than either side. Therefore only patches that survive an erosion are trusted, and each px
    between them takes the likeliest of the stacks that border within `edge_px`. Edges then go where
    the die's own outlines say that they lie.

    Parameters
    ----------
    colour : (H, W, 3) float32
        Smoothed and freed from drift, 0..255.
    covered : (H, W) bool
    ignored : (H, W) bool
        What a person wants left out, and what is out of focus; it counts as spoiled.
    table : ColourTable
    rules : LayerRules
        Stacks in the order of the table.
    dots : DotSizes
    settings : SegmentSettings
    alike : sequence of Lookalike
    edges : Edges, optional
        Without them edges stay where colours and trusted patches put them.

    Returns
    -------
    label : (H, W) uint8
        Index of the stack, or one of UNKNOWN, SPOILED, NOT_PHOTOGRAPHED.
    cost : (K, H, W) uint8
        Of each stack, tenths of a log unit; NO_BORDER where it does not border.
    """
    flat = _level(colour, table.steep)
    doubt, first, far = table.look_up(colour)
    told_by_width(doubt, first, flat, alike)
    told_by_host(doubt, first, rules)
    colours = Colours(colour, doubt, first, far, flat)
    unknown = unknown_colours(
        colours.far, colours.flat, colours.first, among(colours.first, rules.dot), settings
    )
    trusted = (unknown == 0) & covered
    possible = covered & (colours.far <= 4 * settings.unknown_sigma**2)
    edge_px = settings.edge_px
    cost, second = bordering_cost(colours, trusted, possible, table.mean, rules, edge_px)
    give_back_dots(cost, rules, dots)
    trim_dots(cost, rules, dots)
    label, best = _cheapest(cost)
    nothing = best == NO_BORDER
    spoiled = debris(unknown, ~nothing, edge_px, settings.debris_px)
    spoiled |= dirt_inside((unknown > 0) & covered, second, edge_px)
    spoiled = cv2.morphologyEx(spoiled, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8))
    spoiled |= among(label, rules.spoils) & ~nothing
    spoiled |= false_dots(label, nothing, rules, dots)
    for k, islands, odd in lone_overlaps(label, nothing, rules):
        give_back(cost, k, islands, odd, by=colours.doubt)
        spoiled |= islands.drawn(odd) & (cost[k] < NO_BORDER)
    label, _ = _cheapest(cost)
    if edges is not None:
        # what lies beside dirt is seldom what it looks like
        near_dirt = cv2.dilate((spoiled > 0).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        sure = ~nothing & ~near_dirt
        luma = luma_of(colour)
        found = find_edges(luma, label, sure, edges, dot=rules.dot)
        found = round_dots(found, np.where(sure, label, np.uint8(UNKNOWN)), rules.seats())
        _settle_edges(cost, label, found)
        _join_lonely(cost, _cheapest(cost)[0], found.place)
        drop_crumbs(cost, rules, dots)
        label, _ = _cheapest(cost)
        seen = np.where(sure, label, np.uint8(UNKNOWN))
        clear_rims(cost, seen, luma, table.mean @ LUMA, edges.rim_luma, rules)
        label, _ = _cheapest(cost)
    label[nothing] = UNKNOWN
    label[(spoiled > 0) | ignored] = SPOILED
    label[~covered] = NOT_PHOTOGRAPHED
    return label, cost


def _level(colour: NDArray[np.float32], steep: float) -> NDArray[np.bool_]:
    """(H, W), whether px are on no edge: the colour's slope is less than `steep`."""
    out = np.empty(colour.shape[:2], bool)
    for rows in strips_of(len(colour)):
        start = max(rows.start - 1, 0)
        slope = colour_slope(colour[start : rows.stop + 1])
        np.less(slope[rows.start - start :][: rows.stop - rows.start], steep, out=out[rows])
    return out


def _cheapest(cost: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The first stack of least cost, (H, W), of (K, H, W), and that cost."""
    label, least = np.zeros(cost.shape[1:], np.uint8), cost[0].copy()
    for k in range(1, len(cost)):
        _take_cheaper(cost[k].reshape(-1), np.uint8(k), least.reshape(-1), label.reshape(-1))
    return label, least


@compiled
def _take_cheaper(
    cost: NDArray[np.uint8], k: np.uint8, least: NDArray[np.uint8], label: NDArray[np.uint8]
) -> None:
    for at in range(len(cost)):
        label[at] = k if cost[at] < least[at] else label[at]
        least[at] = min(least[at], cost[at])


def _settle_edges(cost: NDArray[np.uint8], label: NDArray[np.uint8], found: Moved) -> None:
    """Cost of both stacks by how far a px lies from the edge between them; changes `cost`."""
    planes = cost.reshape(len(cost), -1)
    _put_edges(
        planes,
        label.reshape(-1),
        found.place,
        found.other,
        found.inside_px,
        found.error_px,
        _odds(),
    )


@cache
def _odds() -> NDArray[np.uint8]:
    """Odds, tenths of a log unit, that a px lies on its side of an edge, by 256ths of its error."""
    z = np.arange(5 * 256) / 256
    tenths = np.rint(10 * (log_ndtr(z) - log_ndtr(-z)))
    return np.clip(tenths, 1, MOST_COST).astype(np.uint8)


@compiled
def _put_edges(
    cost: NDArray[np.uint8],
    label: NDArray[np.uint8],
    places: NDArray[np.intp],
    others: NDArray[np.uint8],
    inside_px: NDArray[np.float32],
    error_px: NDArray[np.float32],
    tenths: NDArray[np.uint8],
) -> None:
    for n in range(len(places)):
        place, own, other = places[n], label[places[n]], others[n]
        odds = tenths[min(int(256 * abs(inside_px[n]) / error_px[n] + 0.5), len(tenths) - 1)]
        if inside_px[n] >= IN_QUESTION_PX:
            # that there are two stacks may be surer than which of them a px of their edge shows
            by_colour = cost[other, place]
            if odds < by_colour <= MOST_COST:
                odds = by_colour
        elif inside_px[n] < 0:
            own, other = other, own
        for k in range(len(cost)):
            cost[k, place] = NO_BORDER
        cost[own, place] = 0
        cost[other, place] = odds


def _join_lonely(
    cost: NDArray[np.uint8], label: NDArray[np.uint8], place: NDArray[np.intp]
) -> None:
    """Give px of an edge with fewer than 2 like them around to the other side; changes `cost`."""
    flat, width = label.ravel(), label.shape[1]
    own, alike = flat[place], np.zeros(len(place), np.uint8)
    for step in (-width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1):
        alike += flat[place + step] == own
    lonely = alike < 2
    cost.reshape(len(cost), -1)[own[lonely], place[lonely]] = NO_BORDER
