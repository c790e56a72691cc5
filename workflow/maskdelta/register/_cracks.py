"""A cracked die: its fragments, each with a map of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.ops import nearest_points, polygonize

from maskdelta.images import Box
from maskdelta.register._error_map import ErrorMap
from maskdelta.register._pair import Pair
from maskdelta.register._registered import Registered, miss_figures
from maskdelta.register._verify import HELP
from maskdelta.study import Fragment, Registration

__all__ = ["join", "points_within", "split", "split_pair"]

Array = NDArray[np.float64]


_AT_CRACK_PX = 32.0
"""Most that the error may be said to be beside a crack: with more nothing could be compared."""


def split_pair(
    pair: Pair, cracks: tuple[Sequence[shapely.LineString], Sequence[shapely.LineString]]
) -> list[Pair]:
    """The pair for each piece of the die before with each piece of the die after."""
    before, after = (
        split(side.mosaic.box, lines)
        for side, lines in zip((pair.before, pair.after), cracks, strict=True)
    )
    if len(before) == len(after) == 1:
        return [pair]
    return [
        replace(pair, before=replace(pair.before, within=b), after=replace(pair.after, within=a))
        for b in before
        for a in after
    ]


def points_within(
    pair: Pair, point_pairs: tuple[Array, Array] | None
) -> tuple[Array, Array] | None:
    """The point pairs that lie on this piece in both dies."""
    if point_pairs is None:
        return None
    on = np.ones(len(point_pairs[0]), bool)
    for side, places in zip((pair.before, pair.after), point_pairs, strict=True):
        on &= shapely.contains_xy(side.area, *places.T)
    return point_pairs[0][on], point_pairs[1][on]


def join(
    pair: Pair, names: tuple[str, str], pieces: Sequence[Pair], parts: Sequence[Registered]
) -> Registered:
    """One registration of the pieces of a cracked die.

    Where both dies are cracked, a piece of one that shares nothing with a piece of the other has no
    map; every piece must have one at least.
    """
    good = [k for k, part in enumerate(parts) if part.registration.trusted]
    lost = _without_map(pieces, good)
    if not good:
        return parts[0]
    refused = tuple(
        f"the fragment around ({x:.0f}, {y:.0f}) px of {names[n]} could not be laid over; {HELP} "
        "on it"
        for n, x, y in lost
    )
    good.sort(key=lambda k: -parts[k].registration.figures["control_points_used"])
    fragments = tuple(
        Fragment(pieces[k].before.area, pieces[k].after.area, parts[k].registration.chain)
        for k in good
    )
    rows, groups = _numbered([parts[k] for k in good])
    main = parts[good[0]].registration
    figures = {
        **main.figures,
        "fragments": len(good),
        "control_points": sum(parts[k].registration.figures["control_points"] for k in good),
        **miss_figures(rows),
    }
    registration = replace(
        main, fragments=fragments, figures=figures, groups=tuple(groups), refused=refused
    )
    error = _joined_error(
        pair.box, replace(registration, refused=()), [parts[k].error for k in good]
    )
    return Registered(registration, rows, error)


def _without_map(pieces: Sequence[Pair], good: Sequence[int]) -> list[tuple[int, float, float]]:
    """Side (0 before, 1 after) and middle of the pieces that no map leads to."""
    missing = []
    for n, name in enumerate(("before", "after")):
        areas = {getattr(p, name).area for p in pieces}
        mapped = {getattr(pieces[k], name).area for k in good}
        for area in sorted(areas - mapped, key=lambda a: a.bounds):
            middle = area.representative_point()
            missing.append((n, middle.x, middle.y))
    return missing


def _numbered(parts: Sequence[Registered]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows and groups of all parts, the groups numbered on."""
    rows: list[dict[str, Any]] = []
    groups: list[dict[str, Any]] = []
    for part in parts:
        before = len(groups)
        rows += [
            {**row, "group": row["group"] + before if row["group"] else 0} for row in part.residuals
        ]
        groups += [{**g, "group": g["group"] + before} for g in part.registration.groups]
    return rows, groups


def _joined_error(box: Box, registration: Registration, errors: Sequence[ErrorMap]) -> ErrorMap:
    """Each fragment's own error; beside a crack, what the map of the other side would be off."""
    empty = ErrorMap.over_box(box)
    places = empty.places()
    at = registration.fragment_at(places)
    radius = np.choose(at, [e.at(places) for e in errors])
    number = at.reshape(empty.radius_px.shape)
    there = registration.before_to_after(places)
    for k, fragment in enumerate(registration.fragments):
        near = ndimage.maximum_filter(number == k, 3).ravel() & (at != k)
        off = np.hypot(*(fragment.chain.apply(there[near]) - places[near]).T)
        radius[near] = np.maximum(radius[near], np.minimum(off, _AT_CRACK_PX))
    return replace(empty, radius_px=radius.reshape(number.shape))


def split(
    box: Box, cracks: Sequence[shapely.LineString], *, least_frac: float = 0.005
) -> list[shapely.Polygon]:
    """The pieces into which cracks part a mosaic, the largest first.

    Parameters
    ----------
    box : Box
    cracks : sequence of LineString
        px of the mosaic. A line that ends inside is carried on straight until it meets the edge
        or another crack.
    least_frac : float
        Smaller pieces, as a share of the box, are left out: places there go by the piece nearest.

    Returns
    -------
    list of Polygon
        One, the box, where nothing is parted.
    """
    frame = shapely.box(*box)
    whole = [
        _carried_on(line, [frame.exterior, *(other for other in cracks if other is not line)])
        for line in cracks
    ]
    pieces = [
        piece
        for piece in polygonize(shapely.union_all([frame.exterior, *whole]))
        if piece.area >= least_frac * frame.area and frame.contains(piece.representative_point())
    ]
    return sorted(pieces, key=lambda piece: -piece.area)


def _carried_on(line: shapely.LineString, stops: Sequence[shapely.Geometry]) -> shapely.LineString:
    """The line with both ends carried on until they cross one of the stops."""
    points = shapely.get_coordinates(line)
    first = _beyond(points[1], points[0], stops)
    last = _beyond(points[-2], points[-1], stops)
    return shapely.LineString(np.vstack([first, points, last]))


def _beyond(inner: Array, end: Array, stops: Sequence[shapely.Geometry]) -> Array:
    """Where the way from `inner` through `end` first meets a stop, and a px farther."""
    way = (end - inner) / np.hypot(*(end - inner))
    ray = shapely.LineString([end, end + way * 1e6])
    met = [ray.intersection(stop) for stop in stops]
    met = [place for place in met if not place.is_empty]
    if not met:
        return end + way
    start = shapely.Point(end)
    nearest = min((nearest_points(start, place)[1] for place in met), key=start.distance)
    return np.array([nearest.x, nearest.y]) + way
