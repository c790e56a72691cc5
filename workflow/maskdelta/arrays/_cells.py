"""Pictures of cells: read from the rasters by blocks, resampled along the lattice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, eight_bits

__all__ = ["CellFrame", "Crops", "fetch_crops", "sample_cells"]

Array = NDArray[np.float64]
_BLOCK_PX = 1536


@dataclass(frozen=True)
class CellFrame:
    """A square grid of places around the middle of a cell.

    Parameters
    ----------
    across, down : (2,) float64
        px of the mosaic from one place to the next along a row and along a column.
    size : int
        Places a side; the middle of the grid is the middle of the cell.
    """

    across: Array
    down: Array
    size: int

    @classmethod
    def of(cls, along_row: Array, along_column: Array, *, side_px: float, most: int) -> CellFrame:
        """A grid `side_px` wide along both directions, of 1 px or more a place."""
        size = int(np.clip(round(side_px), 4, most))
        step = side_px / size
        return cls(
            along_row / np.linalg.norm(along_row) * step,
            along_column / np.linalg.norm(along_column) * step,
            size,
        )

    def offsets(self) -> Array:
        """(size, size, 2) places from the middle of the cell, px of the mosaic."""
        t = np.arange(self.size) - (self.size - 1) / 2
        return t[None, :, None] * self.across + t[:, None, None] * self.down

    @property
    def matrix(self) -> Array:
        """(2, 2): columns are `across` and `down`."""
        return np.column_stack([self.across, self.down])


def _groups(centres: Array, block_px: int) -> Iterator[NDArray[np.intp]]:
    """Indices of the cells that lie in each block."""
    key = np.floor(centres / block_px).astype(np.int64)
    order = np.lexsort((key[:, 0], key[:, 1]))
    changes = np.flatnonzero(np.any(np.diff(key[order], axis=0) != 0, axis=1)) + 1
    yield from np.split(order, changes)


def sample_cells(
    raster: Raster,
    centres: Array,
    frame: CellFrame,
    *,
    planes: Sequence[int] | None = None,
    blur_px: float = 0.0,
    nearest: bool = False,
) -> NDArray[np.uint8]:
    """Resample the cells of a raster, block by block.

    Parameters
    ----------
    raster : Raster
        Colour, or planes of uint8.
    centres : (n, 2) float64
        Mosaic frame.
    frame : CellFrame
    planes : sequence of int, optional
        For a raster of planes: those wanted.
    blur_px : float
        Gaussian blur before sampling, for frames coarser than the raster.
    nearest : bool
        For labels; else bilinear.

    Returns
    -------
    (n, size, size, channels) uint8; 0 outside the raster
    """
    channels = 3 if not raster.planes else len(planes or raster.planes)
    out = np.zeros((len(centres), frame.size, frame.size, channels), np.uint8)
    offsets = frame.offsets()
    reach = int(np.ceil(np.abs(offsets).max() + 4 * blur_px)) + 2
    for group in _groups(centres, _BLOCK_PX) if len(centres) else ():
        (x0, y0), (x1, y1) = centres[group].min(0), centres[group].max(0)
        box = Box(
            int(x0) - reach - 1, int(y0) - reach - 1, int(x1) + reach + 2, int(y1) + reach + 2
        )
        image = _channels_last(raster, box, planes)
        if blur_px:
            image = cv2.GaussianBlur(image, (0, 0), blur_px)
        places = centres[group][:, None, None] + offsets - [box.x0, box.y0]
        out[group] = _remap(image, places.astype(np.float32), nearest, channels)
    return out


def _channels_last(raster: Raster, box: Box, planes: Sequence[int] | None) -> NDArray[np.uint8]:
    if not raster.planes:
        return np.ascontiguousarray(eight_bits(raster.read_mosaic(box)))
    return np.ascontiguousarray(np.moveaxis(raster.read_mosaic(box, planes=planes), 0, -1))


def _remap(
    image: NDArray[np.uint8], places: NDArray[np.float32], nearest: bool, channels: int
) -> NDArray[np.uint8]:
    """Read an image at (n, s, s, 2) places; OpenCV takes maps of up to 32,767 lines."""
    n, size = places.shape[:2]
    parts = []
    for start in range(0, n, 512):
        part = places[start : start + 512].reshape(-1, size, 2)
        how = cv2.INTER_NEAREST if nearest else cv2.INTER_LINEAR
        found = cv2.remap(image, part, None, how, borderMode=cv2.BORDER_CONSTANT)
        parts.append(found.reshape(-1, size, size, channels))
    return np.concatenate(parts)


@dataclass(frozen=True)
class Crops:
    """Upright crops of some cells, so that a lattice can be fitted without reading them again.

    Parameters
    ----------
    pixels : (n, h, w, channels) float32, 0..1
    corners : (n, 2) int
        Mosaic place of the first px of each crop.
    """

    pixels: NDArray[np.float32]
    corners: NDArray[np.int64]

    def sample(self, centres: Array, frame: CellFrame) -> NDArray[np.float32]:
        """(n, size, size, channels) at the given middles; the nearest px beyond the crops."""
        n, height, width, channels = self.pixels.shape
        out = np.empty((n, frame.size, frame.size, channels), np.float32)
        offsets = frame.offsets()
        most = 32000 // max(height, frame.size)  # OpenCV takes pictures of up to 32,767 lines
        for start in range(0, n, most):
            part = slice(start, min(start + most, n))
            places = centres[part, None, None] + offsets - self.corners[part, None, None]
            x = np.clip(places[..., 0], 0, width - 1)
            y = np.clip(places[..., 1], 0, height - 1)
            y += height * np.arange(len(places))[:, None, None]
            tall = self.pixels[part].reshape(-1, width, channels)
            found = cv2.remap(
                tall,
                x.reshape(-1, frame.size).astype(np.float32),
                y.reshape(-1, frame.size).astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            out[part] = found.reshape(-1, frame.size, frame.size, channels)
        return out

    def smoothed(self, sigma_px: float) -> Crops:
        """The same crops blurred."""
        blurred = [cv2.GaussianBlur(crop, (0, 0), sigma_px) for crop in self.pixels]
        return Crops(np.stack(blurred).reshape(self.pixels.shape), self.corners)


def fetch_crops(raster: Raster, centres: Array, *, half_px: int, blur_px: float = 0.8) -> Crops:
    """Read upright crops of `2 * half_px + 1` px a side around some places."""
    side = 2 * half_px + 1
    corners = np.round(centres).astype(np.int64) - half_px
    halo = int(np.ceil(4 * blur_px)) + 1
    channels = len(raster.planes) or 3
    pixels = np.zeros((len(centres), side, side, channels), np.float32)
    for group in _groups(centres, _BLOCK_PX) if len(centres) else ():
        (x0, y0), (x1, y1) = corners[group].min(0), corners[group].max(0)
        box = Box(int(x0) - halo, int(y0) - halo, int(x1) + side + halo, int(y1) + side + halo)
        image = cv2.GaussianBlur(
            _channels_last(raster, box, None).astype(np.float32) / 255, (0, 0), blur_px
        ).reshape(*box.shape, channels)
        for k in group:
            x, y = corners[k] - [box.x0, box.y0]
            pixels[k] = image[y : y + side, x : x + side]
    return Crops(pixels, corners)
