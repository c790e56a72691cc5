"""Places that lie whole pitches apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["pitches_of", "points_near", "steps_around"]

Array = NDArray[np.float64]


def pitches_of(shifts: Sequence[Sequence[Array]]) -> list[Array]:
    """The shortest step between shifts of one list, and the shortest in another direction.

    Parameters
    ----------
    shifts : sequence of lists of (2,) float64
        Those of one list lie on one lattice, and so do the steps of all.

    Returns
    -------
    list of (2,) float64
        Up to two; none where every list holds one shift.
    """
    apart = [
        one - two
        for found in shifts
        for i, one in enumerate(found)
        for j, two in enumerate(found)
        if i != j
    ]
    apart.sort(key=lambda v: (round(float(np.hypot(*v)), 1), -v[0], -v[1]))
    if not apart:
        return []
    first = apart[0]
    for second in apart:
        across = abs(first[0] * second[1] - first[1] * second[0])
        if across > 0.3 * np.hypot(*first) * np.hypot(*second):
            return [first, second]
    return [first]


def steps_around(pitches: Sequence[Array]) -> list[Array]:
    """Steps to the neighbouring points of a lattice."""
    if len(pitches) < 2:
        return [sign * pitch for pitch in pitches for sign in (-1.0, 1.0)]
    one, two = pitches
    return [i * one + j * two for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]


def points_near(
    point: Array, pitches: Sequence[Array], middle: Array, *, within_px: float, most: int = 16
) -> list[Array]:
    """Points of the lattice through `point` near a place, the nearest first.

    Parameters
    ----------
    point, middle : (2,) float64
    pitches : sequence of (2,) float64
        With fewer than two, nothing is found.
    within_px : float
        How far they may lie from `middle` along x and y.
    most : int
    """
    if len(pitches) < 2 or not np.isfinite(within_px):
        return []
    basis = np.column_stack(pitches)
    nearest = np.rint(np.linalg.solve(basis, middle - point))
    around = np.array([(i, j) for i in range(-4, 5) for j in range(-4, 5)])
    found = point + (nearest + around) @ basis.T
    far = np.abs(found - middle).max(1)
    order = np.lexsort((found[:, 0], found[:, 1], np.round(far, 3)))
    return [found[k] for k in order if far[k] <= within_px][:most]
