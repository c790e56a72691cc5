"""Marks of an array, carried into the mosaic frame of the die to be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._find import Corner
from maskdelta.arrays._lattice import Lattice
from maskdelta.study import Mark, Poses, ToStudy

__all__ = ["Frames", "cells_taught", "corners_of"]

Array = NDArray[np.float64]


class Frames:
    """Carries points of any tile, mosaic or the study frame into the mosaic of one die.

    Parameters
    ----------
    die : str
    poses : sequence of str
        Paths `.../<die>/<view>/tiles.csv`.
    links : sequence of str
        Paths `.../<die>/to_study.json`, that of `die` among them.
    comparisons : str
        Folder of the registrations that the links name.
    """

    def __init__(
        self, die: str, poses: Sequence[str], links: Sequence[str], comparisons: str
    ) -> None:
        self.die = die
        self._tiles = {Path(p).parts[-3:-1]: Poses.read(p) for p in poses}
        self._links = {Path(p).parts[-2]: ToStudy.read(p, comparisons=comparisons) for p in links}

    @property
    def link(self) -> ToStudy:
        """How the die lies in the study frame."""
        return self._links[self.die]

    def carry(self, mark: Mark, points: Array) -> Array | None:
        """(n, 2) points of a mark's frame in the mosaic of the die; None if no way leads there."""
        if mark.frame == "tile":
            pose = self._tiles.get((mark.die, mark.view), Poses()).find(mark.tile)
            if pose is None or not pose.placed:
                return None
            points = pose.to_mosaic(points)
        if mark.frame != "study":
            if mark.die == self.die:
                return points
            source = self._links.get(mark.die)
            if source is None or not source.linked:
                return None
            points = source.to_study(points)
        return self.link.to_mosaic(points) if self.link.linked else None


def corners_of(marks: Sequence[Mark], name: str, frames: Frames) -> list[Corner]:
    """Marked cells of an array in the mosaic of a die.

    The die's own marks take the place of those carried over from other dies.
    """
    found: list[tuple[bool, Corner]] = []
    for mark in marks:
        if mark.role != "array_corner" or mark.label != name:
            continue
        x, y = mark.geometry.centroid.coords[0]
        step = 20.0
        moved = frames.carry(mark, np.array([[x, y], [x + step, y], [x, y + step]]))
        if moved is None or mark.row is None or mark.column is None:
            continue
        axes = np.column_stack([moved[1] - moved[0], moved[2] - moved[0]]) / step
        at = (float(moved[0, 0]), float(moved[0, 1]))
        own = mark.frame != "study" and mark.die == frames.die
        found.append((own, Corner(mark.row, mark.column, at, axes)))
    own_only = [corner for own, corner in found if own]
    return own_only if len(own_only) >= 2 else [corner for _, corner in found]


def cells_taught(
    marks: Sequence[Mark], name: str, frames: Frames, lattice: Lattice
) -> Mapping[tuple[int, int], int]:
    """Values that a person marked on cells of this die, by the cell nearest to each mark."""
    centres = lattice.centres()
    found: dict[tuple[int, int], int] = {}
    for mark in marks:
        if mark.role != "array_cell" or mark.label != name or mark.die != frames.die:
            continue
        point = frames.carry(mark, np.array(mark.geometry.centroid.coords))
        if point is not None and mark.value is not None:
            distance = np.hypot(*np.moveaxis(centres - point[0], -1, 0))
            row, column = np.unravel_index(int(np.argmin(distance)), distance.shape)
            found[int(row), int(column)] = mark.value
    return found
