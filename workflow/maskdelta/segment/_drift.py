"""Slow drift of colour over a die, fitted together with the classes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.segment._colour_model import ColourModel, fit_colours

__all__ = ["DriftField", "Samples", "fit_drift"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DriftField:
    """A factor per channel that varies as a quadratic over the die; the middle has factor 1.

    Parameters
    ----------
    box : Box
        Extent of the mosaic, over which the terms run from -1 to 1.
    coefficients : (3, 5) float64
        Log factor of x, y, x^2, x y, y^2 for each channel.
    """

    box: Box
    coefficients: Array

    @classmethod
    def none(cls, box: Box) -> DriftField:
        """No drift."""
        return cls(box, np.zeros((3, 5)))

    def terms(self, points: Array) -> Array:
        """The five terms at (n, 2) points of the mosaic."""
        x = (2 * points[:, 0] - self.box.x0 - self.box.x1) / max(self.box.width, 1)
        y = (2 * points[:, 1] - self.box.y0 - self.box.y1) / max(self.box.height, 1)
        return np.column_stack([x, y, x * x, x * y, y * y])

    def at(self, points: Array) -> Array:
        """Factor per channel at (n, 2) points, (n, 3); colours are divided by it."""
        return np.exp(self.terms(points) @ self.coefficients.T)

    def over(self, box: Box) -> NDArray[np.float32]:
        """Factor over a box of the mosaic, (h, w, 3)."""
        x = (2 * np.arange(box.x0, box.x1) - self.box.x0 - self.box.x1) / max(self.box.width, 1)
        y = (2 * np.arange(box.y0, box.y1) - self.box.y0 - self.box.y1) / max(self.box.height, 1)
        planes = []
        for cx, cy, cxx, cxy, cyy in self.coefficients:
            plane = np.multiply.outer((cxy * y).astype(np.float32), x.astype(np.float32))
            plane += (cx * x + cxx * x * x).astype(np.float32)
            plane += (cy * y + cyy * y * y).astype(np.float32)[:, None]
            planes.append(np.exp(plane, out=plane))
        return cv2.merge(planes)


@dataclass(frozen=True)
class Samples:
    """Pixels with their places.

    Parameters
    ----------
    points : (n, 2) float64
        Places in the mosaic.
    colour : (n, 3) float64
        sRGB-encoded, 0..255.
    """

    points: Array
    colour: Array


def fit_drift(
    plain: ColourModel,
    swatches: Sequence[tuple[str, Samples]],
    everywhere: Samples,
    *,
    box: Box,
    rounds: int = 5,
    limit: float = 0.3,
) -> tuple[DriftField, ColourModel]:
    """Fit the colours of the stacks and their drift in turn.

    Pixels from all over the die are given to the nearest stack; what remains between their colour
    and the stack's mean, smooth over the die, is drift (the bias field of Wells 1996, as a
    quadratic). The field is kept only if it makes the swatches of each stack more alike.

    Parameters
    ----------
    plain : ColourModel
        Fitted to the swatches without drift.
    swatches : sequence of (stack, Samples)
    everywhere : Samples
        A thin sample of the whole die.
    box : Box
        Extent of the mosaic.
    rounds : int
    limit : float
        Largest log factor believed at any place.

    Returns
    -------
    DriftField, ColourModel
    """
    none = DriftField.none(box)
    field, model = none, plain
    for _ in range(rounds):
        field = _one_round(model, field, everywhere)
        model = fit_colours([(s, p.colour / field.at(p.points)) for s, p in swatches])
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    tame = np.abs(np.log(field.at(corners.astype(float)))).max() < limit
    if tame and _scatter(model) < _scatter(plain):
        return field, model
    return none, plain


def _scatter(model: ColourModel) -> float:
    """Mean log determinant of the covariances: smaller when swatches of a stack agree."""
    return float(np.linalg.slogdet(model.covariance)[1].mean())


def _one_round(model: ColourModel, field: DriftField, everywhere: Samples) -> DriftField:
    flat = everywhere.colour / field.at(everywhere.points)
    distance2 = model.distance2(flat)
    label = distance2.argmin(1)
    sure = distance2[np.arange(len(label)), label] < 9
    bright = (everywhere.colour > 8).all(1) & (everywhere.colour < 250).all(1)
    kept = sure & bright
    if kept.sum() < 200:
        return field
    design = np.column_stack([field.terms(everywhere.points[kept]), np.ones(kept.sum())])
    wanted = np.log(everywhere.colour[kept] / np.maximum(model.mean[label[kept]], 1))
    coefficients = np.zeros((3, 5))
    for channel in range(3):
        weight = np.ones(len(design))
        for _ in range(4):
            weighted = design * (weight**2)[:, None]
            solved = np.linalg.solve(design.T @ weighted, wanted[:, channel] @ weighted)
            residual = wanted[:, channel] - design @ solved
            spread = 1.4826 * np.median(np.abs(residual)) + 1e-3
            weight = 1 / np.maximum(1, np.abs(residual) / (2 * spread))
        coefficients[channel] = solved[:5]
    return DriftField(field.box, coefficients)
