"""A crack that nobody marked: parts of a die that lie over the other die each in its own way."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import minimize
from shapely import LineString

from maskdelta.register._blocks import rounded
from maskdelta.register._fit import Plane
from maskdelta.register._pair import Pair
from maskdelta.register._verify import Verified, agreeing

__all__ = ["FoundCrack", "lost_part", "trace_crack"]

Array = NDArray[np.float64]
Line = tuple[float, float, float]

_LEAST_PART = 0.05
"""Share of the patches that a part of a die must hold."""


@dataclass(frozen=True)
class FoundCrack:
    """A line that parts a die, and how the smaller part lies against the larger one.

    Parameters
    ----------
    before, after : LineString
        px of the two mosaics.
    moved_px : (float, float)
        Displacement of the lost part's middle from where the other part's map puts it, px of the
        mosaic before.
    turned_deg : float
        Its turn against the other part.
    """

    before: LineString
    after: LineString
    moved_px: tuple[float, float]
    turned_deg: float

    def figures(self) -> dict[str, Any]:
        """What registration.json says of it."""
        return {
            "before_px": np.round(shapely.get_coordinates(self.before), 1).tolist(),
            "after_px": np.round(shapely.get_coordinates(self.after), 1).tolist(),
            "moved_px": [rounded(v) for v in self.moved_px],
            "turned_deg": rounded(self.turned_deg),
        }


def lost_part(pair: Pair, best: Verified) -> Pair | None:
    """The part of the die before that the best map does not reach, where a line parts it off.

    None where all agrees, or where what does not agree lies among what does: blocks that were
    redrawn, dirt, another die.
    """
    agrees = _among(best.tried_px, best.agree_px)
    lost = ~agrees
    most = 1 - _LEAST_PART
    if len(lost) < 40 or not _LEAST_PART <= lost.mean() <= most:
        return None
    line = _parting(best.tried_px, lost)
    beyond = _side(line, best.tried_px) > 0
    if not _LEAST_PART <= beyond.mean() <= most:
        return None
    # nearly all that is lost lies beyond, and nearly all beyond is lost
    if lost[beyond].mean() < 0.8 or beyond[lost].mean() < 0.7 or agrees[~beyond].mean() < 0.6:
        return None
    part = _half(pair, line)
    return replace(pair, before=replace(pair.before, within=part))


def trace_crack(pair: Pair, main: Verified, other: Verified) -> FoundCrack | None:
    """Where the crack runs between what agrees with either map; None where no crack explains it.

    The parts of a broken die keep their size and lie near their old places: what does not is
    another die, or a copy of a block elsewhere.
    """
    longest = max(pair.box.width, pair.box.height)
    middle = other.agree_px.mean(0)
    moved, turned_deg = _against(main.plane, other.plane, middle)
    near = np.hypot(*moved) < 0.1 * longest and abs(turned_deg) < 5
    apart = main.plane.apply(other.plane.undo(other.agree_px)) - other.agree_px
    if main.match.mirror != other.match.mirror or not near:
        return None
    if np.median(np.hypot(*apart.T)) < 4 * pair.unit:
        return None
    places = np.concatenate([main.agree_px, other.agree_px])
    beyond = np.repeat([False, True], [main.agree, other.agree])
    line = _parting(places, beyond)
    course = _course(pair, line, main.plane, other.plane)
    ways = [np.asarray(plane.undo(course)) for plane in (main.plane, other.plane)]
    return FoundCrack(
        LineString(course), LineString((ways[0] + ways[1]) / 2), (moved[0], moved[1]), turned_deg
    )


def _against(main: Plane, other: Plane, middle: Array) -> tuple[Array, float]:
    """Where the main map puts a place of the lost part, less where it lies; and the turn."""
    places = middle + np.array([[0.0, 0.0], [100.0, 0.0]])
    put = main.apply(other.undo(places))
    way = put[1] - put[0]
    return put[0] - places[0], float(np.degrees(np.arctan2(way[1], way[0])))


def _course(pair: Pair, line: Line, main: Plane, other: Plane, *, bands: int = 8) -> Array:
    """The crack as a line of `bands` + 1 points, (n, 2) px of the mosaic before.

    Small patches along the straight line are held against both maps; in each band across the
    line the crack is put where it parts best what agrees with either.
    """
    a, b, c = line
    normal, along = np.array([a, b]), np.array([-b, a])
    corners = np.array(pair.before.area.exterior.coords)
    start, end = (corners @ along).min(), (corners @ along).max()
    step, reach = 0.03 * (end - start) / 4, 0.06 * (end - start)
    t, s = np.meshgrid(np.arange(start, end, step), np.arange(-reach, reach + step, step))
    points = t.ravel()[:, None] * along + (s.ravel() - c)[:, None] * normal
    points = points[shapely.contains_xy(pair.before.area, *points.T)]
    sides = [agreeing(pair, plane)(points) for plane in (main, other)]
    found = np.concatenate(sides)
    beyond = np.repeat([False, True], [len(part) for part in sides])
    far, place = found @ normal + c, found @ along
    edges = np.linspace(start, end, bands + 1)
    offsets = [
        _parting_offset(far[chosen], beyond[chosen])
        for low, high in itertools.pairwise(edges)
        for chosen in [(place >= low) & (place < high)]
    ]
    at = (edges[:-1] + edges[1:]) / 2
    known = np.isfinite(offsets)
    kept = np.interp(edges, at[known], np.array(offsets)[known]) if known.any() else 0 * edges
    return np.asarray(edges[:, None] * along + (kept - c)[:, None] * normal)


def _parting_offset(far: Array, beyond: NDArray[np.bool_]) -> float:
    """Where on an axis fewest lie on the wrong side, amid all such places; NaN if one side only."""
    if beyond.all() or not beyond.any():
        return np.nan
    order = np.argsort(far, kind="stable")
    wrong = np.concatenate([[0], np.cumsum(beyond[order])])
    wrong = wrong + np.concatenate([np.cumsum(~beyond[order][::-1])[::-1], [0]])
    least = np.flatnonzero(wrong == wrong.min())
    at = np.concatenate([far[order][:1], far[order], far[order][-1:]])
    return float((at[least[0]] + at[least[-1] + 1]) / 2)


def _among(places: Array, chosen: Array) -> NDArray[np.bool_]:
    """(n,) whether each place is one of those chosen."""
    return (np.abs(places[:, None] - chosen[None]).max(-1) < 0.5).any(1)


def _parting(points: Array, beyond: NDArray[np.bool_]) -> Line:
    """The straight line that best parts two sets of points, by logistic regression.

    Returns
    -------
    a, b, c : float
        a x + b y + c > 0 beyond, with (a, b) of length 1.
    """
    middle, unit = points.mean(0), points.std()
    x = np.column_stack([(points - middle) / unit, np.ones(len(points))])
    sign = np.where(beyond, -1.0, 1.0)
    # both sides weigh alike
    weight = np.where(beyond, 0.5 / max(beyond.mean(), 1e-9), 0.5 / max((~beyond).mean(), 1e-9))

    def loss(w: Array) -> float:
        return float((weight * np.logaddexp(0, sign * (x @ w))).mean() + 1e-3 * w[:2] @ w[:2])

    first = np.append((points[beyond].mean(0) - points[~beyond].mean(0)) / unit, 0.0)
    w = minimize(loss, first).x
    length = max(float(np.hypot(w[0], w[1])), 1e-9)
    a, b = float(w[0] / length), float(w[1] / length)
    return a, b, float(w[2] / length * unit - a * middle[0] - b * middle[1])


def _side(line: Line, points: Array) -> Array:
    """Signed distance of (n, 2) points from a line."""
    return np.asarray(points @ np.array(line[:2]) + line[2])


def _half(pair: Pair, line: Line) -> Any:
    """What of the die before lies beyond a line."""
    a, b, c = line
    foot, along, normal = np.array([-a * c, -b * c]), np.array([-b, a]), np.array([a, b])
    far = 4.0 * max(pair.box.width, pair.box.height) * pair.unit + np.hypot(*foot)
    corners = [foot - far * along, foot + far * along]
    corners += [corners[1] + far * normal, corners[0] + far * normal]
    return pair.before.area.intersection(shapely.Polygon(corners))
