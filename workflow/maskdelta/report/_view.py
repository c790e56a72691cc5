"""Pictures of any part of a mosaic at any scale, in the frame of one die."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.images import Box, Raster

__all__ = ["View", "sample"]

Array = NDArray[np.float64]
Map = Callable[[Array], Array]
_STEP = 16  # px of the picture between places where the map is evaluated


@dataclass(frozen=True)
class View:
    """A picture as a window on a mosaic frame.

    Parameters
    ----------
    x0, y0 : float
        Mosaic place of the picture's upper left corner (a corner, not a pixel centre).
    scale : float
        Mosaic px per px of the picture; below 1 the picture is enlarged.
    width, height : int
        Of the picture.
    """

    x0: float
    y0: float
    scale: float
    width: int
    height: int

    @classmethod
    def of_box(cls, box: Box, *, longest_px: int) -> View:
        """A box of the mosaic, reduced until its longer side has at most `longest_px`."""
        scale = max(max(box.shape) / longest_px, 1.0)
        width, height = (max(1, round(side / scale)) for side in (box.width, box.height))
        return cls(box.x0 - 0.5, box.y0 - 0.5, scale, width, height)

    @classmethod
    def square(
        cls, middle: tuple[float, float], side_px: float, *, least_px: int, most_px: int
    ) -> View:
        """A square of whole px around a place, enlarged by a whole number or reduced."""
        side = max(2, round(side_px))
        x0, y0 = (round(v - side / 2) - 0.5 for v in middle)
        zoom = max(1, least_px // side)
        scale = max(1.0 / zoom, side / most_px)
        size = round(side / scale)
        return cls(x0, y0, scale, size, size)

    def place(self, points: ArrayLike) -> Array:
        """(n, 2) points of the mosaic as px of the picture, measured from its corner."""
        p = np.asarray(points, float).reshape(-1, 2)
        return (p - [self.x0, self.y0]) / self.scale

    def grid(self) -> tuple[NDArray[np.float64], tuple[int, int]]:
        """Mosaic places of a coarse grid of px centres, (n, 2), and its shape."""
        columns = -(-self.width // _STEP) + 1
        rows = -(-self.height // _STEP) + 1
        gx, gy = np.meshgrid(np.arange(columns) * _STEP, np.arange(rows) * _STEP)
        centres = np.column_stack([gx.ravel(), gy.ravel()]) + 0.5
        return centres * self.scale + [self.x0, self.y0], (rows, columns)


def sample(
    raster: Raster,
    view: View,
    *,
    frame_to_raster: Map | None = None,
    nearest: bool = False,
) -> NDArray[Any]:
    """What a raster shows in a view, read from the level that suits its scale.

    Parameters
    ----------
    raster : Raster
    view : View
    frame_to_raster : callable, optional
        (n, 2) places of the view's frame -> places of the raster's mosaic; identity when left out.
    nearest : bool
        For labels and masks, whose reduced levels keep every second px.

    Returns
    -------
    (h, w, 3) for a colour picture, else the first plane, (h, w); 0 outside the raster
    """
    points, shape = view.grid()
    there = (points if frame_to_raster is None else frame_to_raster(points)).reshape(*shape, 2)
    level = _level(raster, there)
    shrink = 2.0**level
    offset = 0.0 if nearest else (shrink - 1) / 2
    local = (there - np.asarray(raster.origin) - offset) / shrink
    height, width = raster.level_shape(level)
    (x0, y0), (x1, y1) = local.min((0, 1)), local.max((0, 1))
    source = Box(int(np.floor(x0)) - 3, int(np.floor(y0)) - 3, int(x1) + 5, int(y1) + 5)
    source = source.clipped(Box(-4, -4, width + 4, height + 4))
    if source.empty:
        return np.zeros((view.height, view.width, 3)[: 2 if raster.planes else 3], raster.dtype)
    pixels = raster.read(source, level=level, planes=[0])
    how = cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC if view.scale < 1 else cv2.INTER_LINEAR
    found: NDArray[Any] = cv2.remap(
        np.ascontiguousarray(pixels[0] if raster.planes else pixels),
        _dense(local - [source.x0, source.y0], view),
        None,
        how,
        borderMode=cv2.BORDER_CONSTANT,
    )
    return found


def _level(raster: Raster, there: Array) -> int:
    """The level with at least one px of its own per px of the picture."""
    across = (there[:, -1] - there[:, 0]).mean(0) / (_STEP * (there.shape[1] - 1))
    down = (there[-1] - there[0]).mean(0) / (_STEP * (there.shape[0] - 1))
    step = np.sqrt(abs(across[0] * down[1] - across[1] * down[0]))
    return int(np.clip(np.floor(np.log2(max(step, 1e-9)) + 1e-9), 0, raster.levels - 1))


def _dense(local: Array, view: View) -> NDArray[np.float32]:
    """The map at every px of the picture, linear between the places of the grid."""
    u, v = np.meshgrid(
        np.arange(view.width, dtype=np.float32) / _STEP,
        np.arange(view.height, dtype=np.float32) / _STEP,
    )
    grid = np.ascontiguousarray(local.astype(np.float32))
    dense: NDArray[np.float32] = cv2.remap(
        grid, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return dense
