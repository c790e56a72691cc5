"""The same place in every die: where it lies, which tiles show it, what is there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from maskdelta.difference import landmarks_in_study
from maskdelta.errors import MaskdeltaError
from maskdelta.images import Box, Raster
from maskdelta.register import ErrorMap
from maskdelta.study import (
    Frames,
    LayerStack,
    Mark,
    Poses,
    StudySettings,
    ToStudy,
    read_json,
    read_marks,
    read_study,
)

__all__ = ["Place", "describe_places", "find_places"]


@dataclass(frozen=True)
class Place:
    """A place as one die shows it.

    Parameters
    ----------
    die, revision : str
    x_px, y_px : float
        In the mosaic of the die's main view.
    error : float
        95 % radius of the way from the study frame, in its unit.
    tiles : tuple of (file, x_px, y_px)
        Tiles that show the place, with its place in each: first the one that the mosaic shows
        there, then the most central.
    stack : str
        What the segmentation calls it; empty where the die has no layers yet.
    layers : tuple of str
    """

    die: str
    revision: str
    x_px: float
    y_px: float
    error: float
    tiles: tuple[tuple[str, float, float], ...]
    stack: str
    layers: tuple[str, ...]


def find_places(
    study: StudySettings,
    x: float,
    y: float,
    *,
    die: str = "",
    tile: str = "",
    results: str | Path = "results",
) -> tuple[tuple[float, float], str, list[Place]]:
    """Carry a point into the study frame and into every die that is linked.

    Parameters
    ----------
    study : StudySettings
    x, y : float
        px of the tile, or of the die's mosaic when no tile is named, or um of the study frame
        when no die is named either.
    die, tile : str
    results : path
        Of a finished run.

    Returns
    -------
    (x, y), unit, places
        The point in the study frame, the unit of that frame, and a place for each linked die.

    Raises
    ------
    MaskdeltaError
        For a die or tile that is not there, or results that are missing.
    """
    results = Path(results)
    if die and die not in study.dies:
        raise MaskdeltaError(
            f"--die {die}: the study has no such die; choose one of {', '.join(study.dies)}."
        )
    if tile and not die:
        raise MaskdeltaError(f"--tile {tile}: name its die too, with --die.")
    views = {name: study.main_view(name) for name in study.dies}
    tables = {name: results / "dies" / name / view / "tiles.csv" for name, view in views.items()}
    links = {name: results / "dies" / name / "to_study.json" for name in study.dies}
    for path in [*tables.values(), *links.values()]:
        if not path.is_file():
            raise MaskdeltaError(f"{path}: not there yet; run the study first.")
    comparisons = results / "comparisons"
    frames = Frames(
        [str(p) for p in tables.values()], [str(p) for p in links.values()], str(comparisons)
    )
    poses = {name: Poses.read(path) for name, path in tables.items()}
    if tile and poses[die].find(tile) is None:
        raise MaskdeltaError(f"--tile {tile}: the die `{die}` has no such tile; correct the name.")
    frame = "tile" if tile else "mosaic" if die else "study"
    mark = Mark("landmark", "", shapely.Point(x, y), frame, die, views.get(die, "top"), tile)
    moved = frames.in_study(mark)
    if moved is None:
        raise MaskdeltaError(
            f"the point on `{die}` has no way into the study frame: its tile was not placed, or "
            "the die is not linked to the reference."
        )
    at = shapely.get_coordinates(moved.geometry)
    places = [
        _place(study, name, frames.link(name), poses[name], at, results)
        for name in study.dies
        if frames.link(name).linked
    ]
    unit = frames.link(study.reference).unit
    return (float(at[0, 0]), float(at[0, 1])), unit, places


def _place(
    study: StudySettings, die: str, link: ToStudy, poses: Poses, at: np.ndarray, results: Path
) -> Place:
    (x, y), *_ = link.to_mosaic(at)
    tiles = []
    folder = results / "dies" / die
    for file in _owner_first(poses, folder / study.main_view(die) / "mosaic_tiles.tif", x, y):
        pose = poses.find(file)
        assert pose is not None
        (u, v), *_ = pose.to_tile([[x, y]])
        tiles.append((file, round(float(u), 1), round(float(v), 1)))
    stack, layers = _shown(study, folder, x, y) if tiles else ("", ())
    return Place(
        die=die,
        revision=study.dies[die].revision,
        x_px=round(float(x), 1),
        y_px=round(float(y), 1),
        error=_error(link, (x, y), results / "comparisons"),
        tiles=tuple(tiles),
        stack=stack,
        layers=layers,
    )


def _owner_first(poses: Poses, owners: Path, x: float, y: float) -> list[str]:
    """Tiles that show a place, first the one that gives the mosaic's px there."""
    showing = list(poses.showing(x, y))
    if not showing or not owners.is_file():  # a finished picture is its own mosaic
        return showing
    column, row = round(float(x)), round(float(y))
    with Raster.open(owners) as raster:
        number = int(raster.read_mosaic(Box(column, row, column + 1, row + 1))[0, 0, 0])
    if not 0 < number <= len(poses):
        return showing
    owner = poses.tiles[number - 1].file
    return [owner, *(file for file in showing if file != owner)]


def _shown(study: StudySettings, folder: Path, x: float, y: float) -> tuple[str, tuple[str, ...]]:
    """Stack and layers at a place of a die's mosaic."""
    if not (folder / "layers.json").is_file():
        return "", ()
    column, row = round(float(x)), round(float(y))
    with Raster.open(LayerStack(folder).labels) as labels:
        value = int(labels.read_mosaic(Box(column, row, column + 1, row + 1))[0, 0, 0])
    names = read_json(folder / "layers.json")["stacks"]
    if value >= len(names):
        return "not to be told", ()
    return names[value], study.stacks[names[value]].layers


def _error(link: ToStudy, at: tuple[float, float], comparisons: Path) -> float:
    """Errors of the steps at this place, as independent ones, in the unit of the study frame."""
    squares, p, die = 0.0, np.array([at], float), link.die
    for step in link.steps:
        forward = step.after == die
        there = step.after_to_before(p) if forward else step.before_to_after(p)
        error = ErrorMap.read(comparisons / f"{step.before}--{step.after}/registration_error.tif")
        squares += float(error.at(there if forward else p)[0]) ** 2
        p, die = there, step.before if forward else step.after
    return round(float(np.sqrt(squares)) * link.um_per_px, 2)


def describe_places(
    config: str, x: float, y: float, *, die: str = "", tile: str = "", results: str = "results"
) -> str:
    """What `maskdelta where` prints."""
    study = read_study(config)
    (sx, sy), unit, places = find_places(study, x, y, die=die, tile=tile, results=results)
    lines = [f"study frame: {sx:.1f}, {sy:.1f} {unit}{_nearest(study, sx, sy, unit, results)}"]
    for place in places:
        lines.append(
            f"{place.die} (revision {place.revision}): mosaic {place.x_px}, {place.y_px} px, "
            f"within {place.error} {unit}"
        )
        if not place.tiles:
            lines.append("  no tile shows it")
            continue
        lines += [f"  {file}: {u}, {v} px" for file, u, v in place.tiles]
        lines[-len(place.tiles)] += ", which the mosaic shows"
        if place.stack:
            layers = ", ".join(place.layers) or "no layer"
            lines.append(f"  {place.stack} ({layers})")
    missing = [name for name in study.dies if name not in {p.die for p in places}]
    lines += [f"{name}: not linked to the study frame" for name in missing]
    return "\n".join(lines)


def _nearest(study: StudySettings, x: float, y: float, unit: str, results: str) -> str:
    """Words on the nearest landmark; empty where there is none."""
    folder = Path(results) / "dies"
    landmarks = landmarks_in_study(
        read_marks(study.marks),
        poses=[str(p) for p in sorted(folder.glob("*/*/tiles.csv"))],
        links=[str(p) for p in sorted(folder.glob("*/to_study.json"))],
        comparisons=str(Path(results) / "comparisons"),
        reach_um=study.difference.landmark_reach_um,
    )
    if not landmarks:
        return ""
    point = shapely.Point(x, y)
    mark = min(landmarks, key=lambda m: float(m.geometry.distance(point)))
    apart = float(mark.geometry.distance(point))
    return f", at {mark.label}" if apart < 0.5 else f", {apart:.0f} {unit} from {mark.label}"
