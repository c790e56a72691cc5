"""Single tiles in the frame of the mosaic, classified by colour."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import (
    BoundedCache,
    Box,
    Raster,
    eight_bits,
    linear_to_srgb,
    read_picture,
    srgb_to_linear,
)
from maskdelta.segment._labeller import Labeller
from maskdelta.segment._rules import UNKNOWN
from maskdelta.study import Pose
from maskdelta.survey import FlatField

__all__ = ["TileStacks"]

Counts = NDArray[np.int64]


class TileStacks:
    """Boxes of the mosaic as single tiles show them, classified by the table of colours.

    Parameters
    ----------
    paths : mapping of str to path
        Picture files by the names of the tiles.
    flat_field : FlatField
    labeller : Labeller
    labels : Raster
        Of the view.
    edge_px : int
        Px as near as this to an outline of the labels are left out.
    """

    def __init__(
        self,
        paths: Mapping[str, str | Path],
        flat_field: FlatField,
        labeller: Labeller,
        labels: Raster,
        edge_px: int,
    ) -> None:
        self._pictures: BoundedCache[str, NDArray[Any]] = BoundedCache(
            lambda name: read_picture(paths[name]), budget_bytes=128 * 2**20
        )
        self._gains = BoundedCache(flat_field.gain, budget_bytes=64 * 2**20)
        self._labeller = labeller
        self._labels = labels
        self._edge_px = edge_px

    def compare(self, first: Pose, second: Pose, box: Box) -> tuple[tuple[str, str], Counts]:
        """Names of both tiles, and px of a box by the stack in either; the last is unknown."""
        inner = self._off_edges(box)
        stacks = []
        for pose in (first, second):
            stack, shown = self._stack(pose, box)
            stacks.append(stack)
            inner &= shown
        unknown = len(self._labeller.rules.stacks)
        one, other = (stack[inner].astype(np.intp) for stack in stacks)
        codes = np.bincount(one * (unknown + 1) + other, minlength=(unknown + 1) ** 2)
        table = codes.reshape(unknown + 1, unknown + 1)
        table[unknown, unknown] = 0
        return (first.file, second.file), table

    def _off_edges(self, box: Box) -> NDArray[np.bool_]:
        """(h, w), where the labels are known and all alike within `edge_px`."""
        wide = self._labels.read_mosaic(box.grown(self._edge_px))[0]
        square = np.ones((2 * self._edge_px + 1,) * 2, np.uint8)
        alike = cv2.erode(wide, square) == cv2.dilate(wide, square)
        cut = (slice(self._edge_px, -self._edge_px),) * 2
        inside = _inside(box, self._labels.box)
        return (alike & (wide < UNKNOWN))[cut] & inside

    def _stack(self, pose: Pose, box: Box) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        """(h, w) the likeliest stack by colour, or their number; and where the tile lies."""
        halo = 2 * self._edge_px
        wide = box.grown(halo)
        picture, shown = self._drawn(pose, wide)
        cut = (slice(halo, -halo),) * 2
        table = self._labeller.table
        colour = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), self._edge_px / 2)[cut]
        index = table.index(colour / self._labeller.drift.over(box))
        stack = np.take(table.likeliest, index)
        far = np.take(table.far, index) / 4 > self._labeller.settings.unknown_sigma**2
        stack[far] = len(table.stacks)
        return stack, shown[cut]

    def _drawn(self, pose: Pose, box: Box) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        """(h, w, 3) sRGB of a box from one tile, evened out as in the mosaic, and where it lies."""
        picture = self._pictures.get(pose.file)
        height, width = picture.shape[:2]
        gain = self._gains.get((height, width))
        gx, gy = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
        at = pose.to_tile(np.column_stack([gx.ravel(), gy.ravel()]))
        x, y = (at[:, k].reshape(box.shape).astype(np.float32) for k in (0, 1))
        part = Box(
            int(np.floor(x.min())) - 1,
            int(np.floor(y.min())) - 1,
            int(np.ceil(x.max())) + 2,
            int(np.ceil(y.max())) + 2,
        ).clipped(Box(0, 0, width, height))
        if part.empty:
            return np.zeros((*box.shape, 3), np.uint8), np.zeros(box.shape, bool)
        rows, columns = slice(part.y0, part.y1), slice(part.x0, part.x1)
        linear = srgb_to_linear(picture[rows, columns]) * gain[rows, columns]
        drawn = cv2.remap(
            linear * np.float32(1 / pose.exposure),
            x - np.float32(part.x0),
            y - np.float32(part.y0),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        shown = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        return eight_bits(linear_to_srgb(drawn, np.dtype(np.uint8))), shown


def _inside(box: Box, limit: Box) -> NDArray[np.bool_]:
    """(h, w), where the px of a box lie within a limit."""
    x, y = np.arange(box.x0, box.x1), np.arange(box.y0, box.y1)
    across, down = (x >= limit.x0) & (x < limit.x1), (y >= limit.y0) & (y < limit.y1)
    return np.asarray(down[:, None] & across[None])
