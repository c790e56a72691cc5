"""Control points: small patches of both mosaics compared under the current map."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from maskdelta.images import Box, Raster, map_ordered
from maskdelta.register._features import structure
from maskdelta.study import apply_affine, fit_affine, invert_affine

__all__ = ["ControlPoints", "Map", "Side", "grid_points", "in_strips", "measure"]

Array = NDArray[np.float64]
Map = Callable[[Array], Array]

_NOT_FOUND = -2.0
"""Score of a patch that was photographed in both, but not found; below any correlation."""
_AMBIGUOUS = -3.0
"""Score of a patch that fits well in more than one place, or anywhere along a line."""


@dataclass(frozen=True)
class Side:
    """One mosaic and the raster that says which tile each of its pixels came from.

    Parameters
    ----------
    mosaic, coverage : Raster
    level : int
        Reduction: one px of the level is 2**level px of the mosaic. All boxes and points of this
        side are then in px of the level.
    within : shapely polygon, optional
        In px of the mosaic; what lies outside counts as not photographed.
    """

    mosaic: Raster
    coverage: Raster
    level: int = 0
    within: Polygon | None = None

    @property
    def box(self) -> Box:
        """Extent of what counts, in px of the level."""
        whole = self._whole()
        if self.within is None:
            return whole
        x0, y0, x1, y1 = (v / 2**self.level for v in self.within.bounds)
        return Box(int(x0), int(y0), int(x1) + 1, int(y1) + 1).clipped(whole)

    @property
    def area(self) -> Polygon:
        """What counts, px of the mosaic."""
        return shapely.box(*self.mosaic.box) if self.within is None else self.within

    def _whole(self) -> Box:
        x, y = (v >> self.level for v in self.mosaic.origin)
        height, width = self.mosaic.level_shape(self.level)
        return Box(x, y, x + width, y + height)

    def to_mosaic(self) -> Array:
        """(2, 3) map of points from px of the level to px of the mosaic."""
        scale = 2.0**self.level
        shift = (scale - 1) / 2  # the centre of a reduced px lies amid its block
        return np.array([[scale, 0, shift], [0, scale, shift]])

    def picture(self, box: Box) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """(h, w, 3) pixels of a box."""
        x, y = self._whole()[:2]
        inside = Box(box.x0 - x, box.y0 - y, box.x1 - x, box.y1 - y)
        return self.mosaic.read(inside, level=self.level)

    def covered(self, box: Box) -> NDArray[np.bool_]:
        """(h, w), True where something was photographed."""
        x, y = self._whole()[:2]
        inside = Box(box.x0 - x, box.y0 - y, box.x1 - x, box.y1 - y)
        seen = self.coverage.read(inside, level=self.level)[0] > 0
        return seen if self.within is None else seen & self._allowed(box)

    def _allowed(self, box: Box) -> NDArray[np.bool_]:
        """(h, w), True within the polygon."""
        assert self.within is not None
        corners = np.array(self.within.exterior.coords)
        at = apply_affine(invert_affine(self.to_mosaic()), corners) - [box.x0, box.y0]
        mask = np.zeros(box.shape, np.uint8)
        cv2.fillPoly(mask, [np.round(at).astype(np.int32)], 1)
        return mask > 0


@dataclass(frozen=True)
class ControlPoints:
    """Where patches of the two mosaics agree.

    Parameters
    ----------
    before_px : (n, 2) float64
        Centres of the patches in the mosaic before.
    after_px : (n, 2) float64
        The places found in the mosaic after.
    score : (n,) float64
        Correlation of the outlines, -1..1.
    tried_px : (m, 2) float64
        Centres of the patches that were photographed in both and show outlines, and fit in one
        place at most, whether they were found or not.
    """

    before_px: Array
    after_px: Array
    score: Array
    tried_px: Array = field(default_factory=lambda: np.zeros((0, 2)))

    def __len__(self) -> int:
        return len(self.score)

    @property
    def tried(self) -> int:
        """How many patches were tried."""
        return len(self.tried_px)

    def only(self, chosen: NDArray[np.bool_]) -> ControlPoints:
        """Some of the points; those tried stay."""
        return replace(
            self,
            before_px=self.before_px[chosen],
            after_px=self.after_px[chosen],
            score=self.score[chosen],
        )

    def joined(self, more: ControlPoints) -> ControlPoints:
        """Both sets of points, one behind the other."""
        return ControlPoints(
            np.concatenate([self.before_px, more.before_px]),
            np.concatenate([self.after_px, more.after_px]),
            np.concatenate([self.score, more.score]),
            np.concatenate([self.tried_px, more.tried_px]),
        )


def grid_points(box: Box, *, spacing_px: float) -> Array:
    """Centres of a square grid inside a box, (n, 2), row by row."""

    def line(low: int, high: int) -> Array:
        count = max(1, int((high - low) // spacing_px))
        return low + (np.arange(count) + 0.5) * (high - low) / count - 0.5

    x, y = np.meshgrid(line(box.x0, box.x1), line(box.y0, box.y1))
    return np.column_stack([x.ravel(), y.ravel()])


def measure(
    before: Side,
    after: Side,
    points: Array,
    before_to_after: Map,
    *,
    patch_px: int,
    search_px: int,
    min_score: float = 0.4,
    max_rival: float = 0.9,
    threads: int = 1,
) -> ControlPoints:
    """Find each patch of the mosaic before in the mosaic after.

    The mosaic after is resampled to the frame of the one before under the current map, then the
    outlines are correlated (normalised, all shifts up to `search_px`) and the peak is refined by
    a parabola per axis. A patch whose second peak comes near the best is left out: it looks
    the same in more than one place. So is one whose peak is a ridge: a straight edge fits anywhere
    along itself.

    Parameters
    ----------
    before, after : Side
    points : (n, 2) float64
        Centres in the mosaic before; they are rounded to whole px.
    before_to_after : callable
        The current map of (n, 2) points.
    patch_px, search_px : int
        Side of the patch, and the farthest shift tried, px of the mosaic before.
    min_score : float
        Correlation below which a patch is left out.
    max_rival : float
        Share of the best correlation that a second peak may reach.

    Returns
    -------
    ControlPoints
        Only the patches that could be found.
    """

    points = np.round(points)

    def one(point: Array) -> tuple[Array, float, float] | None:
        edges = _both_outlines(before, after, point, before_to_after, patch_px // 2, search_px)
        if edges is None:
            return None
        contrast = float(min(part.std() for part in edges))
        return *_find(*edges, search_px, min_score, max_rival), contrast

    order = in_strips(points)
    shuffled = list(map_ordered(one, list(points[order]), threads=threads))
    found = [shuffled[k] for k in np.argsort(order)]
    seen = np.array([f is not None for f in found], bool)
    contrast: Array = np.array([f[2] for f in found if f is not None], np.float64)
    shifts: Array = np.array([f[0] for f in found if f is not None], np.float64).reshape(-1, 2)
    score: Array = np.array([f[1] for f in found if f is not None], np.float64)
    centres = points[seen].reshape(-1, 2)
    good = score > _NOT_FOUND
    places = before_to_after(centres[good] + shifts[good])
    least = 0.3 * np.percentile(contrast, 80) if len(contrast) else 0.0
    tried = (score != _AMBIGUOUS) & (contrast > least)
    return ControlPoints(centres[good], places, score[good], centres[tried])


def in_strips(points: Array, *, wide_px: int = 2048) -> NDArray[np.intp]:
    """Order in which to look at points so that few tiles of a large mosaic are kept at a time.

    Row by row over a whole die each tile would be decoded for each row of points that it holds.
    """
    return np.lexsort((points[:, 0], points[:, 1], points[:, 0] // wide_px))


def _both_outlines(
    before: Side, after: Side, point: Array, before_to_after: Map, half: int, search: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    """Outlines of the patch before and of its surroundings after; None where not photographed."""
    x, y = point.astype(int)
    pad = half + search + 4
    box = Box(x - pad, y - pad, x + pad + 1, y + pad + 1)
    inner = Box(x - half - 4, y - half - 4, x + half + 5, y + half + 5)
    if not before.covered(inner).all():
        return None
    moved = _resample(after, box, before_to_after)
    if moved is None:
        return None
    return structure(before.picture(inner))[4:-4, 4:-4], structure(moved)[4:-4, 4:-4]


def _find(
    patch: NDArray[np.float32],
    around: NDArray[np.float32],
    search: int,
    min_score: float,
    max_rival: float,
) -> tuple[Array, float]:
    """Shift to add to the predicted place (px of the mosaic before), and the correlation."""
    if patch.std() < 1e-3 or around.std() < 1e-3:
        return np.zeros(2), _NOT_FOUND
    surface = cv2.matchTemplate(around, patch, cv2.TM_CCOEFF_NORMED)
    row, column = divmod(int(surface.argmax()), surface.shape[1])
    best = float(surface[row, column])
    inside = 0 < row < surface.shape[0] - 1 and 0 < column < surface.shape[1] - 1
    unique = inside and _rival(surface, row, column) <= max_rival * best
    if not unique or _is_ridge(surface[row - 1 : row + 2, column - 1 : column + 2]):
        return np.zeros(2), _AMBIGUOUS if best > 0.7 else _NOT_FOUND
    if best < min_score:
        return np.zeros(2), _NOT_FOUND
    shift = np.array(
        [
            column - search + _peak(surface[row, column - 1 : column + 2]),
            row - search + _peak(surface[row - 1 : row + 2, column]),
        ]
    )
    return shift, best


def _rival(surface: NDArray[np.float32], row: int, column: int) -> float:
    """Highest local maximum outside the main peak's own hill."""
    hill = 4
    peaks = surface == cv2.dilate(surface, np.ones((5, 5), np.uint8))
    peaks[max(0, row - hill) : row + hill + 1, max(0, column - hill) : column + hill + 1] = False
    return float(surface[peaks].max()) if peaks.any() else -1.0


def _is_ridge(nine: NDArray[np.float32], *, least: float = 0.1) -> bool:
    """Whether a peak, with its neighbours (3, 3), falls much less in one direction than across."""
    xx = nine[1, 0] - 2 * nine[1, 1] + nine[1, 2]
    yy = nine[0, 1] - 2 * nine[1, 1] + nine[2, 1]
    xy = (nine[0, 0] - nine[0, 2] - nine[2, 0] + nine[2, 2]) / 4
    steepest, flattest = np.linalg.eigvalsh(np.array([[xx, xy], [xy, yy]], np.float64))
    return bool(flattest > least * steepest)  # both are negative at a peak


def _peak(three: NDArray[np.float32]) -> float:
    low, middle, high = (float(v) for v in three)
    curvature = low - 2 * middle + high
    return 0.0 if curvature >= 0 else float(np.clip(0.5 * (low - high) / curvature, -0.5, 0.5))


def _resample(side: Side, box: Box, before_to_after: Map) -> NDArray[np.uint8] | None:
    """The mosaic after in the frame before, by the map's best affine over the box."""
    corners = np.array(
        [[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]], float
    )
    there = before_to_after(corners)
    (x0, y0), (x1, y1) = np.floor(there.min(0)) - 2, np.ceil(there.max(0)) + 3
    if not max(x1 - x0, y1 - y0) < 8 * max(box.width, box.height):
        return None  # no map of two photographs of one die is as wild as that
    source = Box(int(x0), int(y0), int(x1), int(y1))
    covered = side.covered(source)
    if not covered.any():
        return None
    matrix = fit_affine(corners - [box.x0, box.y0], there - [source.x0, source.y0])
    options = {"flags": cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP}
    size = (box.width, box.height)
    if (
        not covered.all()
        and not cv2.warpAffine(covered * np.uint8(1), matrix, size, **options).all()
    ):
        return None
    return cv2.warpAffine(side.picture(source), matrix, size, **options)
