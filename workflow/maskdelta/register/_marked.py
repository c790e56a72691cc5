"""What a person's marks say about a registration: point pairs and cracks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.study import Mark, Poses, mark_in_mosaic

__all__ = ["crack_lines", "point_pairs"]

Array = NDArray[np.float64]


def point_pairs(
    marks: Sequence[Mark],
    names: tuple[str, str],
    poses: Sequence[Poses],
    *,
    views: tuple[str, str] = ("top", "top"),
) -> tuple[Array, Array] | None:
    """Point pairs that a person marked in both dies, or in two views of one, by label.

    Parameters
    ----------
    marks : sequence of Mark
    names : (str, str)
        Dies before and after.
    poses : (Poses, Poses)
    views : (str, str)

    Returns
    -------
    ((n, 2), (n, 2)) or None
        px of the two mosaics; None when no label stands in both dies.
    """
    places: list[dict[str, tuple[float, float]]] = []
    for die, tiles in zip(zip(names, views, strict=True), poses, strict=True):
        moved = _in_mosaic(marks, "point_pair", die, tiles)
        places.append({m.label: (m.geometry.centroid.x, m.geometry.centroid.y) for m in moved})
    labels = sorted(places[0].keys() & places[1].keys())
    if not labels:
        return None
    first, second = ([side[label] for label in labels] for side in places)
    return np.array(first, float), np.array(second, float)


def crack_lines(
    marks: Sequence[Mark],
    names: tuple[str, str],
    poses: Sequence[Poses],
    *,
    views: tuple[str, str] = ("top", "top"),
) -> tuple[list[shapely.LineString], list[shapely.LineString]]:
    """Cracks that a person marked in either die, px of its mosaic.

    Parameters
    ----------
    marks : sequence of Mark
    names : (str, str)
        Dies before and after.
    poses : (Poses, Poses)
    views : (str, str)
    """
    before, after = (
        [shapely.LineString(m.geometry.coords) for m in _in_mosaic(marks, "crack", die, tiles)]
        for die, tiles in zip(zip(names, views, strict=True), poses, strict=True)
    )
    return before, after


def _in_mosaic(marks: Sequence[Mark], role: str, die: tuple[str, str], poses: Poses) -> list[Mark]:
    """Marks of a role on a die and view, in its mosaic, but for those on tiles not placed."""
    moved = [
        mark_in_mosaic(mark, poses)
        for mark in marks
        if mark.role == role and (mark.die, mark.view) == die and mark.frame != "study"
    ]
    return [mark for mark in moved if mark is not None]
