"""Anything that can be photographed: masks by layer, from boxes, arrays or functions."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon

from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Box, boxes_near, fill_boxes

MaskFunction = Callable[[Box, float], NDArray[np.uint8]]
"""From (box um, um per px) to an (H, W) uint8 mask of 0 and 1."""


class Masks(Protocol):
    """What the camera asks of a set of masks; `Layout` is one."""

    @property
    def width_um(self) -> int | float:
        """Width of the die, um."""

    @property
    def height_um(self) -> int | float:
        """Height of the die, um."""

    def mask(self, layer: str, box_um: Box, *, um_per_px: float = ...) -> NDArray[np.uint8]:
        """Return the (H, W) uint8 mask, 0 or 1, of one layer inside a box."""


@dataclass(frozen=True)
class AnyMasks:
    """Masks given as a mapping; layers that are left out are empty.

    Attributes
    ----------
    layers
        Layer name to one of: an (n, 4) array of boxes (um); a list of polygons, each (n, 2) um;
        an (H, W) bool or uint8 image of the whole die at `image_um_per_px`; a function of
        (box um, um per px). Coordinates are x right, y down, as everywhere; layout files have y
        up and are turned over where they are read.
    width_um, height_um
        Size of the die.
    image_um_per_px
        Pixel size of images among the layers.
    """

    layers: Mapping[str, NDArray[np.generic] | Sequence[NDArray[np.floating]] | MaskFunction]
    width_um: float
    height_um: float
    image_um_per_px: float = 1.0

    def __post_init__(self) -> None:
        """Refuse layers that no camera knows."""
        unknown = sorted(set(self.layers) - set(LAYERS))
        if unknown:
            raise ValueError(f"unknown layer {unknown[0]!r}; expected some of {', '.join(LAYERS)}")

    def mask(self, layer: str, box_um: Box, *, um_per_px: float = 1.0) -> NDArray[np.uint8]:
        """Rasterise one layer; a pixel is set when its centre lies in a shape."""
        x0, y0, x1, y1 = box_um
        shape = (round((y1 - y0) / um_per_px), round((x1 - x0) / um_per_px))
        source = self.layers.get(layer)
        if source is None:
            return np.zeros(shape, dtype=np.uint8)
        if callable(source):
            return source(box_um, um_per_px)
        if not isinstance(source, np.ndarray):
            return _from_polygons(source, (x0, y0), shape, um_per_px)
        if source.ndim == 2 and source.shape[1] == 4 and source.dtype.kind in "if":
            image = np.zeros(shape, dtype=np.uint8)
            fill_boxes(image, boxes_near(source, box_um), (x0, y0), um_per_px)  # type: ignore[arg-type]
            return image
        return self._from_image(source, (x0, y0), shape, um_per_px)

    def _from_image(
        self,
        source: NDArray[np.generic],
        origin: tuple[float, float],
        shape: tuple[int, int],
        um_per_px: float,
    ) -> NDArray[np.uint8]:
        scale = um_per_px / self.image_um_per_px
        rows = np.floor((np.arange(shape[0]) + 0.5) * scale + origin[1] / self.image_um_per_px)
        cols = np.floor((np.arange(shape[1]) + 0.5) * scale + origin[0] / self.image_um_per_px)
        inside_y = (rows >= 0) & (rows < source.shape[0])
        inside_x = (cols >= 0) & (cols < source.shape[1])
        image = np.zeros(shape, dtype=np.uint8)
        part = source[np.ix_(rows[inside_y].astype(int), cols[inside_x].astype(int))] != 0
        image[np.ix_(inside_y, inside_x)] = part
        return image


def _from_polygons(
    polygons: Sequence[NDArray[np.floating]],
    origin: tuple[float, float],
    shape: tuple[int, int],
    um_per_px: float,
) -> NDArray[np.uint8]:
    """Set the pixels whose centres lie in any polygon."""
    image = np.zeros(shape, dtype=np.uint8)
    limits = np.array([shape[1], shape[0]])
    for points in polygons:
        # The tiny shift makes outlines half-open: a centre on one belongs to one side only.
        px = (np.asarray(points, dtype=np.float64) - origin) / um_per_px - 0.5 - 1e-7
        if (px.max(axis=0) >= 0).all() and (px.min(axis=0) < limits).all():
            image[polygon(px[:, 1], px[:, 0], shape)] = 1
    return image
