"""Contiguous groups of control points that disagree: blocks that may have been redrawn or moved."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from maskdelta.register._control import ControlPoints
from maskdelta.register._fit import Fit

__all__ = ["common_shift", "rejected_groups", "rounded", "with_lost"]

Array = NDArray[np.float64]


def rounded(value: Any) -> float:
    """A figure as it is written."""
    return round(float(value), 4)


def with_lost(control: ControlPoints, fit: Fit, lost: ControlPoints) -> tuple[ControlPoints, Fit]:
    """The control points and the fit with the lost patches appended, at no weight."""
    reached = fit.plane.apply(lost.after_px)
    residual = lost.before_px - reached - fit.warp.at(reached)
    return control.joined(lost), replace(
        fit,
        weight=np.concatenate([fit.weight, np.zeros(len(lost))]),
        residual_px=np.concatenate([fit.residual_px, residual]),
        left_out_px=np.concatenate([fit.left_out_px, residual]),
    )


def rejected_groups(
    control: ControlPoints, fit: Fit, *, spacing_px: float, least_px: float = 1.0
) -> tuple[list[int], list[dict[str, Any]]]:
    """Group the rejected points that lie beside one another.

    Parameters
    ----------
    control : ControlPoints
    fit : Fit
        Of these points.
    spacing_px : float
        Distance between control points.
    least_px : float
        Points that miss by less are left out: they hardly lie apart from the others.

    Returns
    -------
    labels : list of int
        Group of each point, from 1; 0 for none.
    groups : list of dict
        Extent, displacement (measured minus predicted place before) and its scatter; the largest
        number of points comes first.
    """
    labels = [0] * len(control)
    rejected = np.flatnonzero((fit.weight <= 0) & (np.hypot(*fit.residual_px.T) >= least_px))
    if not len(rejected):
        return labels, []
    tree = cKDTree(control.before_px[rejected])
    graph = tree.sparse_distance_matrix(tree, 1.6 * spacing_px)
    count, member = connected_components(graph.tocsr(), directed=False)
    parts = [rejected[member == number] for number in range(count)]
    parts = sorted((p for p in parts if len(p) >= 3), key=lambda p: (-len(p), p[0]))
    for number, inside in enumerate(parts, start=1):
        for k in inside:
            labels[k] = number
    return labels, [
        {"group": n, **_describe(control.before_px[p], fit.residual_px[p])}
        for n, p in enumerate(parts, start=1)
    ]


def _describe(points: Array, moved: Array) -> dict[str, Any]:
    shift = common_shift(moved)
    return {
        "points": len(points),
        "x0_px": rounded(points[:, 0].min()),
        "y0_px": rounded(points[:, 1].min()),
        "x1_px": rounded(points[:, 0].max()),
        "y1_px": rounded(points[:, 1].max()),
        "dx_px": rounded(shift[0]),
        "dy_px": rounded(shift[1]),
        "scatter_px": rounded(np.median(np.hypot(*(moved - shift).T))),
    }


def common_shift(moved: Array, *, near_px: float = 1.0) -> Array:
    """The displacement that most of (n, 2) displacements agree on, (2,).

    A block that moved lies among patches that only match somewhere, and those at its border see
    some of what did not move: the mean of what lies near the densest place leaves both out.
    """
    apart = np.hypot(*(moved[:, None] - moved[None]).transpose(2, 0, 1))
    near = apart <= near_px
    densest = near[int(near.sum(1).argmax())]
    return np.asarray(moved[densest].mean(0))
