"""Marks of an array, carried into the mosaic frame of the die to be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely

from maskdelta.arrays._find import Corner
from maskdelta.arrays._lattice import Lattice
from maskdelta.study import Frames, Mark

__all__ = ["cells_taught", "corners_of"]


def corners_of(marks: Sequence[Mark], name: str, frames: Frames, die: str) -> list[Corner]:
    """Marked cells of an array in the mosaic of a die.

    The die's own marks take the place of those carried over from other dies.
    """
    found: list[tuple[bool, Corner]] = []
    for mark in marks:
        if mark.role != "array_corner" or mark.label != name:
            continue
        x, y = mark.geometry.centroid.coords[0]
        step = 20.0
        corner = shapely.LineString([[x + step, y], [x, y], [x, y + step]])
        moved = frames.in_mosaic(replace(mark, geometry=corner), die)
        if moved is None or mark.row is None or mark.column is None:
            continue
        across, middle, down = shapely.get_coordinates(moved.geometry)
        axes = np.column_stack([across - middle, down - middle]) / step
        at = (float(middle[0]), float(middle[1]))
        own = mark.frame != "study" and mark.die == die
        found.append((own, Corner(mark.row, mark.column, at, axes)))
    own_only = [corner for own, corner in found if own]
    return own_only if len(own_only) >= 2 else [corner for _, corner in found]


def cells_taught(
    marks: Sequence[Mark], name: str, frames: Frames, die: str, lattice: Lattice
) -> Mapping[tuple[int, int], int]:
    """Values that a person marked on cells of this die, by the cell nearest to each mark."""
    centres = lattice.centres()
    found: dict[tuple[int, int], int] = {}
    for mark in marks:
        if mark.role != "array_cell" or mark.label != name or mark.die != die:
            continue
        moved = frames.in_mosaic(replace(mark, geometry=mark.geometry.centroid), die)
        if moved is not None and mark.value is not None:
            distance = np.hypot(*np.moveaxis(centres - moved.geometry.coords[0], -1, 0))
            row, column = np.unravel_index(int(np.argmin(distance)), distance.shape)
            found[int(row), int(column)] = mark.value
    return found
