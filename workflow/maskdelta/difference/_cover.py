"""Whether a candidate goes on where the other photograph shows what hides its layer.

Metal hides polysilicon: a line that was added ends, to the eye, where metal begins. Dirt lies on
top of both. So where one photograph shows a layer from a gap on into what the other shows as metal,
and no change of the metal stands there, what is seen is no layer.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._regions import label_mask

__all__ = ["gone_on_over"]

Mask = NDArray[np.bool_]


def gone_on_over(own: Mask, shown: Mask, cover: Mask, *, bridge_px: int) -> Mask:
    """Px of a cover over which a candidate goes on.

    Parameters
    ----------
    own : (H, W) bool
        The candidate.
    shown : (H, W) bool
        Where the photograph that has it shows its layer.
    cover : (H, W) bool
        Where the other photograph surely shows what hides the layer, off its edges.
    bridge_px : int
        How wide the strip may be that was left off along those edges.

    Returns
    -------
    (H, W) bool
    """
    over = shown & cover
    if not over.any():
        return over
    side = 2 * bridge_px + 1
    near = cv2.dilate(own.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    _, labels = label_mask(near | over)
    return over & (labels == labels[own][0])
