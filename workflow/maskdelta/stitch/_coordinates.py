"""Where the px of the mosaic lie in a tile, for whole rasters at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.study import Pose

__all__ = ["depth_inside", "tile_coordinates"]

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


def depth_inside(pose: Pose, part: Box) -> Image:
    """How far each mosaic px of a part lies inside a tile, (h, w) float32 px; negative outside.

    It is the distance to the nearest border. A lens bends the borders by a few px: that decides
    near them only, and farther inside they are taken for straight.
    """
    if pose.angle_deg:
        return _exact_depth(pose, part)
    scale = pose.scale or 1.0
    across = _to_border(
        np.arange(part.x0, part.x1) - float(pose.centre_x_px or 0.0), pose.width_px, scale
    )
    down = _to_border(
        np.arange(part.y0, part.y1) - float(pose.centre_y_px or 0.0), pose.height_px, scale
    )
    depth = np.minimum(across, down[:, None])
    if not pose.lens:
        return depth
    bent = 2 + 2 * abs(pose.lens) * np.hypot(pose.width_px, pose.height_px) / 2
    for axis, near in ((0, down < bent), (1, across < bent)):
        for first, last in _runs(near):
            if axis == 0:
                band = Box(part.x0, part.y0 + first, part.x1, part.y0 + last)
            else:
                band = Box(part.x0 + first, part.y0, part.x0 + last, part.y1)
            inside = band.moved(-part.x0, -part.y0)
            depth[inside.y0 : inside.y1, inside.x0 : inside.x1] = _exact_depth(pose, band)
    return depth


def _to_border(offset: NDArray[np.floating], side_px: int, scale: float) -> Image:
    return (side_px / 2 - np.abs(offset) / scale).astype(np.float32)


def _runs(marked: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last + 1 of each run of marked places."""
    edges = np.flatnonzero(np.diff(np.r_[False, marked, False].astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _exact_depth(pose: Pose, part: Box) -> Image:
    x, y = tile_coordinates(pose, part)
    across = np.abs(x - np.float32((pose.width_px - 1) / 2))
    down = np.abs(y - np.float32((pose.height_px - 1) / 2))
    np.subtract(np.float32(pose.width_px / 2), across, out=across)
    np.subtract(np.float32(pose.height_px / 2), down, out=down)
    return np.minimum(across, down, out=across)
