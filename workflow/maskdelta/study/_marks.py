"""Marks that a person makes: GeoJSON features with a label, a role and a frame."""

from __future__ import annotations

import glob
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
import shapely.geometry
from shapely.geometry.base import BaseGeometry

from maskdelta.errors import ConfigurationError
from maskdelta.study._poses import Poses

__all__ = ["ROLES", "Mark", "map_mark", "mark_in_mosaic", "read_marks"]

ROLES = (
    "landmark",
    "swatch",
    "array_corner",
    "array_cell",
    "point_pair",
    "crack",
    "ignore",
    "scale",
)
FRAMES = ("tile", "mosaic", "study")


@dataclass(frozen=True)
class Mark:
    """One mark.

    Parameters
    ----------
    role : str
        One of `ROLES`.
    label : str
        The person's name for it.
    geometry : shapely geometry
        In px of the tile or mosaic, or in um of the study frame; x right, y down.
    frame : str
        tile, mosaic or study.
    die, view, tile : str
        What the frame belongs to; empty for the study frame.
    stack : str
        For a swatch: the stack it shows.
    reach_um : float or None
        For a landmark: its own reach.
    source : str
        File and number of the feature, for messages.
    row, column : int or None
        For an array corner: which cell it marks, from 0; negative numbers count from the end.
    value : int or None
        For an array cell: the bit that a person sees there, 0 or 1.
    length_um : float or None
        For a scale: how long the line is that was drawn.
    """

    role: str
    label: str
    geometry: BaseGeometry
    frame: str = "study"
    die: str = ""
    view: str = "top"
    tile: str = ""
    stack: str = ""
    reach_um: float | None = None
    source: str = ""
    row: int | None = None
    column: int | None = None
    value: int | None = None
    length_um: float | None = None


def read_marks(patterns: Sequence[str]) -> list[Mark]:
    """Read all marks of the files that fit the glob patterns.

    Raises
    ------
    ConfigurationError
        With one sentence for every file or feature that is wrong.
    """
    files = sorted({file for pattern in patterns for file in glob.glob(pattern)})
    faults: list[str] = []
    marks: list[Mark] = []
    for file in files:
        try:
            data = json.loads(Path(file).read_text(encoding="utf-8"))
            features = data["features"]
        except (OSError, ValueError, KeyError, TypeError):
            faults.append(f"{file}: this is not a GeoJSON FeatureCollection; mend or remove it.")
            continue
        for number, feature in enumerate(features):
            source = f"{file}: feature {number + 1}"
            mark = _mark(feature, source, faults)
            marks += [mark] if mark is not None else []
    if faults:
        raise ConfigurationError(faults)
    return marks


def _mark(feature: Any, source: str, faults: list[str]) -> Mark | None:
    try:
        geometry = shapely.geometry.shape(feature["geometry"])
        properties = dict(feature["properties"])
    except Exception as exc:
        faults.append(f"{source}: the geometry or properties cannot be read ({exc}); mend it.")
        return None
    role, frame = properties.get("role"), properties.get("frame", "study")
    before = len(faults)
    if role not in ROLES:
        faults.append(f"{source}: `role` is `{role}`; it must be one of {', '.join(ROLES)}.")
    if frame not in FRAMES:
        faults.append(f"{source}: `frame` is `{frame}`; it must be one of {', '.join(FRAMES)}.")
    if frame in ("tile", "mosaic") and not properties.get("die"):
        faults.append(f"{source}: a mark in a {frame} frame must name its `die`; add it.")
    if frame == "tile" and not properties.get("tile"):
        faults.append(f"{source}: a mark in a tile frame must name its `tile`; add the file name.")
    if role == "swatch" and not properties.get("stack"):
        faults.append(f"{source}: a swatch must name its `stack`; add it.")
    if role in ("landmark", "array_corner", "array_cell") and not properties.get("label"):
        faults.append(f"{source}: a {role} must have a `label`; add it.")
    numbers = {key: properties.get(key) for key in ("row", "column", "value")}
    faults += _number_faults(source, role, numbers)
    if role == "crack" and geometry.geom_type != "LineString":
        faults.append(f"{source}: a crack must be a line from edge to edge; draw a LineString.")
    if role == "crack" and frame == "study":
        faults.append(f"{source}: a crack must lie in a tile or the mosaic of its die; name them.")
    if geometry.is_empty or not geometry.is_valid:
        faults.append(f"{source}: the outline is empty or crosses itself; draw it again.")
    reach = properties.get("reach_um")
    if reach is not None and not (isinstance(reach, int | float) and reach > 0):
        faults.append(f"{source}: `reach_um` is `{reach}`; it must be a number above 0.")
    length = properties.get("length_um")
    if role == "scale" and not (
        geometry.geom_type == "LineString" and isinstance(length, int | float) and length > 0
    ):
        faults.append(
            f"{source}: a scale must be a line with its `length_um`; draw a LineString along a "
            "scale bar, or between two places whose distance is known, and add the number."
        )
    if role == "scale" and frame == "study":
        faults.append(f"{source}: a scale must lie in the frame of a tile or mosaic; name it.")
    if len(faults) > before:
        return None
    return Mark(
        role=str(role),
        label=str(properties.get("label", "")),
        geometry=geometry,
        frame=str(frame),
        die=str(properties.get("die", "")),
        view=str(properties.get("view", "top")),
        tile=str(properties.get("tile", "")),
        stack=str(properties.get("stack", "")),
        reach_um=None if reach is None else float(reach),
        source=source,
        length_um=float(length) if role == "scale" and length else None,
        **(numbers if role in ("array_corner", "array_cell") else {}),
    )


def _number_faults(source: str, role: object, numbers: dict[str, Any]) -> list[str]:
    """Faults of the numbers that only marks of arrays have."""
    faults = []
    if role == "array_corner" and not all(type(numbers[key]) is int for key in ("row", "column")):
        faults.append(
            f"{source}: an array_corner must say which cell it marks; add whole numbers `row` and "
            "`column` (from 0; -1 is the last)."
        )
    if role == "array_cell" and numbers["value"] not in (0, 1):
        faults.append(f"{source}: an array_cell must say what it holds; add `value` 0 or 1.")
    return faults


def map_mark(mark: Mark, transform: Any, **changes: Any) -> Mark:
    """The mark with its points mapped by `transform` ((n, 2) -> (n, 2)) and fields changed."""

    def move(points: np.ndarray) -> np.ndarray:
        return np.asarray(transform(points), float)

    return replace(mark, geometry=shapely.transform(mark.geometry, move), **changes)


def mark_in_mosaic(mark: Mark, poses: Poses) -> Mark | None:
    """Carry a mark from a tile frame into the mosaic frame of its view.

    Returns
    -------
    Mark or None
        None when its tile was not placed.
    """
    if mark.frame == "mosaic":
        return mark
    pose = poses.find(mark.tile)
    if pose is None or not pose.placed:
        return None
    return map_mark(mark, pose.to_mosaic, frame="mosaic")
