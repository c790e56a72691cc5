"""What the shifts of single layers do to patches that hold several of them.

Each layer of a wafer lies a little beside the others. A patch sees the mean of the layers whose
edges it holds, and what it holds varies over a die, so that a smooth warp would follow the mix.
No layer is known yet; but the colours on both sides of an edge tell its kind well enough. With the
share of each kind in each patch as regressors beside the warp, the shifts of the kinds come out
of the same least squares: terms of nuisance, which nobody else need see. The cost: two kinds that
always come together share one shift, and the shift common to all kinds stays in the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, eight_bits
from maskdelta.register._fit import robust_scale, tukey_weights, warp_design

__all__ = ["EdgeKinds", "mix_of_shifts"]

Array = NDArray[np.float64]
Picture = NDArray[np.uint8] | NDArray[np.uint16]

KINDS = 10
"""Kinds of edges told apart: six and sixteen were little worse."""
_BESIDE_PX = 3.0
"""How far to both sides of an edge its colours are read: beyond its blur, within a line of 8 px."""
_USUAL_SHIFT_PX = 0.5
"""Shift of a layer against the others that is nothing special, px."""


@dataclass(frozen=True)
class EdgeKinds:
    """Kinds of edges by the colours on their brighter and darker side.

    Parameters
    ----------
    centres : (k, 6) float32
        Lab colours of the two sides, 0..255 each.
    """

    centres: NDArray[np.float32]

    @classmethod
    def of(cls, pictures: Sequence[Picture], *, kinds: int = KINDS, most: int = 20000) -> EdgeKinds:
        """k-means of the edges that patches, (h, w, 3) each, show."""
        sides = np.concatenate([_edges(picture)[0] for picture in pictures])
        sides = sides[:: max(1, -(-len(sides) // most))]
        if len(sides) < 10 * kinds:
            return cls(np.zeros((1, 6), np.float32))
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 0.2)
        cv2.setRNGSeed(12345)
        _, _, centres = cv2.kmeans(sides, kinds, None, stop, 2, cv2.KMEANS_PP_CENTERS)
        return cls(centres)

    def shares(self, picture: Picture) -> Array:
        """Share of each kind in what fixes a patch along x and along y, (k, 2).

        A shift along x is told by edges that run along y, and the other way round. The peak of a
        correlation is the mean of the places of its parts, weighted by how steep each one's is.
        """
        sides, strength = _edges(picture)
        apart = (self.centres**2).sum(1) - 2 * sides @ self.centres.T
        kind = apart.argmin(1)
        count = len(self.centres)
        sums = np.stack([np.bincount(kind, s, minlength=count) for s in strength.T], 1)
        return np.asarray(sums / np.maximum(sums.sum(0), 1e-9))


def _edges(picture: Picture) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Lab on the brighter and the darker side of each px on an edge, (n, 6), and its weight along
    x and y, (n, 2): the outlines that patches are compared by are the root of the gradient."""
    lab = cv2.cvtColor(cv2.GaussianBlur(eight_bits(picture), (0, 0), 1.0), cv2.COLOR_RGB2Lab)
    gx, gy = (cv2.Scharr(lab, cv2.CV_32F, 1 - k, k) for k in (0, 1))
    ones = np.ones((1, 3), np.float32)
    xx, yy, xy = (cv2.transform(a * b, ones) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
    steep = cv2.sqrt(xx + yy)
    y, x = np.nonzero(steep > max(0.3 * float(np.percentile(steep, 95)), 1.0))
    xx, yy, xy, steep = (v[y, x] for v in (xx, yy, xy, steep))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    dx, dy = (np.rint(_BESIDE_PX * f(angle)).astype(int) for f in (np.cos, np.sin))
    height, width = lab.shape[:2]
    one, other = (
        lab[np.clip(y + s * dy, 0, height - 1), np.clip(x + s * dx, 0, width - 1)].astype(
            np.float32
        )
        for s in (1, -1)
    )
    brighter = (one[:, 0] >= other[:, 0])[:, None]
    sides = np.hstack([np.where(brighter, one, other), np.where(brighter, other, one)])
    return sides, np.column_stack([xx, yy]) / steep[:, None]


def mix_of_shifts(
    points: Array, displacement: Array, shares: Array, weight: Array, *, box: Box, spacing_px: float
) -> Array:
    """Part of the displacements that shifts of the kinds of edges explain.

    Displacement = warp + sum over kinds of share x shift, by least squares with Tukey weights. The
    shares enter less their mean, so that the warp carries the shift common to all; the shifts are
    held back by what is usual, so that a kind that is hardly seen has none.

    Parameters
    ----------
    points, displacement : (n, 2) float64
        Places, and measured minus predicted place, px.
    shares : (n, k, 2) float64
        Of `EdgeKinds.shares`.
    weight : (n,) float64
        To begin with: 0 for what does not agree with the rest, such as a block that was moved.
    box : Box
    spacing_px : float
        Between the knots of the warp.

    Returns
    -------
    (n, 2) float64
    """
    smooth, penalty = warp_design(points, box, spacing_px)
    knots, kinds = smooth.shape[1], shares.shape[1]
    mix = residual = np.zeros_like(displacement)
    scale = 2 * robust_scale(displacement[weight > 0])
    for _ in range(15):
        mix, residual = np.zeros_like(mix), np.zeros_like(residual)
        for axis in (0, 1):
            share = shares[:, :, axis] - np.average(shares[:, :, axis], axis=0, weights=weight)
            design = np.hstack([smooth, share])
            held = np.zeros((knots + kinds, knots + kinds))
            held[:knots, :knots] = penalty
            held[knots:, knots:] = (scale / _USUAL_SHIFT_PX) ** 2 * np.eye(kinds)
            normal = design.T @ (design * weight[:, None]) + held
            solved = np.linalg.solve(normal, design.T @ (displacement[:, axis] * weight))
            mix[:, axis] = share @ solved[knots:]
            residual[:, axis] = displacement[:, axis] - design @ solved
        scale = robust_scale(residual)
        weight = tukey_weights(residual, scale)
    return mix
