"""Plane geometry on points (x, y): affine maps, fits, boxes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "apply_affine",
    "compose_affine",
    "fit_affine",
    "fit_similarity",
    "invert_affine",
    "mean_scale",
    "round_points",
]

Array = NDArray[np.float64]


def apply_affine(matrix: ArrayLike, points: ArrayLike) -> Array:
    """Map points by an affine matrix.

    Parameters
    ----------
    matrix : (2, 3) array_like
        Linear part and translation.
    points : (n, 2) array_like
        x, y.

    Returns
    -------
    (n, 2) float64
    """
    m = np.asarray(matrix, float)
    p = np.asarray(points, float).reshape(-1, 2)
    return p @ m[:, :2].T + m[:, 2]


def invert_affine(matrix: ArrayLike) -> Array:
    """Inverse of a (2, 3) affine matrix."""
    m = np.asarray(matrix, float)
    linear = np.linalg.inv(m[:, :2])
    return np.column_stack([linear, -linear @ m[:, 2]])


def compose_affine(outer: ArrayLike, inner: ArrayLike) -> Array:
    """The (2, 3) matrix that applies `inner` first, then `outer`."""
    a, b = np.asarray(outer, float), np.asarray(inner, float)
    return np.column_stack([a[:, :2] @ b[:, :2], a[:, :2] @ b[:, 2] + a[:, 2]])


def mean_scale(matrix: ArrayLike) -> float:
    """Square root of the area factor of an affine matrix; positive, mirrored or not."""
    return float(np.sqrt(abs(np.linalg.det(np.asarray(matrix, float)[:, :2]))))


def fit_affine(source: ArrayLike, target: ArrayLike, weights: ArrayLike | None = None) -> Array:
    """Least-squares affine matrix from `source` to `target` points.

    Parameters
    ----------
    source, target : (n, 2) array_like
        At least three points that do not lie on a line.
    weights : (n,) array_like, optional
        Non-negative weights of the squared residuals.

    Returns
    -------
    (2, 3) float64
    """
    s, t = np.asarray(source, float), np.asarray(target, float)
    centre = s.mean(0)
    design = np.column_stack([s - centre, np.ones(len(s))])
    root = np.ones(len(s)) if weights is None else np.sqrt(np.asarray(weights, float))
    solution, *_ = np.linalg.lstsq(design * root[:, None], t * root[:, None], rcond=None)
    linear = solution[:2].T
    return np.column_stack([linear, solution[2] - linear @ centre])


def fit_similarity(source: ArrayLike, target: ArrayLike, *, mirror: bool = False) -> Array:
    """Least-squares similarity (turn, scale, shift) from `source` to `target`.

    Parameters
    ----------
    source, target : (n, 2) array_like
        At least two different points.
    mirror : bool
        Whether the map flips x before it turns.

    Returns
    -------
    (2, 3) float64

    Notes
    -----
    The closed form with complex numbers: z -> a z + b, z conjugated when mirrored.
    """
    s, t = np.asarray(source, float), np.asarray(target, float)
    z = s[:, 0] + 1j * s[:, 1]
    z = -z.conj() if mirror else z
    w = t[:, 0] + 1j * t[:, 1]
    zc, wc = z - z.mean(), w - w.mean()
    a = np.vdot(zc, wc) / np.vdot(zc, zc).real
    b = w.mean() - a * z.mean()
    linear = np.array([[a.real, -a.imag], [a.imag, a.real]])
    if mirror:
        linear = linear @ np.diag([-1.0, 1.0])
    return np.column_stack([linear, [b.real, b.imag]])


def round_points(points: ArrayLike, decimals: int) -> list[list[float]]:
    """Points as plain lists, rounded, with no negative zero: the same bytes on every run."""
    return (np.round(np.asarray(points, float), decimals) + 0.0).tolist()
