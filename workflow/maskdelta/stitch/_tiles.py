"""What placing needs to know of the tiles: files, survey and earlier poses put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.study import Pose, Poses
from maskdelta.survey import Survey

__all__ = ["Tiles", "match_tiles", "paths_by_name"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Tiles:
    """The tiles of a view by number, sorted by file name.

    Attributes
    ----------
    rows : list of dict
        Their rows of the table `quality`.
    sizes : (n, 2) float64
        Width and height, px.
    earlier : list of Pose or None
        The pose that a tile keeps.
    held : (n,) bool
        Tiles that keep their pose.
    start : (n, 2) float64
        Places of the held tiles; coarse places of the survey for the others.
    nominal : (n, 2) float64 or None
        Places by the stage, without regard to the pictures.
    copy_of : (n,) int
        Number of the tile with the same bytes, -1 for none.
    lens : float
        Lens term of the held tiles.
    reduction : int
        By how much the survey reduced the tiles: the coarse shifts are off by about as many px.
    reach_px : float
        How far the survey searched around a nominal place.
    """

    paths: list[str]
    names: list[str]
    rows: list[dict[str, Any]]
    sizes: Array
    earlier: list[Pose | None]
    held: NDArray[np.bool_]
    start: Array
    nominal: Array | None
    copy_of: NDArray[np.int_]
    lens: float
    reduction: int
    reach_px: float

    @property
    def half_diagonal_px(self) -> float:
        """Half the diagonal of the (median) tile."""
        return float(np.hypot(*np.median(self.sizes, axis=0)) / 2)


def paths_by_name(files: Sequence[str | Path]) -> dict[str, str]:
    """Paths by base name.

    Raises
    ------
    StitchError
        When two files share a name.
    """
    found: dict[str, str] = {}
    for path in map(str, files):
        name = Path(path).name
        if name in found and found[name] != path:
            raise StitchError(
                f"{path}: another tile of this view has the same name ({found[name]}); rename one."
            )
        found[name] = path
    return found


def match_tiles(files: Sequence[str | Path], survey: Survey, anchor: Poses | None) -> Tiles:
    """Put files, survey and earlier poses together.

    Raises
    ------
    StitchError
        When the survey was made of other files.
    """
    paths = paths_by_name(files)
    by_name = {row["file"]: row for row in survey.quality}
    if set(paths) != set(by_name):
        odd = sorted(set(paths) ^ set(by_name))[0]
        where = "the files but not in the survey" if odd in paths else "the survey but not a file"
        raise StitchError(f"{odd}: this tile is in {where}; run the survey again.")
    names = sorted(paths)
    rows = [by_name[name] for name in names]
    earlier, copies = _earlier_poses(rows, anchor), _copies(rows, anchor)
    held = np.array([pose is not None for pose in earlier])
    start = np.array([[row["x_px"], row["y_px"]] for row in rows], float)
    stage = survey.figures.get("nominal_px")
    nominal = None if stage is None else np.array([stage[name] for name in names], float)
    if held.any():
        places = np.array([[p.centre_x_px, p.centre_y_px] for p in earlier if p is not None])
        if nominal is not None:
            nominal = nominal + np.median(places - nominal[held], axis=0)
        start += np.median(places - start[held], axis=0)
        start[held] = places
    lens = next((pose.lens for pose in earlier if pose is not None), 0.0)
    return Tiles(
        [paths[name] for name in names],
        names,
        rows,
        np.array([[row["width_px"], row["height_px"]] for row in rows], float),
        earlier,
        held,
        start,
        nominal,
        copies,
        lens,
        int(survey.figures.get("reduction", 4)),
        float(survey.figures.get("search_px", 200.0)),
    )


def _earlier_poses(rows: Sequence[dict[str, Any]], anchor: Poses | None) -> list[Pose | None]:
    """The placed pose with the same bytes, and the same name where bytes occur twice."""
    found: list[Pose | None] = []
    placed = anchor.placed if anchor is not None else ()
    taken: set[str] = set()
    for row in rows:
        same = [p for p in placed if p.sha256 == row["sha256"] and p.file not in taken]
        same.sort(key=lambda pose: pose.file != row["file"])
        pose = same[0] if same else None
        if pose is not None:
            taken.add(pose.file)
        found.append(pose)
    return found


def _copies(rows: Sequence[dict[str, Any]], anchor: Poses | None) -> NDArray[np.int_]:
    """For each tile the number of the tile it is a copy of; an earlier placed one goes first."""
    placed = {pose.file for pose in anchor.placed} if anchor is not None else set()
    first: dict[str, int] = {}
    order = sorted(range(len(rows)), key=lambda k: (rows[k]["file"] not in placed, k))
    out = np.full(len(rows), -1)
    for k in order:
        out[k] = first.setdefault(rows[k]["sha256"], k)
        if out[k] == k:
            out[k] = -1
    return out
