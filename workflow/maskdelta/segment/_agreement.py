"""Whether overlapping tiles are taken for the same away from edges: a check without truth."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.errors import SegmentationError
from maskdelta.images import Box, Raster, map_ordered
from maskdelta.segment._labeller import Labeller
from maskdelta.segment._tile_stacks import TileStacks
from maskdelta.study import Pose, Poses, write_json
from maskdelta.survey import FlatField

__all__ = ["PairAgreement", "TileAgreement", "tile_agreement"]

Counts = NDArray[np.int64]

_LEAST_PX = 200
"""A pair of which fewer px were looked at is not called the worst."""


@dataclass(frozen=True)
class PairAgreement:
    """Two tiles: px looked at, and those given the same stack in both."""

    file_a: str
    file_b: str
    px: int
    agree_px: int

    @property
    def agree_frac(self) -> float:
        """Share of the px given the same stack."""
        return self.agree_px / max(self.px, 1)


@dataclass(frozen=True)
class TileAgreement:
    """How far overlapping tiles agree.

    Parameters
    ----------
    patches : int
        Looked at.
    pairs : tuple of PairAgreement
        Those of which any px was looked at, in the order of the tiles.
    mixed : tuple of (str, str, int)
        Two stacks, or a stack and `unknown`, and px given one of them in either tile; most first.
    """

    patches: int
    pairs: tuple[PairAgreement, ...] = field(default_factory=tuple)
    mixed: tuple[tuple[str, str, int], ...] = ()

    @property
    def px(self) -> int:
        """All px looked at."""
        return sum(pair.px for pair in self.pairs)

    @property
    def agree_frac(self) -> float | None:
        """Share of all px given the same stack; None where nothing was looked at."""
        return sum(pair.agree_px for pair in self.pairs) / self.px if self.px else None

    @property
    def worst(self) -> PairAgreement | None:
        """The pair that agrees least, of those of which enough was seen."""
        known = [pair for pair in self.pairs if pair.px >= _LEAST_PX]
        return min(known, key=lambda pair: pair.agree_frac, default=None)

    def write(self, path: str | Path) -> None:
        """Write `tile_agreement.json`."""
        share, worst = self.agree_frac, self.worst
        write_json(
            path,
            {
                "agree_frac": None if share is None else round(share, 6),
                "px": self.px,
                "patches": self.patches,
                "worst": None if worst is None else _record(worst),
                "mixed": [{"stacks": [a, b], "px": px} for a, b, px in self.mixed],
                "pairs": [_record(pair) for pair in self.pairs],
            },
        )


def _record(pair: PairAgreement) -> dict[str, Any]:
    return {
        "file_a": pair.file_a,
        "file_b": pair.file_b,
        "px": pair.px,
        "agree_frac": round(pair.agree_frac, 6),
    }


def tile_agreement(
    files: Sequence[str | Path],
    poses: Poses,
    flat_field: FlatField,
    labeller: Labeller,
    labels: Raster,
    *,
    blurred: Collection[int] = (),
    each: int = 4,
    most: int = 800,
    side_px: int = 128,
    edge_px: int = 3,
    threads: int = 1,
) -> TileAgreement:
    """Classify overlaps in both tiles by the table of colours, and count px of the same stack.

    Patches are looked at, not all px: `each` along the overlap of two tiles, fewer where there are
    so many pairs that `most` patches would be exceeded, and then pairs all over the die. Left out
    are px within `edge_px` of an outline of the labels, debris and what is unknown in the labels,
    and what neither tile shows in a known colour; a px of known colour in one tile only counts as a
    contradiction. Colours are smoothed by half of `edge_px`, since no stack is told by the grain of
    single px.

    Parameters
    ----------
    files : sequence of path
    poses : Poses
    flat_field : FlatField
        As for the mosaic.
    labeller : Labeller
    labels : Raster
        Of the view.
    blurred : collection of int
        Numbers of the tiles out of focus, from 1; they are set aside anyway and left out.
    each, most, side_px, edge_px, threads : int

    Returns
    -------
    TileAgreement

    Raises
    ------
    SegmentationError
        When the file of a placed tile is missing.
    """
    paths = {Path(file).name: file for file in files}
    tiles = [
        pose
        for number, pose in enumerate(poses.tiles, start=1)
        if pose.placed and number not in blurred
    ]
    missing = [pose.file for pose in tiles if pose.file not in paths]
    if missing:
        raise SegmentationError(
            f"{missing[0]}: this placed tile is not among the files given; run the study again."
        )
    overlaps = list(_overlaps(tiles, side_px))
    overlaps = overlaps[:: max(1, -(-len(overlaps) // most))]
    count = max(1, min(each, most // max(len(overlaps), 1)))
    looked = [
        (first, second, place)
        for first, second, area in overlaps
        for place in _places(area, count, side_px)
    ]
    sampler = TileStacks(paths, flat_field, labeller, labels, edge_px)
    tables: dict[tuple[str, str], Counts] = {}
    for key, found in map_ordered(lambda item: sampler.compare(*item), looked, threads=threads):
        tables[key] = tables.get(key, np.zeros_like(found)) + found
    pairs = [
        PairAgreement(*key, int(table.sum()), int(np.trace(table)))
        for key, table in tables.items()
        if table.any()
    ]
    return TileAgreement(len(looked), tuple(pairs), _mixed(tables.values(), labeller))


def _mixed(
    tables: Collection[Counts], labeller: Labeller, *, most: int = 3
) -> tuple[tuple[str, str, int], ...]:
    """Stacks that two tiles do not agree on, those of most px first."""
    if not tables:
        return ()
    total = np.sum(list(tables), axis=0)
    names = (*labeller.rules.stacks, "unknown")
    found = [
        (names[a], names[b], int(total[a, b] + total[b, a]))
        for a in range(len(names))
        for b in range(a + 1, len(names))
    ]
    return tuple(sorted((row for row in found if row[2]), key=lambda row: -row[2])[:most])


def _overlaps(tiles: Sequence[Pose], side_px: int) -> Iterator[tuple[Pose, Pose, shapely.Geometry]]:
    """Pairs of tiles that share more than half a patch, with what they share."""
    outlines = [shapely.Polygon(pose.outline()) for pose in tiles]
    tree = shapely.STRtree(outlines)
    for k, outline in enumerate(outlines):
        for other in sorted(tree.query(outline, predicate="intersects").tolist()):
            if other > k:
                shared = outline.intersection(outlines[other])
                if shared.area > side_px**2 / 2:
                    yield tiles[k], tiles[other], shared


def _places(area: shapely.Geometry, most: int, side_px: int) -> list[Box]:
    """Squares spread along what two tiles share, so that none covers another."""
    x0, y0, x1, y1 = shapely.bounds(area).tolist()
    wide = x1 - x0 > y1 - y0
    count = max(1, min(most, int(max(x1 - x0, y1 - y0) / side_px)))
    found = []
    for step in (np.arange(count) + 0.5) / count:
        x = x0 + (x1 - x0) * (step if wide else 0.5)
        y = y0 + (y1 - y0) * (0.5 if wide else step)
        left, top = round(x - side_px / 2), round(y - side_px / 2)
        found.append(Box(left, top, left + side_px, top + side_px))
    return found
