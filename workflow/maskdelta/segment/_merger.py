"""The views of one die merged block by block."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, map_block, map_ordered, spread_blocks
from maskdelta.register import ErrorMap
from maskdelta.segment._merge import Told, merge_halo_px, merge_told
from maskdelta.segment._rules import NOT_PHOTOGRAPHED
from maskdelta.study import LayerStack, Registration

__all__ = ["MOST_BLOCK_PX", "LaidView", "LayerRasters", "Merger"]

MOST_BLOCK_PX = 1024
"""Some 30 planes of a block are held at once for each view."""

_NONE, _MAIN, _AT_ODDS = 0, 1, 255
Planes = NDArray[np.uint8]


@dataclass(frozen=True)
class LayerRasters:
    """The open layer files of one view."""

    membership: Raster
    visible: Raster
    inferred: Raster
    confidence: Raster
    labels: Raster

    @classmethod
    def open(cls, layers: LayerStack, stack: ExitStack) -> LayerRasters:
        """Open them until the stack closes."""
        paths = (layers.membership, layers.visible, layers.inferred, layers.confidence)
        return cls(*(stack.enter_context(Raster.open(p)) for p in (*paths, layers.labels)))


@dataclass(frozen=True)
class LaidView:
    """A further view and its way into the frame of the main one.

    Parameters
    ----------
    rasters : LayerRasters
    registration : Registration
        From this view (after) to the main one (before).
    error : ErrorMap
    most_error_px : float
        Where the 95 % radius of the error is larger, the view shows nothing.
    edge_px : int
        How far labels may lie off at edges in one view.
    """

    rasters: LayerRasters
    registration: Registration
    error: ErrorMap
    most_error_px: float
    edge_px: int

    @property
    def reach_px(self) -> int:
        """How far apart the outlines of one thing may lie: as edges do, and the map misses.

        One number for the whole die, so that blocks leave no trace.
        """
        return self.edge_px + int(np.ceil(self.registration.figures["left_out_p95_px"]))

    def over(self, box: Box) -> tuple[Planes, NDArray[np.bool_], Planes, Planes]:
        """Membership, where a layer can be seen, confidence and inferred, over a box.

        The box is one of the main view's mosaic frame. Everything is resampled once. A px between
        one that shows a layer and one that does not shows nothing: its membership is a blend.
        """
        block = map_block(box, self.registration.before_to_after)

        def planes(raster: Raster, *, nearest: bool = False) -> Planes:
            return np.stack([block.resample(p, nearest=nearest) for p in block.fetch(raster)])

        reached = self.error.over(box) <= self.most_error_px
        seen = (planes(self.rasters.visible) == 255) & reached
        inferred = planes(self.rasters.inferred, nearest=True) * reached.astype(np.uint8)
        confidence = planes(self.rasters.confidence)[0]
        return planes(self.rasters.membership), seen, confidence, inferred


@dataclass(frozen=True)
class Merger:
    """Merges a main view with others, and counts px by layer and view.

    Parameters
    ----------
    main : LayerRasters
    further : sequence of LaidView
    shown : (1 + further, L) bool
        Layers that each view tells of, the main one first.
    """

    main: LayerRasters
    further: Sequence[LaidView]
    shown: NDArray[np.bool_]
    _counts: list[NDArray[np.int64]] = field(default_factory=list)

    def without(self, distrusted: NDArray[np.bool_]) -> Merger:
        """The same, with (further, L) layers that the further views do not tell of."""
        shown = self.shown.copy()
        shown[1:] &= ~distrusted
        return replace(self, shown=shown, _counts=[])

    def at_odds_frac(
        self, *, side_px: int = 512, most: int = 24, least_px: int = 200, threads: int = 1
    ) -> NDArray[np.float64]:
        """(further, L) contradicted share of what either view shows of a layer.

        Counted where both look, in up to `most` patches spread over the die; 0 where they show
        fewer than `least_px` of the layer.
        """
        patches = spread_blocks(self.main.labels.shape, side_px, most=most)
        found = list(map_ordered(self._contradictions, patches, threads=threads))
        odd, either = np.sum(found, axis=0)
        return np.where(either >= least_px, odd / np.maximum(either, 1), 0.0)

    def render(self, box: Box) -> tuple[Planes, ...]:
        """Membership, visible, inferred, confidence and label over a box of the raster."""
        wide, inner = self._wide(box)
        label, confidence = (r.read(wide)[0] for r in (self.main.labels, self.main.confidence))
        told = self._main(wide)
        inferred = self.main.inferred.read(wide)
        source = np.stack([np.where(t.told, _MAIN, _NONE) for t in told]).astype(np.uint8)
        photographed = label != NOT_PHOTOGRAPHED
        area = photographed[inner]
        shown = [[np.count_nonzero(t.told[inner] & area) for t in told]]
        twice = np.zeros(len(told), np.int64)
        for number, (view, laid) in enumerate(zip(self.further, self._laid(wide), strict=True)):
            inferred |= laid[1] * photographed.astype(np.uint8)
            shown.append([np.count_nonzero(t.told[inner] & area) for t in laid[0]])
            for k, other in enumerate(laid[0]):
                twice[k] += np.count_nonzero((told[k].told & other.told)[inner] & area)
                merged = merge_told(told[k], other, reach_px=view.reach_px)
                told[k] = merged.both
                source[k][merged.second] = number + _MAIN + 1
                source[k][merged.at_odds] = _AT_ODDS
        sure_of = [
            np.where(s > _NONE, t.confidence, np.uint8(255))
            for t, s in zip(told, source, strict=True)
        ]
        surest = np.where((source > _NONE).any(0), np.min(sure_of, axis=0), confidence)
        counts = [np.bincount(s[inner][area], minlength=256) for s in source]
        self._counts.append(np.column_stack([counts, twice, *shown]))
        visible = np.stack([t.told for t in told])
        cut = (..., *inner)
        return (
            np.stack([t.membership for t in told])[cut],
            (visible * np.uint8(255))[cut],
            np.where(visible, np.uint8(0), inferred)[cut],
            surest[None][cut],
            label[None][cut],
        )

    def shares(self, layers: Sequence[str], views: Sequence[str]) -> dict[str, Any]:
        """By layer, of all that was rendered: shares of the photographed area.

        From each view, shown by each view, hidden in all, contradicted, and seen by more than one.
        """
        total = np.sum(self._counts, axis=0)
        found = {}
        for name, row in zip(layers, total, strict=True):
            area = max(int(row[:256].sum()), 1)
            found[name] = {
                "from": {v: round(row[k] / area, 6) for k, v in enumerate(views, start=_MAIN)},
                "shown": {v: round(row[257 + k] / area, 6) for k, v in enumerate(views)},
                "hidden_frac": round(row[_NONE] / area, 6),
                "at_odds_frac": round(row[_AT_ODDS] / area, 6),
                "seen_twice_frac": round(row[256] / area, 6),
            }
        return found

    def _wide(self, box: Box) -> tuple[Box, tuple[slice, slice]]:
        """A box with the halo that merging needs, and the part of it that is the box."""
        halo = max((merge_halo_px(view.reach_px) for view in self.further), default=0)
        inner = (slice(halo, halo + box.height), slice(halo, halo + box.width))
        return box.grown(halo), inner

    def _main(self, wide: Box) -> list[Told]:
        """What the main view tells of each layer over a box of the raster."""
        seen = self.main.visible.read(wide) > 0
        confidence = self.main.confidence.read(wide)[0]
        return _told(self.main.membership.read(wide), seen, confidence, self.shown[0])

    def _laid(self, wide: Box) -> Iterator[tuple[list[Told], Planes]]:
        """What each further view tells of each layer, and what it infers."""
        photographed = self.main.labels.read(wide)[0] != NOT_PHOTOGRAPHED
        for view, shows in zip(self.further, self.shown[1:], strict=True):
            planes, seen, sure, inferred = view.over(wide.moved(*self.main.labels.origin))
            yield _told(planes, seen & photographed, sure, shows), inferred

    def _contradictions(self, box: Box) -> NDArray[np.int64]:
        """(2, further, L) px contradicted, and px that either view shows of a layer."""
        wide, inner = self._wide(box)
        found = np.zeros((2, len(self.further), self.shown.shape[1]), np.int64)
        main = self._main(wide)
        for number, (view, (told, _)) in enumerate(
            zip(self.further, self._laid(wide), strict=True)
        ):
            for k, (one, other) in enumerate(zip(main, told, strict=True)):
                merged = merge_told(one, other, reach_px=view.reach_px)
                either = one.told & other.told & (one.present | other.present)
                found[0, number, k] = np.count_nonzero(merged.at_odds[inner])
                found[1, number, k] = np.count_nonzero(either[inner])
        return found


def _told(
    membership: Planes,
    seen: NDArray[np.bool_],
    confidence: Planes,
    shows: NDArray[np.bool_],
) -> list[Told]:
    return [
        Told(plane, visible & shown, confidence)
        for plane, visible, shown in zip(membership, seen, shows, strict=True)
    ]
