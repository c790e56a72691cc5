"""Areas of a die in which one cell is repeated in two directions: memories, decoders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.sparse import csgraph, csr_array

from maskdelta.images import Box, Raster, eight_bits

__all__ = ["PeriodicArea", "find_periodic"]

Array = NDArray[np.float64]
_WINDOW_PX = 256
_STEP_PX = 128
_SHORTEST_PX = 6


@dataclass(frozen=True)
class PeriodicArea:
    """An area in which a cell recurs.

    Parameters
    ----------
    outline : shapely Polygon
        A rectangle along the lattice, px of the mosaic frame.
    periods_px : (2, 2) float64
        The two shortest steps, x and y of each, the longer part of the first along x.
    likeness : float
        Correlation of the picture with itself, moved by a step.
    """

    outline: shapely.Polygon
    periods_px: Array
    likeness: float

    @property
    def cells(self) -> int:
        """About how many cells it holds."""
        return max(1, round(self.outline.area / abs(float(np.linalg.det(self.periods_px)))))


@dataclass(frozen=True)
class _Window:
    """One place that was looked at: its number along x and y, and the steps found there."""

    column: int
    row: int
    steps: Array


def find_periodic(
    mosaic: Raster, coverage: Raster, *, least_windows: int = 3, least_cells: int = 24
) -> list[PeriodicArea]:
    """Areas in which the picture recurs in two directions, the largest first.

    The autocorrelation of windows of 256 px has peaks at the steps of a lattice. Windows side by
    side with one lattice are an area; where it ends is told by holding the picture against itself,
    moved by one step.

    Parameters
    ----------
    mosaic, coverage : Raster
    least_windows : int
        Fewer windows with one lattice may be chance.
    least_cells : int

    Returns
    -------
    list of PeriodicArea
    """
    found = []
    for group in _groups(list(_windows(mosaic, coverage))):
        if len(group) >= least_windows:
            area = _area(mosaic, group)
            if area is not None and area.cells >= least_cells:
                found.append(area)
    found.sort(key=lambda area: -area.outline.area)
    kept: list[PeriodicArea] = []
    for area in found:
        if all(area.outline.intersection(k.outline).area < 0.5 * area.outline.area for k in kept):
            kept.append(area)
    return kept


def _corners(picture: NDArray[np.uint8], *, around_px: float = 24.0) -> NDArray[np.float32]:
    """(h, w) how much of a corner each px is, against what is around, evened out in strength.

    Long lines are like themselves at every step along them; corners, crossings and dots are not.
    """
    grey = cv2.cvtColor(eight_bits(picture), cv2.COLOR_RGB2GRAY)
    corner = np.sqrt(np.maximum(cv2.cornerMinEigenVal(cv2.GaussianBlur(grey, (0, 0), 1.0), 5), 0))
    high = corner - cv2.GaussianBlur(corner, (0, 0), around_px)
    strength = np.sqrt(cv2.GaussianBlur(high**2, (0, 0), around_px))
    # where there is nothing but grain all is zero
    return np.asarray(high / np.maximum(strength, 0.3 * float(np.median(strength)) + 1e-6))


def _windows(mosaic: Raster, coverage: Raster) -> Iterator[_Window]:
    """The windows in which a cell recurs."""
    height, width = mosaic.shape
    side = _WINDOW_PX
    taper = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    power = fft.irfft2(np.abs(fft.rfft2(taper, s=(2 * side, 2 * side))) ** 2)
    for row, y in enumerate(range(0, height - side + 1, _STEP_PX)):
        band = _corners(mosaic.read(Box(0, y, width, y + side)))
        seen = coverage.read(Box(0, y, width, y + side))[0] > 0
        for column, x in enumerate(range(0, width - side + 1, _STEP_PX)):
            if seen[::16, x : x + side : 16].mean() < 0.95:
                continue
            steps = _steps(band[:, x : x + side], taper, power)
            if steps is not None:
                yield _Window(column, row, steps)


def _steps(
    part: NDArray[np.float32],
    taper: NDArray[np.float32],
    power: NDArray[np.float32],
    *,
    least: float = 0.3,
    alike: float = 0.8,
    valley: float = 0.2,
) -> Array | None:
    """The two shortest steps, (2, 2) x and y, by which a window looks like itself."""
    side = len(part)
    if not part.any():
        return None
    tapered = (part - part.mean()) * taper
    raw = fft.irfft2(np.abs(fft.rfft2(tapered, s=(2 * side, 2 * side))) ** 2)
    reach = side // 2 - 16
    own = fft.fftshift(raw / np.maximum(power, 1e-3 * power[0, 0]))
    own = own[side - reach : side + reach + 1, side - reach : side + reach + 1]
    own = own / own[reach, reach]
    highest = ndimage.maximum_filter(own, 7)
    peak = (own == highest) & (own > least)
    y, x = np.nonzero(peak)
    steps = np.column_stack([x - reach, y - reach]).astype(float)
    length = np.hypot(*steps.T)
    half = (steps[:, 1] > 0) | ((steps[:, 1] == 0) & (steps[:, 0] > 0))
    kept = half & (length >= _SHORTEST_PX)
    if not kept.any():
        return None
    # parts of a cell are like one another too, but less than one cell is like the next
    kept &= own[y, x] >= max(least, alike * own[y, x][kept].max())
    order = np.flatnonzero(kept)[np.argsort(length[kept], kind="stable")]
    pair = _shortest_pair(steps[order])
    if pair is None or np.abs(pair).max() > reach - 3:
        return None
    # along lines the picture is like itself all the way: a step must pass a valley
    for step in pair:
        way = (np.linspace(0, 1, 25)[:, None] * step + reach).T[::-1]
        along = ndimage.map_coordinates(own, way, order=1)
        x, y = np.rint(step).astype(int) + reach
        if along[-1] < max(least, highest[y, x] - 0.05) or along.min() > along[-1] - valley:
            return None
    return pair


def _shortest_pair(steps: Array) -> Array | None:
    """Basis of the lattice that the shortest steps span, (2, 2): one along x, one along y.

    Reduced as by Lagrange and Gauss, so that no shorter steps span it.
    """
    if not len(steps):
        return None
    first = steps[0]
    across = np.abs(first[0] * steps[:, 1] - first[1] * steps[:, 0])
    others = steps[across > 0.3 * np.hypot(*first) * np.hypot(*steps.T)]
    if not len(others):
        return None
    a, b = first, others[0]
    for _ in range(8):
        if np.hypot(*b) < np.hypot(*a):
            a, b = b, a
        whole = np.rint(a @ b / (a @ a))
        if whole == 0:
            break
        b = b - whole * a
    if abs(a[0]) * abs(b[1]) < abs(a[1]) * abs(b[0]):
        a, b = b, a
    pair = np.array([a, b])
    return np.where(np.array([[a[0] < 0], [b[1] < 0]]), -pair, pair)


def _same(a: Array, b: Array, *, off_px: float = 1.6) -> bool:
    """Whether steps `b` lead from one point of the lattice `a` to another."""
    whole = b @ np.linalg.inv(a)
    if np.abs(whole).max() > 3.4:
        return False
    return bool(np.hypot(*((whole - np.rint(whole)) @ a).T).max() < off_px)


def _groups(windows: Sequence[_Window]) -> list[list[_Window]]:
    """Windows that lie side by side and share a lattice."""
    at = {(w.column, w.row): k for k, w in enumerate(windows)}
    links = [
        (k, at[w.column + dx, w.row + dy])
        for k, w in enumerate(windows)
        for dx, dy in ((1, 0), (0, 1), (1, 1), (-1, 1))
        if (w.column + dx, w.row + dy) in at
    ]
    links = [
        (a, b)
        for a, b in links
        if _same(windows[a].steps, windows[b].steps) or _same(windows[b].steps, windows[a].steps)
    ]
    if not links:
        return []
    rows, columns = np.array(links).T
    graph = csr_array((np.ones(len(links)), (rows, columns)), shape=(len(windows),) * 2)
    _, part = csgraph.connected_components(graph, directed=False)
    return [[windows[k] for k in np.flatnonzero(part == n).tolist()] for n in np.unique(part)]


def _area(mosaic: Raster, group: Sequence[_Window], *, least: float = 0.6) -> PeriodicArea | None:
    """Where the lattice that most windows of a group show goes on."""
    sizes = np.array([abs(np.linalg.det(w.steps)) for w in group])
    usual = [w.steps for w, size in zip(group, sizes, strict=True) if size < 1.3 * sizes.min()]
    steps = np.median(usual, axis=0)
    columns, rows = ([getattr(w, name) for w in group] for name in ("column", "row"))
    margin = _STEP_PX
    height, width = mosaic.shape
    box = Box(
        min(columns) * _STEP_PX - margin,
        min(rows) * _STEP_PX - margin,
        max(columns) * _STEP_PX + _WINDOW_PX + margin,
        max(rows) * _STEP_PX + _WINDOW_PX + margin,
    ).clipped(Box(0, 0, width, height))
    light = _corners(mosaic.read(box))
    alike = np.minimum(_alike(light, steps[0]), _alike(light, steps[1]))
    # most of the box is the area itself
    mask = (alike > least * np.percentile(alike, 75)).astype(np.uint8)
    cell = [int(np.abs(steps[:, k]).max()) | 1 for k in range(2)]
    square = np.ones((cell[1], cell[0]), np.uint8)
    mask = cv2.morphologyEx(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, square), cv2.MORPH_OPEN, square)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    if count == 1:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    outline = _rectangle(parts == largest, steps[0])
    ox, oy = mosaic.origin
    outline = shapely.transform(outline, lambda xy: xy + [box.x0 + ox, box.y0 + oy])
    return PeriodicArea(outline, steps, float(alike[parts == largest].mean()))


def _alike(light: NDArray[np.float32], step: Array) -> NDArray[np.float32]:
    """(h, w) correlation around each px with the picture a step away, to whichever side fits."""
    side = int(1.5 * np.abs(step).max()) | 1
    size = (side, side)
    own = cv2.boxFilter(light**2, -1, size)
    best = np.full(light.shape, -1, np.float32)
    for sign in (1, -1):
        shift = np.array([[1, 0, -sign * step[0]], [0, 1, -sign * step[1]]], np.float32)
        moved = cv2.warpAffine(light, shift, light.shape[::-1], borderValue=0)
        both = cv2.boxFilter(light * moved, -1, size)
        other = cv2.boxFilter(moved**2, -1, size)
        np.maximum(best, both / np.sqrt(np.maximum(own * other, 1e-3)), out=best)
    return best


def _rectangle(mask: NDArray[np.bool_], along: Array) -> shapely.Polygon:
    """The rectangle along a direction that holds nearly all of a mask, in its px."""
    angle = np.arctan2(along[1], along[0])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    y, x = np.nonzero(mask)
    local = np.column_stack([x, y]) @ turn
    low, high = np.percentile(local, (1, 99), axis=0)
    corners = shapely.get_coordinates(shapely.box(*low, *high))
    return shapely.Polygon(corners @ turn.T)
