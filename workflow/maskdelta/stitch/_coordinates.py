"""Where the px of the mosaic lie in a tile, for whole rasters at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.study import Pose

__all__ = ["tile_coordinates"]

Image = NDArray[np.float32]


def tile_coordinates(pose: Pose, part: Box) -> tuple[Image, Image]:
    """Tile px of each mosaic px of a part, two (h, w) float32: `Pose.to_tile`, on a raster.

    The lens is undone by its series: with e = lens |q|^2 / R^2 of the straight point q, the tile
    point is q (1 - e + 3 e^2 - 12 e^3 + 55 e^4), exact to 1e-6 px while |lens| < 0.01.
    """
    angle, scale = np.deg2rad(pose.angle_deg or 0.0), pose.scale or 1.0
    c, s = np.cos(angle) / scale, np.sin(angle) / scale
    dx = np.arange(part.x0, part.x1) - float(pose.centre_x_px or 0.0)
    dy = np.arange(part.y0, part.y1) - float(pose.centre_y_px or 0.0)
    # single precision is good to 1e-4 px here, since the middle of the tile is the origin
    x = np.add.outer((s * dy).astype(np.float32), (c * dx).astype(np.float32))
    y = np.add.outer((c * dy).astype(np.float32), (-s * dx).astype(np.float32))
    if pose.lens:
        e = x * x
        e += y * y
        e *= np.float32(4 * pose.lens / (pose.width_px**2 + pose.height_px**2))
        factor = np.float32(1) - e * (1 - e * (3 - e * (12 - 55 * e)))
        x *= factor
        y *= factor
    x += np.float32((pose.width_px - 1) / 2)
    y += np.float32((pose.height_px - 1) / 2)
    return x, y
