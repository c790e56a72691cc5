"""Where the tiles were meant to be taken: a grid, a table of stage positions, or unknown."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from maskdelta.errors import ImageError, StitchError
from maskdelta.images import natural_key
from maskdelta.study import OME_POSITIONS, Grid, ViewSettings

__all__ = ["Places", "grid_cells", "nominal_places"]

Array = NDArray[np.float64]

# the micro sign and the Greek letter both occur
_UM = {
    "nm": 1e-3,
    "\xb5m": 1.0,
    "\u03bcm": 1.0,
    "mm": 1e3,
    "cm": 1e4,
    "m": 1e6,
    "reference frame": 1.0,
}


@dataclass(frozen=True)
class Places:
    """Nominal places of the tiles in units of the stage.

    Attributes
    ----------
    units : (n, 2) float64 or None
        x, y of each tile; columns and rows for a grid; None when nothing is known.
    linear : (2, 2) float64 or None
        px per unit, where it is known before any pair is measured.
    slack_px : (2,) float64
        By how much `linear` may be wrong for one unit, along x and y.
    missing : tuple of (float, float)
        Units of the places of the grid that have no tile.
    """

    units: Array | None
    linear: Array | None
    slack_px: Array
    missing: tuple[tuple[float, float], ...] = ()


def nominal_places(
    files: Sequence[str | Path], size_px: tuple[int, int], view: ViewSettings
) -> Places:
    """Nominal places of tiles given in natural order of their names.

    Parameters
    ----------
    files : sequence of path
    size_px : (int, int)
        Width and height of the tiles.
    view : ViewSettings

    Raises
    ------
    StitchError
        When the tiles do not fit the grid.
    ImageError
        When the table of positions cannot be read or lacks a tile.
    """
    names = [Path(file).name for file in files]
    if view.grid is not None:
        cells = grid_cells(names, view.grid)
        step = np.array(size_px) * (1 - view.grid.overlap_frac)
        slack = np.array(size_px) * view.grid.overlap_frac / 2
        there = set(cells)
        missing = tuple(
            (float(c), float(r))
            for r in range(view.grid.rows)
            for c in range(view.grid.columns)
            if (r, c) not in there
        )
        units = np.array([(c, r) for r, c in cells], float)
        return Places(units, np.diag(step), slack, missing)
    if view.positions == OME_POSITIONS:
        return Places(np.array([_ome_position(file) for file in files]), None, np.zeros(2))
    if view.positions:
        return Places(_read_positions(view.positions, names), None, np.zeros(2))
    return Places(None, None, np.zeros(2))


def grid_cells(names: Sequence[str], grid: Grid) -> list[tuple[int, int]]:
    """Row and column of each tile, counted from 0."""
    if grid.name_pattern:
        return _cells_from_names(names, grid)
    expected = grid.rows * grid.columns
    if len(names) != expected:
        raise StitchError(
            f"the view has {len(names)} tiles, but its grid of {grid.rows} rows x {grid.columns} "
            f"columns needs {expected}{_which_are_missing(names, expected)}; correct rows and "
            "columns, add the tiles, or give `grid.name_pattern`, with which tiles may be missing."
        )
    cells = []
    for k in range(expected):
        by_rows = grid.order.endswith("rows")
        line, place = divmod(k, grid.columns if by_rows else grid.rows)
        if grid.order.startswith("snake") and line % 2:
            place = (grid.columns if by_rows else grid.rows) - 1 - place
        cells.append((line, place) if by_rows else (place, line))
    return cells


def _cells_from_names(names: Sequence[str], grid: Grid) -> list[tuple[int, int]]:
    try:
        pattern = re.compile(grid.name_pattern)
    except re.error as exc:
        raise StitchError(
            f"`grid.name_pattern` is not a regular expression ({exc}); correct it."
        ) from None
    if not {"row", "column"} <= set(pattern.groupindex):
        raise StitchError(
            "`grid.name_pattern` needs the groups (?P<row>...) and (?P<column>...); add them."
        )
    found = []
    for name in names:
        match = pattern.search(name)
        if match is None:
            raise StitchError(
                f"{name}: the name does not fit `grid.name_pattern`; rename the tile or correct "
                "the pattern."
            )
        try:
            found.append((int(match["row"]), int(match["column"])))
        except (TypeError, ValueError):
            raise StitchError(
                f"{name}: `grid.name_pattern` finds no numbers for row and column; correct it."
            ) from None
    bases = [0 if min(pair[axis] for pair in found) == 0 else 1 for axis in (0, 1)]
    cells = []
    for name, (row, column) in zip(names, found, strict=True):
        cell = (row - bases[0], column - bases[1])
        if not (0 <= cell[0] < grid.rows and 0 <= cell[1] < grid.columns):
            raise StitchError(
                f"{name}: row {row}, column {column} lies outside the grid of {grid.rows} rows x "
                f"{grid.columns} columns; correct the grid or the name."
            )
        cells.append(cell)
    return cells


def _which_are_missing(names: Sequence[str], expected: int) -> str:
    """Say which running numbers are missing, where the names carry them."""
    numbers = [re.findall(r"\d+", Path(name).stem) for name in names]
    if not all(numbers) or len(names) >= expected:
        return ""
    last = sorted(int(found[-1]) for found in numbers)
    start = min(last[0], 1)
    gone = sorted(set(range(start, start + expected)) - set(last))
    if len(gone) != expected - len(names) or len(set(last)) != len(last):
        return ""
    return " (missing by their numbers: " + ", ".join(map(str, gone)) + ")"


def _read_positions(path: str, names: Sequence[str]) -> Array:
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise ImageError(f"{path}: the table of positions cannot be read; check it.") from None
    if not rows or not {"file", "x", "y"} <= set(rows[0]):
        raise ImageError(f"{path}: the table of positions needs the columns file, x, y.")
    places = {}
    for number, row in enumerate(rows, start=2):
        try:
            places[Path(row["file"]).name] = (float(row["x"]), float(row["y"]))
        except (TypeError, ValueError):
            raise ImageError(
                f"{path}: line {number} has no numbers for x and y; correct it."
            ) from None
    without = [name for name in names if name not in places]
    if without:
        raise ImageError(
            f"{path}: {len(without)} tiles have no position, the first is {without[0]}; add them."
        )
    found = np.array([places[name] for name in names])
    if not np.isfinite(found).all():
        raise ImageError(f"{path}: a position is not a finite number; correct it.")
    return found


def _ome_position(path: str | Path) -> tuple[float, float]:
    """Where the stage stood by the OME metadata of a picture, um (Goldberg et al. 2005)."""
    try:
        with tifffile.TiffFile(path) as tif:
            image = tifffile.xml2dict(tif.ome_metadata or "")["OME"]["Image"]
        image = image[0] if isinstance(image, list) else image
        plane = image["Pixels"]["Plane"]
        plane = plane[0] if isinstance(plane, list) else plane
        x, y = (
            float(plane[f"Position{axis}"]) * _UM[plane.get(f"Position{axis}Unit", "\xb5m")]
            for axis in "XY"
        )
    except (OSError, SyntaxError, KeyError, TypeError, ValueError):
        raise ImageError(
            f"{path}: no stage position was found in OME metadata (Plane with PositionX and "
            "PositionY in a unit of length); give the positions as a table."
        ) from None
    if not np.isfinite([x, y]).all():
        raise ImageError(f"{path}: the stage position is not a finite number; give a table.")
    return x, y


def sorted_naturally(files: Sequence[str | Path]) -> list[str]:
    """Files in natural order of their base names."""
    return sorted(map(str, files), key=lambda path: natural_key(Path(path).name))
