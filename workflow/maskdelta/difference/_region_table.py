"""regions.csv: what the block-wise comparison hands to grouping and ranking."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from maskdelta.difference._difference import Differences
from maskdelta.difference._masks import ADDED, REMOVED
from maskdelta.difference._regions import Region
from maskdelta.images import Box
from maskdelta.study import read_table, write_table

__all__ = ["read_regions", "write_regions"]

_STATES = {ADDED: "added", REMOVED: "removed"}
_SIGNS = {word: sign for sign, word in _STATES.items()}


def write_regions(
    path: str | Path, differences: Differences, origin: tuple[int, int], *, um_per_px: float
) -> None:
    """Write all regions that are listed or doubtful, in px of the mosaic before.

    Scores are written in log units times um, so that pairs of other magnification compare.
    """
    ox, oy = origin
    write_table(
        path,
        "regions",
        [
            {
                "layer": differences.layers[region.layer],
                "state": _STATES[region.sign],
                "listed": not region.doubt,
                "doubt": region.doubt,
                "score": region.score * um_per_px,
                "area_px": region.area_px,
                "core_px": region.core_px,
                "x_px": region.x + ox,
                "y_px": region.y + oy,
                "x0_px": region.box.x0 + ox,
                "y0_px": region.box.y0 + oy,
                "x1_px": region.box.x1 + ox,
                "y1_px": region.box.y1 + oy,
                "for_before": region.for_before,
                "for_after": region.for_after,
                "affinity": region.affinity,
                "near_spoiled": region.near_spoiled,
                "soft_outline": region.soft_outline,
            }
            for region in (*differences.regions, *differences.doubtful)
        ],
    )


def read_regions(
    path: str | Path, layers: Sequence[str], origin: tuple[int, int]
) -> tuple[list[Region], list[Region]]:
    """Read the listed and the doubtful regions, in px of the raster whose origin is given."""
    ox, oy = origin
    listed: list[Region] = []
    doubtful: list[Region] = []
    for row in read_table(path, "regions"):
        (listed if row["listed"] else doubtful).append(
            Region(
                layers.index(row["layer"]),
                _SIGNS[row["state"]],
                (),
                row["area_px"],
                row["core_px"],
                row["x_px"] - ox,
                row["y_px"] - oy,
                Box(row["x0_px"] - ox, row["y0_px"] - oy, row["x1_px"] - ox, row["y1_px"] - oy),
                row["for_before"],
                row["for_after"],
                row["affinity"],
                row["near_spoiled"],
                row["soft_outline"],
                row["doubt"],
            )
        )
    return listed, doubtful
