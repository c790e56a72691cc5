"""Truth of the programmed arrays of a layout: where each bit lies, and what it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._layout import Layout

__all__ = ["Programmed", "programmed_arrays"]


@dataclass(frozen=True)
class Programmed:
    """One array.

    Attributes
    ----------
    name
        Name of its region, e.g. ``melody ROM``.
    kind
        ``rom`` or ``decode``.
    x_um, y_um
        Middles of the contacts of each column and each row, die um.
    bits
        (rows, columns) uint8: 1 where there is a contact.
    """

    name: str
    kind: str
    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    bits: NDArray[np.uint8]


def programmed_arrays(layout: Layout) -> list[Programmed]:
    """Return the mask ROMs and decode planes of a layout, from its bits and contacts."""
    found = []
    contacts = layout.boxes["contact"]
    centres = (contacts[:, :2] + contacts[:, 2:]) / 2
    for region in layout.regions:
        x0, y0, x1, y1 = region.box_um
        if region.kind == "decode":
            own = centres[((centres > [x0, y0]) & (centres < [x1, y1])).all(1)]
            x, y = np.unique(own[:, 0]), np.unique(own[:, 1])
            bits = np.zeros((len(y), len(x)), np.uint8)
            bits[np.searchsorted(y, own[:, 1]), np.searchsorted(x, own[:, 0])] = 1
            found.append(Programmed(region.name, "decode", x, y, bits))
        if region.kind == "rom":
            boxes = [
                (bit, (bit.box_um[0] + bit.box_um[2]) / 2, (bit.box_um[1] + bit.box_um[3]) / 2)
                for bit in layout.bits
                if x0 <= bit.box_um[0] < x1 and y0 <= bit.box_um[1] < y1
            ]
            x, y = (np.unique([entry[k] for entry in boxes]) for k in (1, 2))
            bits = np.zeros((len(y), len(x)), np.uint8)
            for bit, _, _ in boxes:
                bits[bit.word, bit.column] = bit.value
            found.append(Programmed(region.name, "rom", x, y, bits))
    return found
