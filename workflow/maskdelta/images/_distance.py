"""How far px lie from a mask."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["distance_to"]


def distance_to(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """(H, W) px from the nearest px of a mask, 0 inside it; 1000 where the mask is empty."""
    if not mask.any():
        return np.full(mask.shape, 1e3, np.float32)
    return cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
