"""Places inside the outline of the tiles that no tile shows, or that too little ties together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["find_gaps"]

Array = NDArray[np.float64]


def find_gaps(
    centres: Array,
    sizes: Array,
    absent: Array,
    linked: Sequence[tuple[int, int]],
    names: Sequence[str],
    *,
    min_overlap_frac: float,
    neighbours: Sequence[tuple[int, int]],
) -> list[dict[str, Any]]:
    """List the places that need another tile.

    Parameters
    ----------
    centres, sizes : (n, 2) float64
        Of the tiles, px.
    absent : (m, 2) float64
        Centres of the places that were meant to be photographed but have no tile.
    linked : sequence of (int, int)
        Pairs that correlate.
    names : sequence of str
    min_overlap_frac : float
        Least share of a tile that neighbours should have in common.
    neighbours : sequence of (int, int)
        Pairs next to one another that should overlap.

    Returns
    -------
    list of dict
        x_px, y_px (where to centre another tile), area_px2, why, take (a sentence).
    """
    size = np.median(sizes, axis=0)
    gaps = [_gap(x, y, float(np.prod(size)), "no tile was given for this place") for x, y in absent]
    filled = np.concatenate([centres, absent])
    filled_sizes = np.concatenate([sizes, np.tile(size, (len(absent), 1))])
    gaps += _holes(filled, filled_sizes)
    touching = set(linked)
    for a, b in neighbours:
        side = (sizes[a] + sizes[b]) / 2 - np.abs(centres[a] - centres[b])
        share = float(np.prod(np.maximum(side, 0)) / np.prod(np.minimum(sizes[a], sizes[b])))
        if share >= min_overlap_frac and (a, b) in touching:
            continue
        x, y = (centres[a] + centres[b]) / 2
        if share < min_overlap_frac:
            why = f"{names[a]} and {names[b]} overlap by {100 * share:.1f} % of a tile only"
        else:
            why = f"{names[a]} and {names[b]} overlap but do not correlate"
        gaps.append(_gap(x, y, 0.0, why))
    return gaps


def _gap(x: float, y: float, area: float, why: str) -> dict[str, Any]:
    take = f"take a tile centred at x {x:.0f}, y {y:.0f} px"
    return {
        "x_px": round(float(x), 1),
        "y_px": round(float(y), 1),
        "area_px2": round(float(area), 0),
        "why": why,
        "take": take,
    }


def _holes(centres: Array, sizes: Array) -> list[dict[str, Any]]:
    """Connected uncovered places inside the hull of all tiles, larger than slivers."""
    unit = float(sizes.min()) / 32
    size = np.median(sizes, axis=0)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    # slivers at the rim come from stage error, not from a missing tile
    hull_points = (centres[:, None] + 0.84 * corners * size).reshape(-1, 2)
    low = np.minimum(hull_points.min(0), (centres - sizes / 2).min(0))
    high = np.maximum(hull_points.max(0), (centres + sizes / 2).max(0))
    width, height = (int(np.ceil(v)) + 1 for v in (high - low) / unit)
    inside = np.zeros((height, width), np.uint8)
    hull = cv2.convexHull(((hull_points - low) / unit).astype(np.float32))
    cv2.fillConvexPoly(inside, np.rint(hull).astype(np.int32), 1)
    for centre, tile in zip(centres, sizes, strict=True):
        x0, y0 = np.floor((centre - tile / 2 - low) / unit).astype(int)
        x1, y1 = np.ceil((centre + tile / 2 - low) / unit).astype(int)
        inside[max(y0, 0) : y1 + 1, max(x0, 0) : x1 + 1] = 0
    count, _, stats, middles = cv2.connectedComponentsWithStats(inside, connectivity=4)
    gaps = []
    for k in range(1, count):
        area = float(stats[k, cv2.CC_STAT_AREA]) * unit**2
        if area < 0.01 * float(np.prod(size)):
            continue
        x, y = middles[k] * unit + low
        share = 100 * area / float(np.prod(size))
        gaps.append(_gap(x, y, area, f"not photographed: {share:.0f} % of a tile is missing"))
    return gaps
