"""The local error of a registration."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from maskdelta.images import Box, Raster, write_raster
from maskdelta.register._control import ControlPoints
from maskdelta.register._fit import Fit

__all__ = ["ErrorMap", "error_map"]

Array = NDArray[np.float64]

STEP_PX = 64
"""Distance between the points of the error map."""


@dataclass(frozen=True)
class ErrorMap:
    """95 % radius of the registration error on a coarse grid over the mosaic before.

    Parameters
    ----------
    box : Box
        Extent of the mosaic before.
    step_px : int
        Distance between grid points; the first lies in the middle of the first cell.
    radius_px : (h, w) float64
    """

    box: Box
    step_px: int
    radius_px: Array

    @classmethod
    def over_box(cls, box: Box, radius_px: float = 0.0) -> ErrorMap:
        """The same radius all over a box."""
        shape = (-(-box.height // STEP_PX), -(-box.width // STEP_PX))
        return cls(box, STEP_PX, np.full(shape, radius_px))

    def places(self) -> Array:
        """Centres of the cells, (n, 2) px of the mosaic before, row by row."""
        rows, columns = self.radius_px.shape
        x = self.box.x0 + (np.arange(columns) + 0.5) * self.step_px
        y = self.box.y0 + (np.arange(rows) + 0.5) * self.step_px
        gx, gy = np.meshgrid(x, y)
        return np.column_stack([gx.ravel(), gy.ravel()])

    def write(self, path: str | Path) -> None:
        """Write as a raster in thousandths of a px (uint16), one px a cell.

        The plane's name holds the step and the corner in the mosaic, since a raster's own origin
        counts its own px, here whole cells.
        """
        milli = np.clip(np.rint(self.radius_px * 1000), 0, 65535).astype(np.uint16)
        x, y = self.box[:2]
        write_raster(
            path,
            lambda b: milli[None, b.y0 : b.y1, b.x0 : b.x1],
            shape=(milli.shape[0], milli.shape[1]),
            dtype=np.uint16,
            planes=(f"error95_milli_px per {self.step_px} px from {x} {y}",),
            reduce="nearest",
        )

    @classmethod
    def read(cls, path: str | Path) -> ErrorMap:
        """Read what `write` wrote."""
        with Raster.open(path) as raster:
            step, x, y = (int(part) for part in re.findall(r"-?\d+", raster.planes[0])[1:])
            radius = raster.read_level(0)[0] / 1000.0
            height, width = raster.shape
        box = Box(x, y, x + width * step, y + height * step)
        return cls(box, step, radius)

    def at(self, points: Array) -> Array:
        """Radius in px at (n, 2) points of the mosaic before: that of the nearest grid point."""
        return self.radius_px[self._cells(points[:, 1], 1), self._cells(points[:, 0], 0)]

    def over(self, box: Box) -> Array:
        """(h, w) radius in px over a box of the mosaic before, as `at` gives it for each px."""
        rows = self._cells(np.arange(box.y0, box.y1), 1)
        columns = self._cells(np.arange(box.x0, box.x1), 0)
        return self.radius_px[np.ix_(rows, columns)]

    def _cells(self, places: Array | NDArray[np.intp], axis: int) -> NDArray[np.intp]:
        """Rows (axis 1) or columns (axis 0) of the grid that hold y or x of the mosaic."""
        cell = ((places - self.box[axis]) // self.step_px).astype(int)
        return np.clip(cell, 0, self.radius_px.shape[1 - axis] - 1)


def error_map(
    box: Box, control: ControlPoints, fit: Fit, *, spacing_px: float, max_strain: float
) -> ErrorMap:
    """95 % radius from the left-out residuals of the nearest points in use.

    Such a residual holds the error of the map, which must bridge the block left out, and the noise
    of the patch itself; the map alone is better. 2.448 standard deviations per axis hold 95 % of
    a round Gaussian. Beyond the last control points the radius grows by the allowed strain.

    Parameters
    ----------
    box : Box
        Extent of the mosaic before.
    control : ControlPoints
    fit : Fit
        Of these points.
    spacing_px : float
        Distance between control points.
    max_strain : float
    """
    empty = ErrorMap.over_box(box)
    used = fit.weight > 0
    tree = cKDTree(control.before_px[used])
    near = min(24, int(used.sum()))
    distance, index = tree.query(empty.places(), k=near)
    squares = (fit.left_out_px[used] ** 2).sum(1)
    # the mean of 24 neighbours, drawn towards the die's own mean by as much as 8 points weigh
    sigma2 = (squares[index].sum(1) + 8 * squares.mean()) / (near + 8) / 2
    beyond = np.maximum(distance[:, 0] - 1.5 * spacing_px, 0)
    radius = 2.448 * np.sqrt(sigma2) + max_strain * beyond
    return replace(empty, radius_px=radius.reshape(empty.radius_px.shape))
