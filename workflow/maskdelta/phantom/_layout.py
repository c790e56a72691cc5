"""The layout of a die: exact boxes, nets, transistors, bits and named places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._canvas import Channel, Gap

Box = tuple[float, float, float, float]

TRANSISTOR_DTYPE = np.dtype(
    [
        ("x0", "i4"),
        ("y0", "i4"),
        ("x1", "i4"),
        ("y1", "i4"),
        ("gate", "i4"),
        ("first", "i4"),
        ("second", "i4"),
        ("width_um", "i4"),
        ("length_um", "i4"),
        ("depletion", "i4"),
        ("group", "i4"),
    ]
)
"""A row a transistor: its channel (um), nets of gate and of both ends, W, L and kind."""


@dataclass(frozen=True)
class Bit:
    """One programmable place: (word, column) of an array, its value and its box, um."""

    array: str
    word: int
    column: int
    value: int
    box_um: Box


@dataclass(frozen=True)
class Region:
    """A named place on the die, fit to be a landmark; box in um."""

    name: str
    kind: str
    box_um: Box


@dataclass(frozen=True)
class Layout:
    """Exact geometry of one mask set.

    Attributes
    ----------
    width_um, height_um
        Size of the die; x right, y down, origin at the left upper corner of the die.
    boxes
        Per layer an (n, 4) int32 array of half-open boxes (x0, y0, x1, y1), um. A layer is the
        union of its boxes. Diffusion runs through below gates; the piece that is a channel is a
        box of its own.
    nets
        Per layer the (n,) net of every box; -1 for channels and implants.
    groups
        Per layer an (n,) tag that ties together what was drawn together; 0 for none.
    transistors
        Structured array of `TRANSISTOR_DTYPE`.
    net_names
        Name of every net, by number.
    bits, regions
        Programmed places and named places.
    channels, gaps
        Routing channels and empty slots, as `revise` needs them (lambda).
    text
        The lettering.
    """

    width_um: int
    height_um: int
    boxes: Mapping[str, NDArray[np.int32]]
    nets: Mapping[str, NDArray[np.int32]]
    groups: Mapping[str, NDArray[np.int32]]
    transistors: NDArray[np.void]
    net_names: tuple[str, ...]
    bits: tuple[Bit, ...]
    regions: tuple[Region, ...]
    channels: tuple[Channel, ...] = field(default=(), repr=False)
    gaps: tuple[Gap, ...] = field(default=(), repr=False)
    text: str = ""

    def mask(self, layer: str, box_um: Box, *, um_per_px: float = 1.0) -> NDArray[np.uint8]:
        """Rasterise one layer inside a box.

        Parameters
        ----------
        layer
            One of `LAYERS`.
        box_um
            (x0, y0, x1, y1); may reach beyond the die, where nothing is drawn.
        um_per_px
            Pixel size. Pixel (i, j) covers ``x0 + [i, i + 1) * um_per_px``; it is set when its
            centre lies in a shape.

        Returns
        -------
        (H, W) uint8, 0 or 1
        """
        x0, y0, x1, y1 = box_um
        shape = (round((y1 - y0) / um_per_px), round((x1 - x0) / um_per_px))
        image = np.zeros(shape, dtype=np.uint8)
        fill_boxes(image, boxes_near(self.boxes[layer], box_um), (x0, y0), um_per_px)
        return image


def boxes_near(boxes: NDArray[np.int32], box_um: Box) -> NDArray[np.int32]:
    """Return the boxes that overlap `box_um`."""
    x0, y0, x1, y1 = box_um
    keep = (boxes[:, 0] < x1) & (boxes[:, 2] > x0) & (boxes[:, 1] < y1) & (boxes[:, 3] > y0)
    return boxes[keep]


def fill_boxes(
    image: NDArray[np.uint8],
    boxes: NDArray[np.int32],
    origin_um: tuple[float, float],
    um_per_px: float,
) -> None:
    """Set the pixels whose centres lie in any of the boxes, in place."""
    height, width = image.shape
    origin = np.array([*origin_um, *origin_um])
    # A centre (i + 0.5) lies in [x0, x1) for ceil(x0 - 0.5) <= i < ceil(x1 - 0.5).
    edges = np.ceil((boxes - origin) / um_per_px - 0.5 - 1e-9).astype(np.int64)
    edges = np.clip(edges, 0, [width, height, width, height])
    for left, top, right, bottom in edges.tolist():
        image[top:bottom, left:right] = 1
