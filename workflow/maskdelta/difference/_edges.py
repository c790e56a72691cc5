"""Whether the edges that only one photograph shows run along the axes of the layout.

Masks are drawn with straight edges, nearly all along two axes; the rim of dirt runs anywhere. So
the edges around a candidate that one photograph shows and the other does not tell the two apart,
even where dirt has the colour of a layer. Edge strength and direction are those of the structure
tensor summed over the channels (Di Zenzo 1986). How far the die's own edges keep to two axes is
measured first: where they do not, this look says nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._pairs import both_pictures
from maskdelta.images import Box, Raster, blocks_of

__all__ = ["EdgeLook", "learn_edges"]

Array = NDArray[np.float32]


@dataclass(frozen=True)
class EdgeLook:
    """Both photographs with what their edges are like.

    Parameters
    ----------
    before, after : Raster
        Mosaics.
    before_to_after : callable
        (n, 2) px of the one to px of the other.
    axes : complex
        Mean of exp(4i angle) over the edges of the die before: its direction says where the axes
        lie, its size how well the edges keep to them (1: all of them).
    typical : (float, float)
        Strength of a typical edge in the photograph before and after.
    """

    before: Raster
    after: Raster
    before_to_after: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    axes: complex
    typical: tuple[float, float]

    def along_axes(
        self, own: NDArray[np.bool_], box: Box, *, rim_px: int = 3, least: float = 0.01
    ) -> float:
        """How the new edges of a candidate run: 1 along the axes, 0 anywhere, -1 across corners.

        Parameters
        ----------
        own : (H, W) bool
            Px of the candidate, with a margin of more than `rim_px` on all sides.
        box : Box
            Where they lie in the mosaic before.
        rim_px : int
            How far around the candidate edges are looked at.
        least : float
            Mean strength of the new edges, relative to a typical edge, below which a photograph
            says nothing.

        Returns
        -------
        float
            Of the photograph in which it is lower; 1 when neither says anything.
        """
        if abs(self.axes) < 0.5:
            return 1.0
        (strong_b, turn_b), (strong_a, turn_a) = (
            _edges(picture)
            for picture in both_pictures(self.before, self.after, self.before_to_after, box)
        )
        strong_b, strong_a = strong_b / self.typical[0], strong_a / self.typical[1]
        rim = cv2.dilate(own.view(np.uint8), np.ones((2 * rim_px + 1,) * 2, np.uint8)) > 0
        found = [1.0]
        for here, turn, there in ((strong_b, turn_b, strong_a), (strong_a, turn_a, strong_b)):
            # an edge of the other photograph explains one within two px
            new = np.maximum(here - cv2.dilate(there, np.ones((5, 5), np.uint8)), 0)[rim]
            if new.mean() >= least:
                mean = complex((new * turn[rim]).sum() / new.sum())
                found.append((mean * np.conj(self.axes)).real / abs(self.axes))
        return float(min(found))


def learn_edges(
    before: Raster,
    after: Raster,
    before_to_after: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    patches: int = 120,
    patch_px: int = 96,
) -> EdgeLook:
    """Learn from patches spread over the overlap where the axes lie and how strong edges are."""
    boxes = blocks_of(before.shape, patch_px)
    stride = max(1, len(boxes) // patches)
    x, y = before.origin
    sums = np.zeros((2, 2))
    turned = 0j
    for part in boxes[stride // 2 :: stride]:
        box = Box(part.x0 + x, part.y0 + y, part.x1 + x, part.y1 + y)
        pictures = both_pictures(before, after, before_to_after, box)
        if any((picture.max(-1) == 0).any() for picture in pictures):
            continue  # not photographed throughout
        for k, picture in enumerate(pictures):
            strong, turn = _edges(picture)
            sums[k] += strong.sum(), (strong.astype(float) ** 2).sum()
            turned += complex((strong * turn).sum()) if k == 0 else 0
    if not sums[:, 0].all():
        return EdgeLook(before, after, before_to_after, 0j, (1.0, 1.0))
    first, second = (float(s) for s in sums[:, 1] / sums[:, 0])
    return EdgeLook(before, after, before_to_after, turned / float(sums[0, 0]), (first, second))


def _edges(picture: NDArray[np.uint8]) -> tuple[Array, NDArray[np.complex64]]:
    """Strength of the edge at each px, and exp(4i angle) of its direction."""
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    twice = ((gx * gx - gy * gy) + 2j * gx * gy).sum(-1).astype(np.complex64)
    strong = np.abs(twice).astype(np.float32)
    unit = twice / np.maximum(strong, np.float32(1e-6))
    return strong, unit * unit
