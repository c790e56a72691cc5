"""From the cells a person marked to the lattice of all cells."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.arrays._cells import CellFrame, fetch_crops
from maskdelta.arrays._fit import CellSample, LatticeFit, coherence, fit_lattice
from maskdelta.arrays._lattice import Axis, Lattice, solve_lattice
from maskdelta.errors import ArrayError
from maskdelta.images import Raster
from maskdelta.study import ArraySettings, fit_affine

__all__ = ["Corner", "find_lattice", "marks_miss_px"]

Array = NDArray[np.float64]
_MOST_CELLS = 1500
_MOST_PLACES = 40


@dataclass(frozen=True)
class Corner:
    """A cell that a person marked, in the mosaic frame of the die to be read.

    Parameters
    ----------
    row, column : int
        From 0; negative numbers count from the end.
    at_px : (float, float)
        Where the bit of this cell lies.
    axes : (2, 2) float64
        Columns: how the x and y axes of the picture it was marked in run in this mosaic.
    """

    row: int
    column: int
    at_px: tuple[float, float]
    axes: Array


def find_lattice(
    mosaic: Raster,
    corners: Sequence[Corner],
    settings: ArraySettings,
    *,
    name: str = "array",
) -> LatticeFit:
    """Find all cells of an array from two, three or more marked ones.

    Three marked cells that do not lie on one line say where the rest is, and so do two at
    opposite corners if the array lies straight (within 6 degrees) in the picture they were marked
    in. Steps and gaps that the settings leave open are searched for by how well the cells agree,
    then everything is refined on all cells (at most 1500 of them, evenly spread).

    Parameters
    ----------
    mosaic : Raster
    corners : sequence of Corner
    settings : ArraySettings
    name : str
        For messages.

    Raises
    ------
    ArrayError
        When the marks do not say where the array lies.
    """
    rows, columns = Axis.of(settings.rows), Axis.of(settings.columns)
    marks = _resolve(corners, rows, columns, name)
    trial = _Trial(mosaic, rows, columns, marks, settings)
    row_places, column_places, to_mosaic = trial.search()
    lattice = solve_lattice(rows, columns, row_places, column_places, to_mosaic)
    sample = sample_of(mosaic, lattice)
    frame = frame_of_cell(lattice)
    lattice = _settle(sample, lattice, frame)
    return fit_lattice(sample, lattice, frame, bend=settings.bend and len(sample.rows) >= 40)


def frame_of_cell(lattice: Lattice, *, most: int = _MOST_PLACES) -> CellFrame:
    """Sampling grid as wide as the smaller of the two mean steps."""
    return CellFrame.of(*lattice.frames(), side_px=_side(lattice), most=most)


def sample_of(mosaic: Raster, lattice: Lattice, *, most: int = _MOST_CELLS) -> CellSample:
    """Crops of at most `most` cells, evenly spread over the array."""
    r, c = _spread(lattice.rows.count, lattice.columns.count, most)
    half = int(np.ceil(0.75 * _side(lattice))) + 8
    crops = fetch_crops(mosaic, lattice.at(r, c), half_px=half)
    return CellSample(r, c, lattice.flips(r, c), lattice.kinds(r, c), crops)


def _side(lattice: Lattice) -> float:
    return float(min(np.linalg.norm(v) for v in lattice.frames()))


def _spread(rows: int, columns: int, most: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Cells in pairs of neighbouring lines, so that both phases of a period of 2 are there."""

    def some(count: int, wanted: int) -> NDArray[np.intp]:
        if count <= wanted:
            return np.arange(count)
        starts = np.linspace(0, count - 2, max(wanted // 2, 2)).astype(int)
        return np.unique(np.concatenate([starts, starts + 1]))

    root = np.sqrt(most)
    r = some(rows, int(max(root, most / columns)))
    c = some(columns, int(most / len(r)))
    rr, cc = np.meshgrid(r, c, indexing="ij")
    return rr.ravel(), cc.ravel()


def _resolve(corners: Sequence[Corner], rows: Axis, columns: Axis, name: str) -> list[Corner]:
    """Corners with their numbers counted from 0, checked."""
    found = []
    for corner in corners:
        r = corner.row + (rows.count if corner.row < 0 else 0)
        c = corner.column + (columns.count if corner.column < 0 else 0)
        if not (0 <= r < rows.count and 0 <= c < columns.count):
            raise ArrayError(
                f"arrays.{name}: a mark names row {corner.row}, column {corner.column}, but the "
                f"array has {rows.count} rows and {columns.count} columns; correct one of them."
            )
        found.append(replace(corner, row=r, column=c))
    places = {(m.row, m.column) for m in found}
    if len(places) < 2:
        raise ArrayError(
            f"arrays.{name}: {len(places)} of its cells is marked; mark three corner cells, as "
            "far apart as possible (role `array_corner`)."
        )
    return found


class _Trial:
    """Tries what the settings leave open, and scores it by how well the cells agree."""

    def __init__(
        self,
        mosaic: Raster,
        rows: Axis,
        columns: Axis,
        marks: list[Corner],
        settings: ArraySettings,
    ) -> None:
        self._mosaic, self._rows, self._columns = mosaic, rows, columns
        self._marks, self._settings = marks, settings
        points = np.array([[m.column, m.row] for m in marks], float)
        self._flat = np.linalg.matrix_rank(points - points[0]) < 2

    def search(self) -> tuple[Array, Array, Array]:
        """Nominal places of rows and columns, and the affine map from them to the mosaic."""
        options = {"angle": 0.0}
        for key, axis in (("rows", self._settings.rows), ("columns", self._settings.columns)):
            options[f"{key}.gap"] = axis.gap or 0.0
            options[f"{key}.step"] = 1.0
        for option, values in self._open():
            scores = []
            for value in values:
                scores.append(self._score({**options, option: value}))
            options[option] = float(values[int(np.argmax(scores))])
        return self._places(options)

    def _open(self) -> list[tuple[str, Array]]:
        """What is to be searched for, in order, with the values to try."""
        found: list[tuple[str, Array]] = []
        if self._flat:
            found.append(("angle", np.arange(-6.0, 6.01, 0.25)))
        for key, axis in (("rows", self._settings.rows), ("columns", self._settings.columns)):
            if axis.gap_places and axis.gap is None:
                found.append((f"{key}.gap", np.arange(0.0, 3.01, 0.04)))
            if axis.period == 2 and not axis.steps:
                found.append((f"{key}.step", np.exp(np.linspace(-1.4, 1.4, 57))))
        return found + (found if len(found) > 1 else [])

    def _score(self, options: dict[str, float]) -> float:
        places = self._places(options)
        lattice = solve_lattice(self._rows, self._columns, *places)
        sample = sample_of(self._mosaic, lattice, most=160)
        smooth = replace(sample, crops=sample.crops.smoothed(1.5))
        return coherence(smooth, lattice, frame_of_cell(lattice, most=20), alike=True)

    def _places(self, options: dict[str, float]) -> tuple[Array, Array, Array]:
        nominal = []
        for key, axis, settings in (
            ("rows", self._rows, self._settings.rows),
            ("columns", self._columns, self._settings.columns),
        ):
            steps: ArrayLike = settings.steps
            if not settings.steps and axis.period == 2:
                steps = (1.0, options[f"{key}.step"])
            nominal.append(axis.nominal(steps, options[f"{key}.gap"]))
        rows, columns = nominal
        source = np.array([[columns[m.column], rows[m.row]] for m in self._marks])
        target = np.array([m.at_px for m in self._marks], float)
        if self._flat:
            return rows, columns, self._straight(source, target, options["angle"])
        return rows, columns, fit_affine(source, target)

    def _straight(self, source: Array, target: Array, angle_deg: float) -> Array:
        """The map when two cells are known and the array is turned by a small angle."""
        axes = self._marks[0].axes
        first, last = int(np.argmin(source.sum(1))), int(np.argmax(source.sum(1)))
        home = np.linalg.solve(axes, target[last] - target[first])
        t = np.deg2rad(angle_deg)
        turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
        span = source[last] - source[first]
        if not (span > 0).all():
            raise ArrayError(
                "two marked cells must lie in different rows and columns to say where an array "
                "lies; mark a third corner."
            )
        linear = axes @ turn @ np.diag((turn.T @ home) / span)
        return np.column_stack([linear, target[first] - linear @ source[first]])


def _settle(sample: CellSample, lattice: Lattice, frame: CellFrame) -> Lattice:
    """Try small changes of the four steps' ends, so that wrong marks do not lead astray.

    The ends of the array move by up to 6 px (or a third of the cell); the best agreement wins.
    """
    coarse = CellFrame.of(
        frame.across, frame.down, side_px=float(np.linalg.norm(frame.across)) * frame.size, most=20
    )
    some = slice(None, None, max(1, len(sample.rows) // 400))
    few = CellSample(
        sample.rows[some],
        sample.columns[some],
        sample.flip[some],
        sample.kind[some],
        replace(
            sample.crops, pixels=sample.crops.pixels[some], corners=sample.crops.corners[some]
        ).smoothed(2.0),
    )
    reach = min(6.0, _side(lattice) / 3)
    slices = lattice.axis_slices()
    shifts = np.linspace(-reach, reach, 9)
    for _, (axis, key), xy in itertools.product(
        range(2), ((lattice.rows, "rows"), (lattice.columns, "columns")), range(2)
    ):
        moved = [_stretched(lattice, axis, slices[key], xy, float(shift)) for shift in shifts]
        scores = [coherence(few, candidate, coarse) for candidate in moved]
        lattice = moved[int(np.argmax(scores))]
    return lattice


def _stretched(lattice: Lattice, axis: Axis, part: slice, xy: int, shift_px: float) -> Lattice:
    """The lattice with the end of an axis moved, its middle staying where it is."""
    if axis.count < 2:
        return lattice
    coefficients = lattice.coefficients_px.copy()
    linear, *_ = np.linalg.lstsq(axis.basis(), axis.nominal(), rcond=None)
    span = axis.nominal()[-1]
    coefficients[part, xy] += linear * shift_px / span
    coefficients[0, xy] -= shift_px / 2
    return replace(lattice, coefficients_px=coefficients)


def marks_miss_px(lattice: Lattice, corners: Sequence[Corner]) -> Array:
    """Distance of each mark from its cell."""
    rows = [c.row % lattice.rows.count for c in corners]
    columns = [c.column % lattice.columns.count for c in corners]
    at = np.array([c.at_px for c in corners], float)
    return np.asarray(np.hypot(*(lattice.at(rows, columns) - at).T))
