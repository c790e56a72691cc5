"""Resampling one raster into the frame of another under a smooth map."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images._blocks import Box
from maskdelta.images._raster import Raster

__all__ = ["BlockMap", "map_block"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class BlockMap:
    """Where each px of a box lies in another raster.

    Parameters
    ----------
    source : Box
        Part of the other raster (its mosaic frame) that is needed.
    x, y : (h, w) float32
        Places relative to the source's first px.
    linear : (2, 2) float64
        Mean derivative of the map over the box: a shift d here is `linear @ d` there.
    """

    source: Box
    x: NDArray[np.float32]
    y: NDArray[np.float32]
    linear: Array

    def fetch(self, raster: Raster) -> NDArray[Any]:
        """The pixels needed, to be resampled as often as wanted."""
        return raster.read_mosaic(self.source)

    def resample(
        self,
        plane: NDArray[Any],
        *,
        nearest: bool = False,
        shift_px: tuple[float, float] = (0.0, 0.0),
    ) -> NDArray[Any]:
        """Resample one fetched plane; `shift_px` moves the places read, px of this frame.

        Parameters
        ----------
        plane : (H, W) or (H, W, 3)
        nearest : bool
            For labels; else bilinear.
        shift_px : (float, float)

        Returns
        -------
        (h, w) or (h, w, 3), same dtype; 0 outside the source
        """
        dx, dy = self.linear @ np.asarray(shift_px, float)
        return cv2.remap(
            plane,
            self.x + np.float32(dx),
            self.y + np.float32(dy),
            cv2.INTER_NEAREST if nearest else cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
        )


def map_block(box: Box, here_to_there: Callable[[Array], Array], *, step_px: int = 32) -> BlockMap:
    """Tabulate a smooth map over a box of the mosaic frame.

    The map is evaluated every `step_px` and interpolated linearly; for the strains and curvatures
    of a registration (below 1e-5 per px) the error stays below 0.002 px.
    """
    columns = -(-box.width // step_px) + 1
    rows = -(-box.height // step_px) + 1
    gx, gy = np.meshgrid(box.x0 + np.arange(columns) * step_px, box.y0 + np.arange(rows) * step_px)
    there = here_to_there(np.column_stack([gx.ravel(), gy.ravel()]).astype(float))
    there = there.reshape(rows, columns, 2)
    (x0, y0), (x1, y1) = there.min((0, 1)), there.max((0, 1))
    source = Box(int(np.floor(x0)) - 4, int(np.floor(y0)) - 4, int(x1) + 6, int(y1) + 6)
    local = (there - [source.x0, source.y0]).astype(np.float32)
    u = np.arange(box.width, dtype=np.float32) / step_px
    v = np.arange(box.height, dtype=np.float32) / step_px
    mu, mv = np.meshgrid(u, v)
    dense = cv2.remap(local, mu, mv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    across = (there[:, -1] - there[:, 0]).mean(0) / ((columns - 1) * step_px)
    down = (there[-1] - there[0]).mean(0) / ((rows - 1) * step_px)
    return BlockMap(
        source,
        np.ascontiguousarray(dense[..., 0]),
        np.ascontiguousarray(dense[..., 1]),
        np.column_stack([across, down]),
    )
