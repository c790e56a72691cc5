"""Coarse places of the tiles from the pairs of the survey."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.sparse
import scipy.sparse.linalg
from numpy.typing import NDArray

from maskdelta.survey._neighbours import Neighbour

__all__ = ["coarse_centres"]

Array = NDArray[np.float64]


def coarse_centres(
    count: int, pairs: Sequence[Neighbour], nominal: Array | None, *, size_px: float
) -> Array:
    """Centres of the tiles: least absolute residuals of the pairs, drawn faintly to `nominal`.

    Pairs that fit at one shift only come first; then the others join in with the shift that lies
    nearest to what these say.

    Parameters
    ----------
    count : int
    pairs : sequence of Neighbour
        Those that correlate.
    nominal : (n, 2) float64 or None
    size_px : float
        Longer side of a tile: the spread of the nominal places is taken as a tenth of it.

    Returns
    -------
    (n, 2) float64
    """
    start = np.zeros((count, 2)) if nominal is None else nominal
    if not pairs:
        return start.copy()
    faint = 1e-6 if nominal is None else (2 / (0.1 * size_px)) ** 2 / 10
    clear = [pair for pair in pairs if len(pair.shifts) == 1 and pair.rival < 0.9]
    centres = start
    if clear:
        first = np.array([pair.shifts[0] for pair in clear])
        centres = _least_absolute(clear, first, start, faint)
    for _ in range(3):
        nearest = np.array([_nearest(pair, centres if clear else None) for pair in pairs])
        centres = _least_absolute(pairs, nearest, start, faint)
    return centres


def _least_absolute(pairs: Sequence[Neighbour], shifts: Array, start: Array, faint: float) -> Array:
    """Least absolute residuals by reweighting; residuals below 2 px count as equal."""
    a = np.array([pair.a for pair in pairs])
    b = np.array([pair.b for pair in pairs])
    rows = np.arange(len(pairs))
    ones = np.ones(len(pairs))
    graph = scipy.sparse.csr_matrix(
        (np.r_[-ones, ones], (np.r_[rows, rows], np.r_[a, b])), (len(pairs), len(start))
    )
    weight = ones
    centres = start
    for _ in range(25):
        normal = graph.T @ graph.multiply(weight[:, None]) + faint * scipy.sparse.eye(len(start))
        right = graph.T @ (weight[:, None] * shifts) + faint * start
        centres = scipy.sparse.linalg.splu(normal.tocsc()).solve(np.asarray(right))
        residual = np.hypot(*(shifts - graph @ centres).T)
        weight = 2 / np.maximum(residual, 2.0)
    return centres


def _nearest(pair: Neighbour, centres: Array | None) -> Array:
    """The shift of a pair nearest to the places found so far; the best one without any."""
    if centres is None:
        return pair.shifts[0]
    apart = pair.shifts - (centres[pair.b] - centres[pair.a])
    return pair.shifts[int(np.argmin((apart**2).sum(1)))]
