"""Propose the lattice of an array that nobody has marked yet, from the dots of a layer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import signal
from scipy.sparse import csgraph, csr_array

from maskdelta.arrays._find import Corner
from maskdelta.arrays._spacing import AxisGuess, guess_axis
from maskdelta.images import Box, Raster
from maskdelta.study import apply_affine, fit_affine

__all__ = ["LatticeProposal", "find_dots", "propose_lattice"]

Array = NDArray[np.float64]
_LEAST_DOTS = 12
_LEAST_EXPLAINED = 0.8


@dataclass(frozen=True)
class LatticeProposal:
    """Where an array seems to lie.

    Parameters
    ----------
    why : str
        Why nothing is proposed; empty where something is.
    rows, columns : AxisGuess or None
        Rows run along the direction nearest to the x axis of the mosaic.
    to_mosaic : (2, 3) float64
        From (column place, row place) in mean steps to mosaic px.
    explained : float
        Share of the dots that lie on cells; those of straps, in rows and in columns of their own,
        are left out.
    """

    why: str
    rows: AxisGuess | None = None
    columns: AxisGuess | None = None
    to_mosaic: Array | None = None
    explained: float = 0.0

    def corners(self) -> list[Corner]:
        """Three corner cells, as a person would have marked them; none without a proposal."""
        if self.rows is None or self.columns is None or self.to_mosaic is None:
            return []
        down, across = self.rows.places(), self.columns.places()
        found = []
        for row, column in ((0, 0), (0, -1), (-1, 0)):
            (x, y) = apply_affine(self.to_mosaic, [(across[column], down[row])])[0]
            found.append(Corner(row, column, (float(x), float(y)), np.eye(2)))
        return found

    def settings(self) -> dict[str, Any]:
        """`rows` and `columns` as they would stand in the configuration."""
        if self.rows is None or self.columns is None:
            return {}
        return {"rows": self.rows.settings(), "columns": self.columns.settings()}


def find_dots(layers: Raster, plane: int, outline: shapely.Polygon) -> tuple[Array, float]:
    """Middles of the shapes of a layer that are about as large as most, and their radius.

    Parameters
    ----------
    layers : Raster
        Planes of membership.
    plane : int
    outline : shapely Polygon
        Around the array, mosaic frame.

    Returns
    -------
    middles_px : (n, 2) float64
        Mosaic frame.
    radius_px : float
    """
    x0, y0, x1, y1 = (float(v) for v in outline.bounds)
    box = Box(int(x0) - 1, int(y0) - 1, int(x1) + 2, int(y1) + 2)
    mask = (layers.read_mosaic(box, planes=[plane])[0] > 127).astype(np.uint8)
    _, _, stats, middles = cv2.connectedComponentsWithStats(mask, None, 8)
    middles = middles[1:] + [box.x0, box.y0]
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    inside = shapely.contains_xy(outline, *middles.T)
    if not inside.any():
        return np.zeros((0, 2)), 0.0
    usual = float(np.median(areas[inside & (areas >= 0.2 * np.percentile(areas[inside], 90))]))
    like = inside & (areas > usual / 2.5) & (areas < 2.5 * usual)
    return middles[like], float(np.sqrt(usual / np.pi))


def propose_lattice(dots_px: Array, radius_px: float) -> LatticeProposal:
    """Propose rows and columns for dots that are some of the cells of an array.

    The directions are those in which the dots, projected, pile up most sharply; the piles are the
    lines. Their distances are explained by `guess_axis`, and the places are fitted to all dots.
    The answer is a refusal where too few dots lie on the cells so found. First or last lines
    without a set bit cannot be seen.

    Parameters
    ----------
    dots_px : (n, 2) float64
        Middles, mosaic frame.
    radius_px : float
    """
    if len(dots_px) < _LEAST_DOTS:
        return LatticeProposal(f"{len(dots_px)} dots were found; {_LEAST_DOTS} are needed")
    middle = dots_px.mean(0)
    local = dots_px - middle
    turned = _direction(local, radius_px)
    across, down = (_refined(local, turned + quarter, radius_px) for quarter in (0.0, 90.0))
    x, y = _project(local, across), _project(local, down)
    all_x, all_y = _lines(x, radius_px), _lines(y, radius_px)
    x_lines, y_lines = _block(x, y, all_x, all_y)
    if len(x_lines) < 3 or len(y_lines) < 3:
        return LatticeProposal("the dots do not lie in rows and columns")
    columns = guess_axis(x_lines, np.setdiff1d(all_x, x_lines))
    rows = guess_axis(y_lines, np.setdiff1d(all_y, y_lines))
    c, on_column = _nearest(x, x_lines)
    r, on_row = _nearest(y, y_lines)
    on = on_column & on_row
    source = np.column_stack([columns.places()[columns.numbers[c]], rows.places()[rows.numbers[r]]])
    if on.sum() < max(_LEAST_DOTS, len(dots_px) / 2):
        return LatticeProposal("the dots do not lie in rows and columns")
    to_mosaic = fit_affine(source[on], dots_px[on])
    missed = np.hypot(*(apply_affine(to_mosaic, source) - dots_px).T)
    shortest = min(*rows.steps, *columns.steps)
    strap = _on_others(x, all_x, x_lines) & _on_others(y, all_y, y_lines)
    explained = float((on & (missed < 0.25 * shortest))[~strap].mean())
    if explained < _LEAST_EXPLAINED:
        why = f"only {100 * explained:.0f} % of the dots lie on one set of rows and columns"
        return LatticeProposal(why, explained=explained)
    return LatticeProposal("", rows, columns, to_mosaic, explained)


def _block(x: Array, y: Array, x_lines: Array, y_lines: Array) -> tuple[Array, Array]:
    """The lines of the largest block: straps between the cells have dots on lines of their own.

    Two columns belong together when they have dots in a fifth or more of the same rows.
    """
    if len(x_lines) < 3 or len(y_lines) < 3:
        return x_lines, y_lines
    (c, on_column), (r, on_row) = _nearest(x, x_lines), _nearest(y, y_lines)
    on = on_column & on_row
    there = np.zeros((len(y_lines), len(x_lines)))
    there[r[on], c[on]] = 1
    common = there.T @ there
    sizes = np.diag(common)
    linked = common >= np.maximum(2, 0.2 * np.minimum(sizes[:, None], sizes))
    _, part = csgraph.connected_components(csr_array(linked), directed=False)
    own = part == np.argmax(np.bincount(part, weights=sizes))
    rows = there[:, own].sum(1) > there[:, ~own].sum(1)
    return x_lines[own], y_lines[rows]


def _on_others(values: Array, lines: Array, own: Array) -> NDArray[np.bool_]:
    """Whether values lie on a line that is not among the own ones."""
    index, near = _nearest(values, lines)
    return near & ~np.isin(lines, own)[index]


def _project(points: Array, angle_deg: float) -> Array:
    t = np.deg2rad(angle_deg)
    return np.asarray(points @ np.array([np.cos(t), np.sin(t)]))


def _sharpness(points: Array, angles_deg: Array, width: float) -> Array:
    """(a,) sum of squares of the histogram of the projections, for each angle."""
    found = []
    for angle in angles_deg:
        values = _project(points, float(angle)) / width
        # two histograms half a bin apart: no pile falls between two bins in both
        values -= values.min()
        counts = [np.bincount((values + shift).astype(int)) for shift in (0.0, 0.5)]
        found.append(sum(float((c.astype(float) ** 2).sum()) for c in counts))
    return np.array(found)


def _direction(points: Array, radius: float) -> float:
    """Direction of the rows against the x axis, -45..45 degrees."""
    some = points[:: 1 + len(points) // 4000]
    angles = np.arange(-45.0, 45.0, 0.25)
    width = 1.2 * radius
    score = _sharpness(some, angles, width) + _sharpness(some, angles + 90, width)
    return float(angles[int(np.argmax(score))])


def _refined(points: Array, angle: float, radius: float) -> float:
    angles = angle + np.arange(-1.0, 1.001, 0.02)
    score = _sharpness(points, angles, 1.2 * radius)
    best = score >= 0.98 * score.max()
    return float(angles[best].mean())


def _lines(values: Array, radius: float) -> Array:
    """Places of the piles, sorted; a pile of one dot, or a tenth of the usual, is none."""
    step = radius / 6
    start = values.min() - 4 * radius
    count = int((values.max() - start + 4 * radius) / step) + 1
    heap = np.bincount(((values - start) / step).astype(int), minlength=count).astype(float)
    smooth = cv2.GaussianBlur(heap[None], (0, 0), 0.6 * radius / step)[0]
    peaks, _ = signal.find_peaks(smooth, distance=max(int(2.2 * radius / step), 1))
    places = start + (peaks + 0.5) * step
    for _ in range(3):
        index, near = _nearest(values, places)
        sizes = np.bincount(index[near], minlength=len(places))
        kept = sizes >= max(2.0, 0.1 * float(np.median(sizes[sizes > 0])))
        sums = np.bincount(index[near], weights=values[near], minlength=len(places))
        places = sums[kept] / sizes[kept]
        if len(places) < 3:
            break
    return places


def _nearest(values: Array, places: Array) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Index of the nearest of some sorted places, and whether it is near."""
    index = np.searchsorted((places[1:] + places[:-1]) / 2, values)
    shortest = float(np.diff(places).min()) if len(places) > 1 else np.inf
    return index, np.abs(values - places[index]) < 0.35 * shortest
