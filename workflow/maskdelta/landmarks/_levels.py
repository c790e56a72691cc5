"""Reduced levels of a mosaic, small enough to be looked at whole."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.images import Raster

__all__ = ["small_level", "to_mosaic"]


def small_level(mosaic: Raster, longest_px: int) -> tuple[int, int]:
    """The first level of the pyramid that is no longer than this, and how much it is reduced."""
    level = 0
    while level + 1 < mosaic.levels and max(mosaic.shape) / 2**level > longest_px:
        level += 1
    return level, 2**level


def to_mosaic(mosaic: Raster, points: ArrayLike, scale: int) -> NDArray[np.float64]:
    """(n, 2) points of a reduced level in the mosaic frame."""
    # the centre of the first px lies amid the px that it stands for
    return np.asarray(points, float) * scale + (scale - 1) / 2 + np.array(mosaic.origin)
