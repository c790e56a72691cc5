"""What the sensor shows by itself: places of the tile that fit no other tile, wherever it lies.

Dust, scratches and reflections move with the camera. In a pair they spoil the fit at every shift,
here in one tile and there in the other, and look like something odd of the die. Over all pairs of a
view they stay at one place of the tile, which nothing of the die does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._hypothesis import Hypothesis
from maskdelta.stitch._overlap import Fit

__all__ = ["Sensor", "look_at_sensor"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """Blocks of the tile's frame, on the raster of `Fit`.

    Attributes
    ----------
    stained : (rows, columns) bool
        Overlaps misfit there again and again.
    clean : (rows, columns) bool
        Several overlaps were seen there, and next to none misfits.
    """

    stained: NDArray[np.bool_]
    clean: NDArray[np.bool_]

    def without_stains(self, known: Hypothesis) -> Hypothesis:
        """A hypothesis that says nothing where either tile's sensor has a stain."""
        if known.fit is None or not self.clean.size:
            return known
        rows, columns = known.fit.energy.shape
        own = np.s_[known.fit.row :, known.fit.column :]
        stained, clean = (_fitted(v[own], rows, columns) for v in (self.stained, self.clean))
        for y, x in _corners_in_b(known.fit):
            stained = stained | _looked_up(self.stained, y, x)
            clean = clean & _looked_up(self.clean, y, x)
        energy = np.where(stained, np.nan, known.fit.energy)
        return replace(known, fit=replace(known.fit, energy=energy, clean=clean & ~stained))


def look_at_sensor(
    found: Sequence[Hypothesis], shape: tuple[int, int], *, odd: float = 6.0
) -> Sensor:
    """Which places of the tile fit no other tile.

    Over an array any shift by whole pitches does, since plain cells fit at all of them.

    Parameters
    ----------
    found : sequence of Hypothesis
        The best one of each pair; all tiles are of one size.
    shape : (int, int)
        Rows and columns of blocks in a tile; (0, 0) when nothing is to be found out.
    odd : float
        Mean square of a block that misfits, by the median of its pair.
    """
    seen, misfits = np.zeros(shape), np.zeros(shape)
    for fit in (h.fit for h in found if h.fit is not None and shape[0]):
        bad = fit.energy > odd * np.median(fit.energy)
        rows, columns = np.indices(bad.shape).reshape(2, -1)
        y, x = _corners_in_b(fit)[0]
        for at in (
            (rows + fit.row, columns + fit.column),
            (np.round(y).ravel().astype(int), np.round(x).ravel().astype(int)),
        ):
            inside = (at[0] >= 0) & (at[0] < shape[0]) & (at[1] >= 0) & (at[1] < shape[1])
            place = at[0][inside], at[1][inside]
            np.add.at(seen, place, 1)
            np.add.at(misfits, place, bad.ravel()[inside])
    stained = (misfits >= 3) & (misfits >= 0.3 * seen)
    return Sensor(stained, (seen >= 4) & (misfits <= 0.1 * seen))


def _corners_in_b(fit: Fit) -> list[tuple[Array, Array]]:
    """Where the four corners of each block lie in b, in blocks: y and x, of (rows, columns)."""
    rows, columns = fit.energy.shape
    y, x = np.mgrid[:rows, :columns] + 0.0
    y += fit.row + fit.place_b[1]
    x += fit.column + fit.place_b[0]
    least = 1e-6
    return [(y + dy, x + dx) for dy in (0.0, 1 - least) for dx in (0.0, 1 - least)]


def _looked_up(values: NDArray[np.bool_], y: Array, x: Array) -> NDArray[np.bool_]:
    row = np.clip(np.floor(y).astype(int), 0, values.shape[0] - 1)
    column = np.clip(np.floor(x).astype(int), 0, values.shape[1] - 1)
    return np.asarray(values[row, column], bool)


def _fitted(values: NDArray[np.bool_], rows: int, columns: int) -> NDArray[np.bool_]:
    """The first rows and columns; False beyond the raster."""
    out = np.zeros((rows, columns), bool)
    part = values[:rows, :columns]
    out[: part.shape[0], : part.shape[1]] = part
    return out
