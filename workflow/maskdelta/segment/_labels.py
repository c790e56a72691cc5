"""From colours to stacks and layers, one block at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.ndimage
from numpy.typing import NDArray
from scipy.special import log_ndtr

from maskdelta.images import colour_slope
from maskdelta.segment._colour_model import ColourTable, luma_of
from maskdelta.segment._outlines import Edges, Moved, find_edges
from maskdelta.study import SegmentSettings, Stack

__all__ = [
    "HALO_PX",
    "NOT_PHOTOGRAPHED",
    "SPOILED",
    "UNKNOWN",
    "BlockLabels",
    "DotSizes",
    "LayerRules",
    "dot_areas",
    "label_block",
]

NOT_PHOTOGRAPHED, SPOILED, UNKNOWN = 255, 254, 253
# the longest chain: a distance of 32 px, then closings over 31 and 15 px
HALO_PX = 96
_EIGHTHS = 8
_NO_BORDER = 255
# tenths of a log unit: an outline's odd colour must not veto both sides
_MOST_COST = 60
# cost of being an eighth of a px farther from a trusted patch, tenths of a log unit
_NEARER = 3
# rows worked on at a time where many planes are held at once, so that they stay in the cache
_STRIP_PX = 64


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
    dot : (K,) bool
    """

    stacks: tuple[str, ...]
    layers: tuple[str, ...]
    present: NDArray[np.bool_]
    hidden: NDArray[np.bool_]
    spoils: NDArray[np.bool_]
    dot: NDArray[np.bool_]

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
        dot = np.array([meaning[stack].dot for stack in stacks], bool)
        return cls(tuple(stacks), tuple(layers), table("layers"), table("hides"), spoils, dot)

    def carries(self, k: int) -> NDArray[np.bool_]:
        """(L,) layers in which a dot is seated.

        Those it shares with other stacks, such as metal around a contact; a bare hole shares none,
        and sits in what it hides.
        """
        shared = self.present[k] & self.present[~self.dot].any(0)
        return shared if shared.any() else self.hidden[k]

    def hosts(self, k: int) -> NDArray[np.intp]:
        """The stacks that a dot may sit in."""
        inside = self.present & ~self.carries(k)
        return np.flatnonzero(self.present.any(1) & ~inside.any(1) & ~self.dot)

    def seats(self) -> list[tuple[int, int]]:
        """Each dot with each of the stacks that it may sit in."""
        dots = np.flatnonzero(self.dot).tolist()
        return [(k, host) for k in dots for host in self.hosts(k).tolist()]


@dataclass(frozen=True)
class DotSizes:
    """How large dots are on one die, px.

    Parameters
    ----------
    usual : (K,) float64
        The median area, as `dot_areas` finds it; infinite where it is not known.
    least : (K,) float64
        Smaller shapes are no dots: half the smallest swatch, since swatches lie inside dots.
    """

    usual: NDArray[np.float64]
    least: NDArray[np.float64]

    @classmethod
    def unknown(cls, least: NDArray[np.float64]) -> DotSizes:
        """Sizes before any dot was measured."""
        return cls(np.full(len(least), np.inf), least)


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
    ignored: NDArray[np.bool_],
    table: ColourTable,
    rules: LayerRules,
    dots: DotSizes,
    *,
    settings: SegmentSettings,
    edges: Edges | None = None,
) -> BlockLabels:
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
    edges : Edges, optional
        Without them edges stay where colours and trusted patches put them.

    Returns
    -------
    BlockLabels
    """
    if not covered.any():
        return _nothing_photographed(covered.shape, rules)
    index = table.index(colour)
    doubt = np.stack([np.take(plane, index) for plane in table.doubt])
    first = np.take(table.likeliest, index)
    flat = colour_slope(colour) < table.steep
    far = np.take(table.far, index)
    unknown = _unknown(far, flat, first, rules.dot[first], settings)
    edge_px = settings.edge_px
    trusted = (unknown == 0) & covered
    possible = covered & (far <= 4 * settings.unknown_sigma**2)
    cost, second = _bordering_cost(first, doubt, trusted, possible, flat, rules, edge_px)
    _give_back_dots(cost, rules, dots)
    _trim_dots(cost, rules, dots)
    label = _cheapest(cost)
    best = cost.min(0)
    nothing = best == _NO_BORDER
    spoiled = _debris(unknown, ~nothing, edge_px, settings.debris_px)
    spoiled |= _dirt_inside((unknown > 0) & covered, second, edge_px)
    spoiled = cv2.morphologyEx(spoiled, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8))
    spoiled |= rules.spoils[label] & ~nothing
    spoiled |= _false_dots(label, nothing, rules, dots)
    for k, islands, odd in _lone_overlaps(label, nothing, rules):
        _give_back(cost, k, islands.parts, odd, islands.area)
        spoiled |= islands.drawn(odd) & (cost[k] < _NO_BORDER)
    label = _cheapest(cost)
    if edges is not None:
        # what lies beside dirt is seldom what it looks like
        near_dirt = cv2.dilate((spoiled > 0).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        found = find_edges(luma_of(colour), label, ~nothing & ~near_dirt, edges)
        _settle_edges(cost, label, found)
        _join_lonely(cost, _cheapest(cost), found.place)
        _drop_crumbs(cost, rules, dots)
        best = cost.min(0)
        label = _cheapest(cost)
    label[nothing] = UNKNOWN
    label[(spoiled > 0) | ignored] = SPOILED
    label[~covered] = NOT_PHOTOGRAPHED
    chosen, membership = _probabilities(cost, best, label, rules)
    visible = _visible(label, rules)
    return BlockLabels(
        label,
        chosen,
        membership,
        visible,
        _inferred((membership > 127) & (visible > 0), visible, label),
    )


def _cheapest(cost: NDArray[np.number]) -> NDArray[np.uint8]:
    """(H, W), the first stack of least cost, of (K, H, W); numpy's argmin takes thrice as long."""
    least = cost[0].copy()
    label = np.zeros(least.shape, np.uint8)
    for k in range(1, len(cost)):
        np.copyto(label, k, where=cost[k] < least)
        np.minimum(least, cost[k], out=least)
    return label


def _all_but(cost: NDArray[np.uint8], k: int) -> NDArray[np.uint8]:
    """(H, W), the least cost of all stacks but one."""
    return np.asarray(np.delete(cost, k, axis=0).min(0))


def _settle_edges(cost: NDArray[np.uint8], label: NDArray[np.uint8], found: Moved) -> None:
    """Cost of both stacks by how far a px lies from the edge between them; changes `cost`."""
    planes = cost.reshape(len(cost), -1)
    odds = log_ndtr(np.abs(found.inside_px) / found.error_px)
    odds -= log_ndtr(-np.abs(found.inside_px) / found.error_px)
    tenths = np.clip(np.rint(10 * odds), 1, _MOST_COST).astype(np.uint8)
    stays = found.inside_px >= 0
    own, other = label.ravel()[found.place], found.other
    # that there are two stacks may be surer than which of them a px of their edge shows
    by_colour = planes[other, found.place]
    surer = stays & (by_colour > tenths) & (by_colour <= _MOST_COST)
    tenths = np.where(surer, by_colour, tenths)
    planes[:, found.place] = _NO_BORDER
    planes[np.where(stays, own, other), found.place] = 0
    planes[np.where(stays, other, own), found.place] = tenths


def _nothing_photographed(shape: tuple[int, ...], rules: LayerRules) -> BlockLabels:
    planes = np.zeros((len(rules.layers), *shape), np.uint8)
    label = np.full(shape, NOT_PHOTOGRAPHED, np.uint8)
    return BlockLabels(label, np.zeros(shape, np.uint8), planes, planes, planes)


def _probabilities(
    cost: NDArray[np.uint8], best: NDArray[np.uint8], label: NDArray[np.uint8], rules: LayerRules
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Probability of the chosen stack, and of each layer's presence, 0..255."""
    decay = np.exp(-0.1 * np.arange(256)).astype(np.float32)
    decay[_NO_BORDER - _MOST_COST :] = 0  # what does not border
    chosen = np.empty(best.shape, np.uint8)
    membership = np.empty((len(rules.layers), *best.shape), np.uint8)
    for y in range(0, len(best), _STRIP_PX):
        rows = slice(y, y + _STRIP_PX)
        weights = [cv2.LUT(cv2.subtract(plane[rows], best[rows]), decay) for plane in cost]
        total = np.sum(weights, axis=0)
        scale = np.where(label[rows] < UNKNOWN, 255 / np.maximum(total, 1e-6), 0).astype(np.float32)
        chosen[rows] = np.rint(scale)  # the likeliest stack has weight 1
        for layer, carrying in enumerate(rules.present.T):
            present = [weights[k] for k in np.flatnonzero(carrying)]
            membership[layer, rows] = np.rint(np.sum(present, axis=0) * scale) if present else 0
    return chosen, membership


def _unknown(
    far: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    first: NDArray[np.uint8],
    dot: NDArray[np.bool_],
    settings: SegmentSettings,
) -> NDArray[np.uint8]:
    """1 where a colour belongs to no stack: single px far off, or whole patches somewhat off.

    A px may lie a little off its stack by noise; the mean over a patch may not. Dirt is often
    told from the stack it imitates only so. Edges part the patches and take no part in the mean.
    What looks like a dot is smaller than such a patch, and is judged by its size and place.
    """
    distance2 = far.astype(np.float32) / 4
    unknown = distance2 > settings.unknown_sigma**2
    level = (flat & ~unknown).astype(np.float32)
    weight = cv2.GaussianBlur(level, (0, 0), 2.0)
    mean = cv2.GaussianBlur(distance2 * level, (0, 0), 2.0)
    off = (level > 0) & (mean > settings.patch_sigma**2 * weight) & ~dot
    off &= ~_blotches(off, first, flat & ~unknown)
    return (unknown | off).astype(np.uint8)


def _blotches(
    off: NDArray[np.bool_], first: NDArray[np.uint8], flat: NDArray[np.bool_], *, least: float = 0.3
) -> NDArray[np.bool_]:
    """Patches somewhat off in colour that go over into their own stack without an edge.

    Films vary from place to place, slowly; dirt has an outline, whose px are not flat. Of the px
    right beside such a patch a share of `least` must be flat, of its stack and not off.
    """
    count, parts = cv2.connectedComponents(off.astype(np.uint8), connectivity=4)
    if count == 1:
        return np.zeros(off.shape, bool)
    square = np.ones((3, 3), np.uint8)
    grown = cv2.dilate(parts.astype(np.float32), square)
    place = np.flatnonzero((grown > 0) & ~off)
    patch = grown.ravel()[place].astype(np.int32)
    own = np.zeros(count, np.uint8)
    inside = np.flatnonzero(off)
    own[parts.ravel()[inside]] = first.ravel()[inside]
    smooth = flat.ravel()[place] & (first.ravel()[place] == own[patch])
    share = np.bincount(patch, smooth, count) / np.maximum(np.bincount(patch, minlength=count), 1)
    share[0] = 0
    return np.asarray((share >= least)[parts])


def _debris(
    unknown: NDArray[np.uint8], explained: NDArray[np.bool_], edge_px: int, debris_px: float
) -> NDArray[np.uint8]:
    """Patches of unknown colour too wide to be the rim of something known.

    Outlines and blends are unknown too, but lie near a trusted patch. What lies beyond is debris,
    damage or background; it takes back the rim that was explained away, and 2 px more for its
    shadow.
    """
    core = unknown & ~explained
    size = max(1, round(debris_px))
    core = cv2.morphologyEx(core, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (4 * edge_px + 5, 4 * edge_px + 5))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    return cv2.dilate(cv2.dilate(core, reach) & (unknown | core), rim)


def _dirt_inside(
    unknown: NDArray[np.bool_],
    second: NDArray[np.uint8],
    edge_px: int,
    *,
    bridge_px: int = 31,
    least_px: int = 16,
) -> NDArray[np.uint8]:
    """Unknown colour inside one stack: scratches, hairs, specks.

    An outline parts two stacks; unknown colour with only one stack far around is dirt. Where dirt
    goes on at the other side of a line, the part between is spoiled too.
    """
    alone = (unknown & (second > _EIGHTHS * (edge_px + 7))).astype(np.uint8)
    alone = cv2.morphologyEx(alone, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    _, parts, stats, _ = cv2.connectedComponentsWithStats(alone, connectivity=8)
    kept = (stats[:, cv2.CC_STAT_AREA] >= least_px).astype(np.uint8)
    kept[0] = 0
    bridge = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (bridge_px, bridge_px))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    return cv2.dilate(cv2.morphologyEx(kept[parts], cv2.MORPH_CLOSE, bridge), rim)


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


def _give_back_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give shapes of a size that no dot has to the stack around them; changes `cost`.

    A contact seen only as the sagging of the metal over it has nearly the colour of metal, and
    then much of the metal has the colour of a contact. Only where the other stack explains the
    colour nearly as well; dirt it does not.
    """
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < _NO_BORDER)
        _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
        area = stats[:, cv2.CC_STAT_AREA]
        longest = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
        odd = _too_large(area, longest, dots.usual[k]) | (area < dots.least[k])
        odd[0] = False
        if not odd.any():
            continue
        _give_back(cost, int(k), parts, odd, area)


def _trim_dots(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Take arms off dots, narrower than half a dot; changes `cost`.

    A blend at the edge of the metal has the colour of a contact, and joins one that lies near.
    """
    for k in np.flatnonzero(rules.dot & np.isfinite(dots.usual)):
        width = int(np.sqrt(dots.usual[k]) / 2) | 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
        rest = _all_but(cost, int(k))
        mask = ((cost[k] <= rest) & (rest < _NO_BORDER)).astype(np.uint8)
        kept = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc)
        _, parts = cv2.connectedComponents(mask, connectivity=8)
        # what has no width anywhere is a small dot, not an arm
        wide = np.zeros(int(parts.max()) + 1, bool)
        wide[parts[kept > 0]] = True
        cost[k][(mask > kept) & wide[parts]] = _NO_BORDER


def _join_lonely(
    cost: NDArray[np.uint8], label: NDArray[np.uint8], place: NDArray[np.intp]
) -> None:
    """Give px of an edge with fewer than 2 like them around to the other side; changes `cost`."""
    flat, width = label.ravel(), label.shape[1]
    own, alike = flat[place], np.zeros(len(place), np.uint8)
    for step in (-width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1):
        alike += flat[place + step] == own
    lonely = alike < 2
    cost.reshape(len(cost), -1)[own[lonely], place[lonely]] = _NO_BORDER


def _drop_crumbs(cost: NDArray[np.uint8], rules: LayerRules, dots: DotSizes) -> None:
    """Give what is left of an outline, too small for a dot, to what else it may be."""
    for k in np.flatnonzero(rules.dot):
        rest = _all_but(cost, int(k))
        mask = (cost[k] <= rest) & (cost[k] < _NO_BORDER)
        _, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
        small = stats[:, cv2.CC_STAT_AREA] < dots.least[k]
        small[0] = False
        cost[k][small[parts] & (rest < _NO_BORDER)] = _NO_BORDER


def _give_back(
    cost: NDArray[np.uint8],
    k: int,
    parts: NDArray[np.int32],
    odd: NDArray[np.bool_],
    area: NDArray[np.int32],
    *,
    believable: float = 45.0,
) -> None:
    """Give odd shapes of stack `k` to the stack that explains them best; changes `cost`.

    Only where it explains them to `believable` tenths of a log unit in the mean.
    """
    place = np.flatnonzero(odd[parts])
    shape = parts.ravel()[place]
    planes = cost.reshape(len(cost), -1)
    # where nothing else borders, nothing else can explain the colour
    doubt = np.stack(
        [np.bincount(shape, np.minimum(p[place], _MOST_COST), len(area)) for p in planes]
    )
    doubt[k] = np.inf
    given = (doubt.min(0) <= believable * area)[shape]
    place, host = place[given], doubt.argmin(0)[shape[given]]
    planes[k, place] = _NO_BORDER
    planes[host, place] = 0


def _false_dots(
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


def _lone_overlaps(
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


def _bordering_cost(
    first: NDArray[np.uint8],
    doubt: NDArray[np.uint8],
    trusted: NDArray[np.bool_],
    possible: NDArray[np.bool_],
    flat: NDArray[np.bool_],
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

    The outlines on both sides of a narrow gap leave a patch of possible px in it whose colour is
    off, and which is not trusted: without it the gap would go to what bounds it. It counts where
    trusted patches of its stack lie near, as ground goes on beyond the lines that bound a gap;
    dirt has no such kin. It explains nothing that lay beyond the reach of trusted patches.
    """
    reach = np.uint8(min(_EIGHTHS * (2 * edge_px + 1), 250))
    seeds = _seeds(first, trusted, flat)
    apart = np.stack([_distance_to(seeds == k) for k in range(len(doubt))])
    kin = _kin_in_gaps(seeds, _seeds(first, possible, flat), apart, rules)
    _seat_dots(apart, rules)
    nearest, far_second = _two_nearest(apart)
    explained = nearest <= reach
    found = np.unique(kin[kin < 255])
    for k in found:
        np.minimum(apart[k], _distance_to(kin == k), out=apart[k])
    nearest, second = _two_nearest(apart) if len(found) else (nearest, far_second)
    limit = np.minimum(np.minimum(second, 251) + _EIGHTHS // 2, reach)
    # inside a trusted patch any other stack may be meant: there the doubt is that of the colours
    candidate = ((apart <= limit) | (nearest == 0)) & explained
    cost = np.minimum(doubt, _MOST_COST)
    upper = rules.hidden.any(1)
    between = (nearest > 0) & ~(candidate[upper].any(0))
    for plane, distance in zip(cost, apart, strict=True):
        farther = cv2.subtract(distance, nearest)
        plane[between] = np.minimum(farther, _MOST_COST // _NEARER)[between] * _NEARER
    for pair in rules.seats():
        both = candidate[pair[0]] & candidate[pair[1]] & (nearest > 0)
        _part_by_distance(cost, apart, pair, both)
    return np.where(candidate, cost, np.uint8(_NO_BORDER)), far_second


def _two_nearest(apart: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(H, W) distances of the nearest stack and of the next, of (K, H, W)."""
    nearest = np.full(apart.shape[1:], 255, np.uint8)
    second = nearest.copy()
    for distance in apart:
        second = np.minimum(second, np.maximum(nearest, distance))
        nearest = np.minimum(nearest, distance)
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

    `seeds` and `possible` are the stacks of trusted and of possible patches, `apart` the distances
    from the former, eighths of a px. Dots have no kin.
    """
    out = np.full(seeds.shape, 255, np.uint8)
    for k in np.flatnonzero(~rules.dot & ~rules.spoils):
        own = (possible == k) & (seeds == 255) & (apart[k] <= _EIGHTHS * reach_px)
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
        at_least = np.minimum(likelier + np.minimum(farther, 20) * _NEARER, _MOST_COST)
        # colour may tell them apart better than place does
        by_colour = np.minimum(costs[own, where], _MOST_COST)
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
            out = 2 * grow_px * _EIGHTHS
            beyond = np.minimum(around, 255 - _EIGHTHS // 2) + np.uint8(_EIGHTHS // 2)
            ring = np.where(around < out, np.uint8(out) - around, beyond)
            np.minimum(apart[host], ring, out=apart[host], where=around < 255)
        apart[k][apart[k] > 2 * grow_px * _EIGHTHS] = 255


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
    return [_distance_to(seat[parts] == n) for n in range(len(hosts))]


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
    inner = (alike & (stack < 255) & flat).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(inner, connectivity=8)
    kept = stats[:, cv2.CC_STAT_AREA] >= least_px
    kept[0] = False
    return np.where(kept[labels], first, np.uint8(255))


def _distance_to(mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Distance in eighths of a px to the nearest px that is set, at most 255."""
    if not mask.any():
        return np.full(mask.shape, 255, np.uint8)
    distance = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 3)
    return np.minimum(distance * _EIGHTHS, 255).astype(np.uint8)


def _visible(label: NDArray[np.uint8], rules: LayerRules) -> NDArray[np.uint8]:
    shows = np.zeros((len(rules.layers), 256), np.uint8)
    shows[:, : len(rules.stacks)] = np.where(rules.hidden.T, 0, 255)
    return np.stack([cv2.LUT(label, table) for table in shows])


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
