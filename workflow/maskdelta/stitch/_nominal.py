"""How far the places that a stage or an overview gave can be believed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["expected_places", "stage_error", "stage_reach"]

Array = NDArray[np.float64]


def expected_places(centres: Array, nominal: Array, sure: NDArray[np.bool_]) -> Array:
    """Nominal places in the frame of the tiles whose place is sure, (n, 2).

    An affine map (stage and camera are turned against each other, and a step is known to a few
    parts in a thousand), by least absolute residuals; a shift where fewer than eight are sure.
    """
    if sure.sum() < 8:
        return nominal + np.median((centres - nominal)[sure], axis=0)
    middle = nominal[sure].mean(0)
    spread = max(float(nominal[sure].std()), 1.0)
    design = np.column_stack([(nominal - middle) / spread, np.ones(len(nominal))])
    off = (centres - nominal)[sure]
    weight = np.ones(len(off))
    for _ in range(8):
        part = design[sure] * weight[:, None]
        # a slight pull to the shift alone holds a single row of tiles
        normal = part.T @ design[sure] + 1e-3 * np.diag([1.0, 1.0, 0.0])
        fit = np.linalg.solve(normal, part.T @ off)
        weight = 1 / np.maximum(np.hypot(*(off - design[sure] @ fit).T), 0.2)
    return nominal + design @ fit


def stage_error(centres: Array, nominal: Array | None, sure: NDArray[np.bool_]) -> float:
    """Spread of the nominal places about those found, px per axis; inf where unknown."""
    if nominal is None or sure.sum() < 5:
        return float("inf")
    apart = (centres - expected_places(centres, nominal, sure))[sure]
    return float(1.4826 * np.median(np.abs(apart - np.median(apart, axis=0))))


def stage_reach(
    centres: Array,
    nominal: Array,
    sure: NDArray[np.bool_],
    *,
    least_tiles: int = 20,
    times: float = 2.0,
    sigmas: float = 4.0,
    least_px: float = 4.0,
) -> float:
    """How far from its nominal place a tile may lie at all, px; inf where too few are sure.

    Twice as far as any of many tiles does: one slip of the stage among them is enough, and nothing
    is out of reach.
    """
    if sure.sum() < least_tiles:
        return float("inf")
    largest = np.hypot(*(centres - expected_places(centres, nominal, sure))[sure].T).max()
    error = stage_error(centres, nominal, sure)
    return float(max(times * largest, sigmas * error, least_px))
