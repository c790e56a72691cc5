"""Sharpness of a tile relative to its neighbours, where both saw the same place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskdelta.survey._look import Look
from maskdelta.survey._ratios import Overlap

__all__ = ["relative_focus"]


def relative_focus(looks: Sequence[Look], overlaps: Sequence[Overlap]) -> NDArray[np.float64]:
    """Sharpness of each tile against its neighbours; 1 where there is nothing to compare with.

    Sharpness is the root of the mean squared Laplacian. It is never compared between different
    places, since what lies there decides it. In each overlap the medians over the cells with the
    strongest detail are compared; a tile takes the median over its overlaps, so that one blurred
    neighbour does not raise it.

    Returns
    -------
    (n,) float64
    """
    ratios: list[list[float]] = [[] for _ in looks]
    for overlap in overlaps:
        ratio = _sharpness_ratio(looks[overlap.a], looks[overlap.b], overlap)
        if ratio is not None:
            ratios[overlap.a].append(ratio)
            ratios[overlap.b].append(1 / ratio)
    return np.array([float(np.median(found)) if found else 1.0 for found in ratios])


def _sharpness_ratio(a: Look, b: Look, overlap: Overlap) -> float | None:
    x, y = round(overlap.x_px / a.cell_px), round(overlap.y_px / a.cell_px)
    (ha, wa), (hb, wb) = a.stored_sharpness.shape, b.stored_sharpness.shape
    x0, y0, x1, y1 = max(0, x), max(0, y), min(wa, x + wb), min(ha, y + hb)
    if (x1 - x0) * (y1 - y0) < 16 or x1 <= x0 or y1 <= y0:
        return None
    roots = a.stored_sharpness[y0:y1, x0:x1], b.stored_sharpness[y0 - y : y1 - y, x0 - x : x1 - x]
    of_a, of_b = (root.astype(np.float32) ** 2 for root in roots)
    strength = of_a + of_b
    strong = strength >= np.quantile(strength, 0.7)
    sum_a, sum_b = float(of_a[strong].mean()), float(of_b[strong].mean())
    if min(sum_a, sum_b) <= 1e-6:
        return None
    return float(np.sqrt(sum_a / sum_b))
