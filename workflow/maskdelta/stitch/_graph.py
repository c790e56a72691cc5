"""Robust placement of tiles from the shifts of pairs: a sparse linear problem, solved in rounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse
import scipy.sparse.csgraph
import scipy.sparse.linalg
from numpy.typing import NDArray

__all__ = [
    "Links",
    "components",
    "covariances",
    "residuals",
    "solve_gnc",
    "solve_links",
    "variance_factor",
]

Array = NDArray[np.float64]
Index = NDArray[np.int_]
_FAINT = 1e-6  # px^-2: holds groups that nothing ties down


@dataclass(frozen=True)
class Links:
    """Pairs of tiles with one shift each.

    Attributes
    ----------
    a, b : (m,) int
    shift : (m, 2) float64
        Centre of b minus centre of a.
    weight : (m,) float64
        Inverse variance.
    """

    a: Index
    b: Index
    shift: Array
    weight: Array

    def only(self, keep: NDArray[np.bool_]) -> Links:
        """The links where `keep` is true."""
        return Links(self.a[keep], self.b[keep], self.shift[keep], self.weight[keep])


def _incidence(links: Links, count: int) -> scipy.sparse.csr_matrix:
    rows = np.arange(len(links.a))
    ones = np.ones(len(rows))
    return scipy.sparse.csr_matrix(
        (np.r_[-ones, ones], (np.r_[rows, rows], np.r_[links.a, links.b])), (len(rows), count)
    )


def solve_links(links: Links, start: Array, held: NDArray[np.bool_], weight: Array) -> Array:
    """Weighted least squares of the centres.

    Parameters
    ----------
    links : Links
    start : (n, 2) float64
        Places of the held tiles, and a faint pull for the others.
    held : (n,) bool
        Tiles that stay where they are, exactly.
    weight : (m,) float64

    Returns
    -------
    (n, 2) float64
    """
    out = start.copy()
    free = np.flatnonzero(~held)
    if not len(free) or not len(links.a):
        return out
    graph = _incidence(links, len(start))
    target = links.shift - graph[:, np.flatnonzero(held)] @ start[held]
    part = graph[:, free]
    normal = part.T @ part.multiply(weight[:, None]) + _FAINT * scipy.sparse.eye(len(free))
    right = part.T @ (weight[:, None] * target) + _FAINT * start[free]
    out[free] = scipy.sparse.linalg.splu(normal.tocsc()).solve(np.asarray(right))
    return out


def residuals(links: Links, centres: Array) -> Array:
    """Distance of each link from the placement, px."""
    return np.hypot(*(links.shift - (centres[links.b] - centres[links.a])).T)


def solve_gnc(links: Links, start: Array, held: NDArray[np.bool_], *, inlier_px: float) -> Array:
    """Truncated least squares by graduated non-convexity.

    Yang, Antonante, Tzoumas & Carlone, IEEE Robot. Autom. Lett. 5 (2020), eq. 12 and 14: the cost
    is bent from convex to truncated while weights of bad links fall to zero.

    Returns
    -------
    (n, 2) float64
    """
    centres = solve_links(links, start, held, links.weight)
    square = residuals(links, centres) ** 2
    limit = inlier_px**2
    mu = limit / max(2 * float(square.max(initial=0.0)) - limit, 1e-9)
    if mu > 1e3:
        return centres
    for _ in range(80):
        low, high = mu / (mu + 1) * limit, (mu + 1) / mu * limit
        middle = inlier_px * np.sqrt(mu * (mu + 1) / np.maximum(square, 1e-12)) - mu
        bent = np.where(square <= low, 1.0, np.where(square >= high, 0.0, middle))
        weight = links.weight * np.clip(bent, 1e-6, 1)
        centres = solve_links(links, start, held, weight)
        square = residuals(links, centres) ** 2
        mu *= 1.4
        if mu > 1e4:
            break
    return centres


def components(links: Links, count: int, joined: Index | None = None) -> Index:
    """Number of the connected group of each tile; tiles in `joined` count as one."""
    a, b = links.a, links.b
    if joined is not None and len(joined) > 1:
        a, b = np.r_[a, joined[:-1]], np.r_[b, joined[1:]]
    graph = scipy.sparse.csr_matrix((np.ones(len(a)), (a, b)), (count, count))
    return scipy.sparse.csgraph.connected_components(graph, directed=False)[1]


def covariances(links: Links, weight: Array, held: NDArray[np.bool_], group: Index) -> Array:
    """Variance per axis of each tile against the held tiles or the first tile of its group.

    From the inverse of the normal matrix; shifts are equally sure along x and y, so that the
    covariance is this value times the unit matrix.

    Returns
    -------
    (n,) float64
    """
    fixed = held.copy()
    for number in np.unique(group):
        members = np.flatnonzero(group == number)
        if not fixed[members].any():
            fixed[members[0]] = True
    out = np.zeros(len(held))
    free = np.flatnonzero(~fixed)
    if not len(free) or not len(links.a):
        return out
    part = _incidence(links, len(held))[:, free]
    normal = (part.T @ part.multiply(weight[:, None])).tocsc()
    normal = normal + _FAINT * scipy.sparse.eye(len(free), format="csc")
    factor = scipy.sparse.linalg.splu(normal)
    for start in range(0, len(free), 256):
        columns = np.arange(start, min(start + 256, len(free)))
        unit = np.zeros((len(free), len(columns)))
        unit[columns, np.arange(len(columns))] = 1
        out[free[columns]] = factor.solve(unit)[columns, np.arange(len(columns))]
    return out


def variance_factor(
    links: Links, distance: Array, held: NDArray[np.bool_], group: Index, *, least_freedom: int = 10
) -> float:
    """By how much the links scatter more or less than their weights say, as a variance.

    The variance of unit weight after the adjustment: the weighted square of all residuals by the
    degrees of freedom (Gauss 1823; Foerstner & Wrobel, Photogrammetric Computer Vision (2016),
    section 4.2.3, from memory). The weights of pairs have a floor of 0.05 px, for what noise does
    not explain in one pair; what all pairs say of each other is seen here.

    Parameters
    ----------
    links : Links
    distance : (m,) float64
        Residual of each link, px.
    held : (n,) bool
    group : (n,) int
    least_freedom : int
        1 is returned where fewer degrees of freedom are left.
    """
    touched = np.unique(np.r_[links.a, links.b])
    free = touched[~held[touched]]
    # a group without a held tile is fixed by one of its own
    loose = sum(not held[touched[group[touched] == g]].any() for g in np.unique(group[touched]))
    freedom = 2 * (len(links.a) - len(free) + loose)
    if freedom < least_freedom:
        return 1.0
    return float(max((links.weight * distance**2).sum() / freedom, 1e-4))
