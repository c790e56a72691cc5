"""Where the cells of an array lie: a linear model with steps, gaps and a slight bend."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.study import ArrayAxis, round_points

__all__ = ["Axis", "Lattice", "solve_lattice"]

Array = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Axis:
    """Rows or columns: how many, after how many the steps repeat, and where gaps lie."""

    count: int
    period: int = 1
    gaps: tuple[int, ...] = ()
    mirrored: bool = False

    @classmethod
    def of(cls, settings: ArrayAxis) -> Axis:
        """The axis that the settings describe."""
        period = len(settings.steps) or settings.period
        return cls(settings.count, period, settings.gap_places, settings.mirrored)

    def nominal(self, steps: ArrayLike = (), gap: float = 0.0) -> Array:
        """(count,) places in mean steps from the first line on.

        Parameters
        ----------
        steps : (period,) array_like
            Relative distances to the next line; empty means even.
        gap : float
            What a gap adds, in mean steps.
        """
        given = np.asarray(steps, float).ravel()
        pattern: Array = np.ones(self.period) if given.size == 0 else given / float(given.mean())
        index = np.arange(self.count)
        start = np.concatenate([[0.0], np.cumsum(pattern)])
        within: Array = start[index % self.period] + (index // self.period) * float(start[-1])
        places: Array = within + gap * self._gaps_before()
        return places

    def basis(self) -> Array:
        """(count, k): whole periods, phases within the period, gaps passed."""
        index = np.arange(self.count)
        columns = [(index // self.period).astype(float)]
        columns += [(index % self.period == phase).astype(float) for phase in range(1, self.period)]
        if self.gaps:
            columns.append(self._gaps_before())
        return np.column_stack(columns)

    def flipped(self) -> NDArray[np.bool_]:
        """(count,) whether a line's cells are mirror images of the first's."""
        return (np.arange(self.count) % 2 == 1) & self.mirrored

    def kind(self) -> Ints:
        """(count,) number of the kind of cell: mirror images are of one kind."""
        index = np.arange(self.count) % self.period
        return index // 2 if self.mirrored else index

    def _gaps_before(self) -> Array:
        passed = np.searchsorted(np.array(self.gaps), np.arange(self.count), side="right")
        return np.asarray(passed, np.float64)


@dataclass(frozen=True)
class Lattice:
    """Middle of every cell in the mosaic frame, as a linear model.

    A place is the sum of a constant, the terms of `Axis.basis` for its row and its column, and,
    with u and v running from -1 to 1 over columns and rows, the bend u v, u^2, v^2.

    Parameters
    ----------
    rows, columns : Axis
    coefficients_px : (k, 2) float64
    """

    rows: Axis
    columns: Axis
    coefficients_px: Array

    def design(self, rows: ArrayLike, columns: ArrayLike) -> Array:
        """(n, k) values of the terms of n cells."""
        r, c = np.asarray(rows, int).ravel(), np.asarray(columns, int).ravel()
        v, u = _centred(r, self.rows.count), _centred(c, self.columns.count)
        terms = [np.ones((len(r), 1)), self.rows.basis()[r], self.columns.basis()[c]]
        return np.column_stack([*terms, u * v, u**2, v**2])

    def at(self, rows: ArrayLike, columns: ArrayLike) -> Array:
        """(n, 2) middles of n cells."""
        return self.design(rows, columns) @ self.coefficients_px

    def flips(self, rows: Ints, columns: Ints) -> NDArray[np.bool_]:
        """(n, 2) whether each of n cells is mirrored left to right and top to bottom."""
        return np.column_stack([self.columns.flipped()[columns], self.rows.flipped()[rows]])

    def kinds(self, rows: Ints, columns: Ints) -> Ints:
        """(n,) number of the kind of each of n cells."""
        across = self.columns.kind()
        return np.asarray(self.rows.kind()[rows] * (int(across.max()) + 1) + across[columns])

    def centres(self) -> Array:
        """(rows, columns, 2) middles of all cells."""
        r, c = np.indices((self.rows.count, self.columns.count))
        return self.at(r, c).reshape(self.rows.count, self.columns.count, 2)

    def frames(self) -> tuple[Array, Array]:
        """Mean step along a row (to the next column) and along a column, (2,) px each.

        Where there is only one column or row, the step is taken across the other.
        """
        slices = self.axis_slices()
        along_row = self._mean_step(self.columns, slices["columns"])
        along_column = self._mean_step(self.rows, slices["rows"])
        if not along_row.any():
            along_row = np.array([along_column[1], -along_column[0]])
        if not along_column.any():
            along_column = np.array([-along_row[1], along_row[0]])
        return along_row, along_column

    def _mean_step(self, axis: Axis, part: slice) -> Array:
        if axis.count < 2:
            return np.zeros(2)
        basis, terms = axis.basis(), self.coefficients_px[part]
        ends = (basis[-1] - basis[0]) @ terms
        gaps = basis[-1, -1] * terms[-1] if axis.gaps else np.zeros(2)
        return np.asarray((ends - gaps) / (axis.count - 1))

    def axis_slices(self) -> dict[str, slice]:
        """Where the terms of rows and columns lie among the coefficients."""
        k = self.rows.basis().shape[1]
        return {"rows": slice(1, 1 + k), "columns": slice(1 + k, len(self.coefficients_px) - 3)}

    def record(self) -> dict[str, Any]:
        """For `<array>.lattice.json`; `from_record` reads it."""

        def axis(a: Axis) -> dict[str, Any]:
            return {
                "count": a.count,
                "period": a.period,
                "gaps": list(a.gaps),
                "mirrored": a.mirrored,
            }

        return {
            "rows": axis(self.rows),
            "columns": axis(self.columns),
            "coefficients_px": round_points(self.coefficients_px, 5),
        }

    @classmethod
    def from_record(cls, data: Mapping[str, Any]) -> Lattice:
        """The lattice that `record` described."""
        rows, columns = (
            Axis(**{**data[key], "gaps": tuple(data[key]["gaps"])}) for key in ("rows", "columns")
        )
        return cls(rows, columns, np.array(data["coefficients_px"], float))


def _centred(index: NDArray[Any], count: int) -> Array:
    return 2.0 * index / max(count - 1, 1) - (1.0 if count > 1 else 0.0)


def solve_lattice(
    rows: Axis,
    columns: Axis,
    row_places: Array,
    column_places: Array,
    to_mosaic: ArrayLike,
) -> Lattice:
    """The lattice whose cells lie at nominal places mapped by an affine matrix.

    Parameters
    ----------
    rows, columns : Axis
    row_places, column_places : (count,) float64
        Of `Axis.nominal`.
    to_mosaic : (2, 3) array_like
        From (column place, row place) to mosaic px.
    """
    matrix = np.asarray(to_mosaic, float)
    parts = [matrix[:, 2][None]]
    for axis, places, vector in (
        (rows, row_places, matrix[:, 1]),
        (columns, column_places, matrix[:, 0]),
    ):
        weights, *_ = np.linalg.lstsq(axis.basis(), places, rcond=None)
        parts.append(weights[:, None] * vector)
    return Lattice(rows, columns, np.concatenate([*parts, np.zeros((3, 2))]))
