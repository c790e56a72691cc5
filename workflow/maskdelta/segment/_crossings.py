"""Where layers seem to cross, and only a narrow gap between them looks so."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._rules import LayerRules

__all__ = ["crossing_blends"]


def crossing_blends(
    first: NDArray[np.uint8],
    seeds: NDArray[np.uint8],
    rules: LayerRules,
    *,
    side_px: int = 3,
    core_px: int = 8,
    reach_px: int = 8,
) -> NDArray[np.bool_]:
    """Px in the colour of layers crossing that are but the strip between two other stacks.

    Polysilicon and diffusion with 4 px of bare ground between leave a strip as dark as where they
    cross, of which a px or two are as even as any patch. What truly crosses is wider, or lies
    between two parts of one stack. The cost: a crossing narrower than 5 px at whose sides different
    stacks lie is taken for a gap.

    Parameters
    ----------
    first : (H, W) uint8
        The likeliest stack.
    seeds : (H, W) uint8
        The stack of each trusted px; 255 elsewhere.
    rules : LayerRules
    side_px : int
        Square of trusted px that a crossing holds.
    core_px : int
        How far from such a square a crossing may go on.
    reach_px : int
        How far off the two stacks may be, along a row or a column.

    Returns
    -------
    (H, W) bool
    """
    out = np.zeros(first.shape, bool)
    drawn, fewer = rules.drawn(), rules.fewer()
    square = np.ones((side_px, side_px), np.uint8)
    around, beside = (np.ones((2 * px + 1,) * 2, np.uint8) for px in (core_px, reach_px // 2))
    for k in drawn[rules.present[drawn].sum(1) >= 2]:
        core = cv2.morphologyEx((seeds == k).view(np.uint8), cv2.MORPH_OPEN, square)
        slivers = (first == k) & (cv2.dilate(core, around) == 0)
        if slivers.any():
            place = np.flatnonzero(slivers)
            apart, alike = _sides(seeds, place, k, fewer[k], reach_px)
            between = np.zeros(first.shape, np.uint8)
            between.ravel()[place] = apart
            # at the end of a gap, where it goes under metal, one side may lack
            near = apart | (cv2.dilate(between, beside).ravel()[place] > 0) & ~alike
            out.ravel()[place[near]] = True
    return out


@compiled
def _sides(
    seeds: NDArray[np.uint8],
    places: NDArray[np.intp],
    k: int,
    part: NDArray[np.bool_],
    reach: int,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether px, of flat indices `places`, lie between parts of two kinds, and of one kind.

    Along a row or a column, beyond the seeds of the stack `k` itself.
    """
    height, width = seeds.shape
    apart, alike = np.zeros(len(places), np.bool_), np.zeros(len(places), np.bool_)
    for n in range(len(places)):
        y, x = places[n] // width, places[n] % width
        for dy, dx in ((0, 1), (1, 0)):
            one, other = 255, 255
            for sign in (-1, 1):
                for step in range(1, reach + 1):
                    v, u = y + sign * step * dy, x + sign * step * dx
                    if v < 0 or v >= height or u < 0 or u >= width:
                        break
                    if seeds[v, u] != 255 and seeds[v, u] != k:
                        one, other = other, seeds[v, u]
                        break
            if part[one] and part[other]:
                apart[n] |= one != other
                alike[n] |= one == other
    return apart, alike
