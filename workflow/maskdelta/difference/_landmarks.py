"""Places with names: carried into the study frame, and what changed inside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._changes import Change, Landmark, landmark_of
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.images import Box, Raster, blocks_of
from maskdelta.register import ErrorMap
from maskdelta.study import Frames, Mark, ToStudy

__all__ = ["landmark_rows", "landmarks_in_study"]


def landmarks_in_study(
    marks: Sequence[Mark],
    *,
    poses: Sequence[str],
    links: Sequence[str],
    comparisons: str,
    reach_um: float,
) -> list[Landmark]:
    """Landmarks of all dies, carried into the study frame.

    Parameters
    ----------
    marks : sequence of Mark
    poses : sequence of str
        Paths `.../<die>/<view>/tiles.csv` of the dies in whose tiles landmarks were drawn.
    links : sequence of str
        Paths `.../<die>/to_study.json`.
    comparisons : str
        Folder of the registrations that the links name.
    reach_um : float
        For landmarks without a reach of their own.

    Returns
    -------
    list of Landmark
        Without those on tiles that were not placed or on dies that are not linked.
    """
    frames = Frames(poses, links, comparisons)
    found = []
    for mark in marks:
        if mark.role != "landmark":
            continue
        moved = frames.in_study(mark)
        if moved is None:
            print(f"landmark `{mark.label}` ({mark.source}) could not be carried over")
            continue
        found.append(landmark_of(moved, reach_um))
    return found


def landmark_rows(
    mark: Landmark,
    changes: Sequence[Change],
    masks: dict[str, Raster],
    sizes: Mapping[str, ErrorMap],
    to_study: ToStudy,
    *,
    unit: float,
) -> list[dict[str, Any]]:
    """Rows of landmarks.csv for one landmark, a row a layer.

    Parameters
    ----------
    mark : Landmark
    changes : sequence of Change
    masks : dict of str to Raster
        By layer.
    sizes : mapping of str to ErrorMap
        Smallest change that is found, um, by layer and place; the worst place counts.
    to_study : ToStudy
        Of the die before.
    unit : float
        um2 of a px.
    """
    area = mark.area
    in_mosaic = shapely.transform(area, to_study.to_mosaic)
    touching = [c for c in changes if area.intersects(shapely.box(*c.box_um))]
    inside = _inside(in_mosaic, next(iter(masks.values())).box) if masks else []
    rows = []
    for name, mask in masks.items():
        states = np.concatenate([mask.read_mosaic(box)[0][here] for box, here in inside])
        total = max(len(states), 1)
        comparable = int((states != NOT_COMPARABLE).sum())
        side = np.concatenate([sizes[name].over(box)[here] for box, here in inside])
        worst = side[states != NOT_COMPARABLE].max(initial=0.0)
        rows.append(
            {
                "landmark": mark.label,
                "layer": name,
                "x_um": area.centroid.x,
                "y_um": area.centroid.y,
                "area_um2": len(states) * unit,
                "changes": sum(name in c.layers for c in touching),
                "added_um2": float((states == ADDED).sum() * unit),
                "removed_um2": float((states == REMOVED).sum() * unit),
                "comparable_frac": comparable / total,
                "smallest_seen_um": float(worst) if comparable and np.isfinite(worst) else None,
            }
        )
    return rows


def _inside(polygon: BaseGeometry, extent: Box) -> list[tuple[Box, NDArray[np.bool_]]]:
    """Boxes of the mosaic frame, and which of their px have their centre inside a polygon."""
    x0, y0, x1, y1 = polygon.bounds
    whole = Box(int(np.floor(x0)), int(np.floor(y0)), int(np.ceil(x1)) + 1, int(np.ceil(y1)) + 1)
    whole = whole.clipped(extent)
    if whole.empty:
        return [(Box(0, 0, 0, 0), np.zeros((0, 0), bool))]
    found = []
    for part in blocks_of(whole.shape, 1024):
        box = Box(part.x0 + whole.x0, part.y0 + whole.y0, part.x1 + whole.x0, part.y1 + whole.y0)
        x, y = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
        found.append((box, shapely.contains_xy(polygon, x, y)))
    return found
