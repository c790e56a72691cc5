"""Move a lattice so that what tells the bits lies in the middle of its cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._cells import CellFrame
from maskdelta.arrays._lattice import Lattice

__all__ = ["recentred"]

Array = NDArray[np.float64]


def recentred(lattice: Lattice, frame: CellFrame, contrast: Array) -> tuple[Lattice, Array]:
    """Move the lattice so that what differs between zeros and ones lies in the middle.

    Marks a person makes are off by a px or two, all in the same direction perhaps, and the fit of
    the lattice cannot see that. With mirrored cells the shift turns with them, so only what is
    common to all is moved here.
    """
    power = (contrast.reshape(frame.size, frame.size, 3) ** 2).sum(-1)
    power = np.clip(power - np.median(power), 0, None)
    if not power.any():
        return lattice, np.zeros(2)
    t = np.arange(frame.size) - (frame.size - 1) / 2
    local = np.array([(power.sum(0) * t).sum(), (power.sum(1) * t).sum()]) / power.sum()
    local = np.clip(local, -0.25 * frame.size, 0.25 * frame.size)
    coefficients = lattice.coefficients_px.copy()
    slices = lattice.axis_slices()
    mean = np.zeros(2)
    for axis, part, vector, shift in (
        (lattice.columns, slices["columns"], frame.across, local[0]),
        (lattice.rows, slices["rows"], frame.down, local[1]),
    ):
        step = vector * shift
        if axis.mirrored and axis.period % 2 == 0:
            odd = np.arange(axis.count) % 2 == 1
            weights, *_ = np.linalg.lstsq(axis.basis(), -2.0 * odd, rcond=None)
            coefficients[part] += weights[:, None] * step
        elif axis.mirrored:
            continue
        else:
            mean += step
        coefficients[0] += step
    return replace(lattice, coefficients_px=coefficients), mean
