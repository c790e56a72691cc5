"""A sheet of all cells of an array, the most doubtful first."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._cells import CellFrame, sample_cells
from maskdelta.arrays._lattice import Lattice
from maskdelta.images import Raster
from maskdelta.study import BitMatrix

__all__ = ["contact_sheet"]

_BAR = {1: (255, 255, 255), 0: (20, 24, 30), -1: (240, 130, 30)}
_BAR_PX = 5
_GAP_PX = 3


def contact_sheet(
    mosaic: Raster,
    bits: BitMatrix,
    lattice: Lattice,
    *,
    side_px: float,
    tile_px: int = 40,
    across: int = 20,
    first: int = 0,
    most: int,
) -> NDArray[np.uint8]:
    """Pictures of the cells in the order of doubt, row by row, each below a bar.

    Parameters
    ----------
    mosaic : Raster
    bits : BitMatrix
    lattice : Lattice
        Says which way the cells are turned.
    side_px : float
        Side of the square shown around a cell's middle, px of the mosaic.
    tile_px : int
        Its side on the sheet.
    across : int
        Cells in a row of the sheet.
    first, most : int
        How many cells are left to sheets before this one, and how many it shows at most.

    Returns
    -------
    (H, W, 3) uint8
        The bar over a cell is white for 1, black for 0, orange for unreadable.
    """
    order = bits.by_doubt(first + most)[first:]
    frame = CellFrame.of(*lattice.frames(), side_px=side_px, most=tile_px)
    cells = sample_cells(mosaic, bits.centre_px.reshape(-1, 2)[order], frame, blur_px=0.4)
    step = tile_px + _GAP_PX
    rows = -(-len(order) // across)
    height = tile_px + _BAR_PX + _GAP_PX
    sheet = np.full((rows * height + _GAP_PX, across * step + _GAP_PX, 3), 128, np.uint8)
    for number, (cell, index) in enumerate(zip(cells, order, strict=True)):
        y = _GAP_PX + number // across * height
        x = _GAP_PX + number % across * step
        sheet[y : y + _BAR_PX, x : x + tile_px] = _BAR[int(bits.value.ravel()[index])]
        sheet[y + _BAR_PX : y + _BAR_PX + tile_px, x : x + tile_px] = cv2.resize(
            cell, (tile_px, tile_px), interpolation=cv2.INTER_CUBIC
        )
    return sheet
