"""Haze: light that a tile shows besides what its neighbours show of the same place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.survey._flat_field import FlatField
from maskdelta.survey._look import Look
from maskdelta.survey._ratios import Overlap, cells_in_both

__all__ = ["relative_haze"]

Array = NDArray[np.float64]
_BLOCK = 2  # cells: means, so that a shift of half a cell says little


def relative_haze(
    looks: Sequence[Look], overlaps: Sequence[Overlap], flat_field: FlatField
) -> Array:
    """Light that lies over each tile, as a share of the median light of the view.

    A veil of scattered light adds the same everywhere and exposure multiplies, so that in an
    overlap, in linear light, I_a = g I_b + d: where it is dark, d tells how much more of a veil a
    has. As with focus, a tile takes the median over its overlaps, so that one hazy neighbour does
    not count against it. Overlaps in which all is about equally bright tell nothing.

    Returns
    -------
    (n,) float64
        0 for tiles with fewer than two overlaps that tell.
    """
    gains = cache(flat_field.gain)
    found: list[list[float]] = [[] for _ in looks]
    for overlap in overlaps:
        line = _line(looks[overlap.a], looks[overlap.b], overlap, gains)
        if line is not None:
            gain, offset = line
            found[overlap.a].append(offset)
            found[overlap.b].append(-offset / gain)
    light = float(np.median([np.median(look.linear) for look in looks]))
    veils = [float(np.median(offsets)) if len(offsets) > 1 else 0.0 for offsets in found]
    return np.array(veils) / max(light, 1e-3)


def _line(
    a: Look,
    b: Look,
    overlap: Overlap,
    gains: Callable[[tuple[int, int]], NDArray[np.float32]],
) -> tuple[float, float] | None:
    """Slope and offset of a's light over b's; None where too little of the light varies."""
    of_a, of_b, fine, (_, corner) = cells_in_both(a, b, overlap, gains)
    size = (fine.shape[1] // _BLOCK, fine.shape[0] // _BLOCK)
    if min(size) < 4:
        return None
    # b was interpolated between cells, which takes contrast from it; as much is taken from a
    across, down = (
        np.array([v / 2, 1 - v, v / 2])
        for v in (corner - np.floor(corner)) * (np.ceil(corner) - corner)
    )
    of_a = cv2.sepFilter2D(of_a, cv2.CV_32F, across, down).astype(np.float32)
    share, mean_a, mean_b = (
        cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        for plane in (fine, (of_a * fine[..., None]).mean(2), (of_b * fine[..., None]).mean(2))
    )
    good = share > 0.99
    if good.sum() < 40:
        return None
    # sorted against sorted: that the overlap is known to half a cell only does not flatten the line
    shares = np.arange(0.04, 0.97, 0.04)
    x, y = (np.quantile(plane[good].astype(float), shares) for plane in (mean_b, mean_a))
    spread = float(x.var())
    if spread < (0.3 * x.mean()) ** 2:
        return None
    gain = float(((x - x.mean()) * (y - y.mean())).mean()) / spread
    return gain, float(y.mean() - gain * x.mean())
