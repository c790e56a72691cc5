"""The overlap of two tiles: where it lies, and how well it fits at a shift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.stitch._spline import crop, detail, gradient

__all__ = ["Fit", "GaussNewton", "Overlap"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]
_THIN_PX = 14
"""A thin overlap is searched less far rather than cut down to less than this."""


@dataclass(frozen=True)
class Fit:
    """How well two tiles fit at a shift, block by block.

    Blocks lie on a raster of tile a that all shifts of a pair share; those at the rim of the
    overlap may be cut down to less than half. The mean of each block is taken off both tiles first,
    so that shading and exposure do not count.

    Attributes
    ----------
    column, row : int
        Number of the first block.
    energy : (rows, columns) float32
        Mean square of what b leaves unexplained of a; NaN where nothing is to be said.
    contrast : (rows, columns) float32
        Mean square of what the tile shows that shows more.
    score : float
        Correlation over all blocks.
    place_b : (2,) float64
        Where block (0, 0) begins in b, in blocks.
    clean : (rows, columns) bool or None
        Blocks of which it is known that the sensor shows nothing of its own there.
    """

    column: int
    row: int
    energy: Image
    contrast: Image
    score: float
    place_b: Array
    clean: NDArray[np.bool_] | None = None


class Overlap:
    """Two tiles as splines, and what is measured on them.

    Shifts are the centre of b minus the centre of a, px of the photographs. Boxes, places and
    margins count samples of the splines.

    Parameters
    ----------
    a, b : (H, W) float32
        Spline coefficients.
    every : {1, 2}
        Px from one sample to the next.
    """

    def __init__(self, a: Image, b: Image, *, every: int = 1) -> None:
        self.a = a
        self.b = b
        self.every = every
        self.stride = 2 // every
        self._half = (np.array(a.shape[::-1]) - np.array(b.shape[::-1])) / 2
        self._solvers: dict[Box, GaussNewton] = {}
        self._templates: dict[Box, tuple[Image, float]] = {}
        self._known: tuple[Box, Image] = Box(0, 0, 0, 0), np.zeros((0, 0), np.float32)

    def _values(self, box: Box) -> Image:
        """Values of a at its pixels; kept with those around them for the pair's other shifts."""
        known, values = self._known
        if known.clipped(box) != box:
            height, width = self.a.shape
            known = box.grown(32).clipped(Box(1, 1, width - 2, height - 2))
            values = crop(self.a, known.x0, known.y0, known.width, known.height)
            self._known = known, values
        x, y = box.x0 - known.x0, box.y0 - known.y0
        return values[y : y + box.height, x : x + box.width]

    def template(self, box: Box) -> tuple[Image, float]:
        """Detail of a box of a, to be found in b, and how strong it is; made once."""
        if box not in self._templates:
            found = self.detail(crop(self.a, box.x0, box.y0, box.width, box.height))
            self._templates[box] = found, float(found.std())
        return self._templates[box]

    def first_sample(self, shift: Array) -> Array:
        """Place of b's first sample in a."""
        return shift / self.every + self._half

    def shift_of(self, box: Box, place: Array) -> Array:
        """The shift at which a box of a has its first sample at a place of b."""
        return (np.array([box.x0, box.y0]) - place - self._half) * self.every

    def detail(self, values: Image) -> Image:
        """Values without what changes over more than some 33 px."""
        return detail(values, slow_px=32 // self.every + 1)

    def box(self, shift: Array, margin: int) -> Box:
        """The part of a that b shows too, `margin` samples inside of either."""
        x, y = self.first_sample(shift)
        (ha, wa), (hb, wb) = self.a.shape, self.b.shape
        return Box(
            int(np.ceil(max(0, x))) + margin,
            int(np.ceil(max(0, y))) + margin,
            int(np.floor(min(wa, x + wb))) - margin,
            int(np.floor(min(ha, y + hb))) - margin,
        )

    def roomy_box(self, shift: Array, reach: int) -> tuple[int, Box]:
        """The overlap with room to search some px around it; a thin one gets a shorter reach.

        Returns
        -------
        reach : int
            In samples.
        box : Box
        """
        thin, margin = self.box(shift, 0), 2 + self.stride
        room = min(thin.width, thin.height) - 2 * margin - _THIN_PX // self.every
        reach = max(1, min(-(-reach // self.every), room // 2))
        return reach, self.box(shift, reach + margin)

    def search(self, box: Box, shift: Array, reach: int) -> tuple[float, Array, bool]:
        """Best place of a box of a in b, near a shift, by normalised correlation.

        Returns
        -------
        score : float
        place : (2,) float64
            Of the box's first px in b, good to some tenths of a px.
        at_rim : bool
            Whether the best place is the farthest that was tried.
        """
        template, _ = self.template(box)
        x, y = np.rint(np.array([box.x0, box.y0]) - self.first_sample(shift)) - reach
        field = self.detail(crop(self.b, x, y, box.width + 2 * reach, box.height + 2 * reach))
        scores = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)
        row, column = (int(v) for v in np.unravel_index(int(np.argmax(scores)), scores.shape))
        at_rim = bool(row in (0, 2 * reach) or column in (0, 2 * reach))
        place = np.array([x + column, y + row], float)
        if not at_rim:
            # the vertices of the parabolas save a step or two of what follows
            place[0] += _vertex(scores[row, column - 1 : column + 2])
            place[1] += _vertex(scores[row - 1 : row + 2, column])
        return float(scores[row, column]), place, at_rim

    def solver(self, box: Box) -> GaussNewton:
        """The solver of a box of a, made once."""
        if box not in self._solvers:
            self._solvers[box] = GaussNewton(self.a, box, stride=self.stride)
        return self._solvers[box]

    def settle(
        self, box: Box, start: Array, *, steps: int = 8, far_px: float = 1.5, near_px: float = 1e-3
    ) -> tuple[Array, float] | None:
        """Place of a box of a in b to a fraction of a px, and its sd; None where it runs away.

        Steps shrink to a tenth or less each, so that `near_px` bounds ten times what is left.
        """
        solver, place, energy = self.solver(box), start, 0.0
        far, near = far_px / self.every, near_px / self.every
        for _ in range(steps):
            step, energy = solver.step(crop(self.b, place[0], place[1], box.width, box.height))
            place = place + step
            if np.abs(place - start).max() > far:
                return None
            if np.abs(step).max() < near:
                break
        return place, self.every * solver.sd(energy)

    def fit(self, shift: Array, box: Box, *, block_px: int = 16) -> Fit | None:
        """How well the tiles fit over the blocks of a box; None without any."""
        block, stride = block_px // self.every, self.stride
        (x, column, of_x), (y, row, of_y) = (
            _blocks(low, high, block, stride) for low, high in ((box.x0, box.x1), (box.y0, box.y1))
        )
        if min(len(of_x), len(of_y)) < 1:
            return None
        width, height = int(of_x.sum()), int(of_y.sum())
        first = self.first_sample(shift)
        at = np.array([x, y]) - first
        # every second px says as much, since tiles are smoothed
        of_a = self._values(Box(x, y, x + width, y + height))[::stride, ::stride]
        of_b = crop(self.b, at[0], at[1], width, height)[::stride, ::stride]
        rim = [
            ((block - n[0]) // stride, (block - n[-1]) // stride if len(n) > 1 else 0)
            for n in (of_y, of_x)
        ]
        share = np.outer(of_y, of_x) / block**2
        level = np.float32(of_a.mean(dtype=np.float64))  # keeps squares small
        of_a, of_b = (_framed(values - level, rim) for values in (of_a, of_b))

        def mean(values: Image) -> Array:
            small = cv2.resize(values, (len(of_x), len(of_y)), interpolation=cv2.INTER_AREA)
            return np.asarray(np.atleast_2d(small) / share)

        mean_a, mean_b = mean(of_a), mean(of_b)
        aa, bb = mean(of_a * of_a) - mean_a**2, mean(of_b * of_b) - mean_b**2
        ab = mean(of_a * of_b) - mean_a * mean_b
        total_a, total_b, total = (float((v * share).sum()) for v in (aa, bb, ab))
        place_b = -first / block
        if min(total_a, total_b) <= 1e-9:
            gain, score = 0.0, 0.0
        else:
            gain, score = total / total_b, total / float(np.sqrt(total_a * total_b))
        energy = np.maximum(aa - 2 * gain * ab + gain**2 * bb, 0).astype(np.float32)
        contrast = np.maximum(np.maximum(aa, gain**2 * bb), 0).astype(np.float32)
        return Fit(column, row, energy, contrast, score, place_b)


def _framed(values: Image, rim: Sequence[tuple[int, int]]) -> Image:
    """Values with zeros around them: so many rows before and after, so many columns."""
    (top, bottom), (left, right) = rim
    if not (top or bottom or left or right):
        return values
    height, width = values.shape
    out = np.zeros((top + height + bottom, left + width + right), np.float32)
    out[top : top + height, left : left + width] = values
    return out


def _blocks(low: int, high: int, block: int, stride: int) -> tuple[int, int, NDArray[np.int_]]:
    """The blocks of a raster between two places, cut down at either end to three eighths at least.

    Returns
    -------
    first : int
        Where the first one begins; on every `stride`-th sample of the raster.
    number : int
        Of the first one.
    sides : (n,) int
        Length of each; a multiple of `stride`.
    """
    low, high = -(-low // stride) * stride, high // stride * stride
    cuts = np.arange(low // block, -(-high // block) + 1) * block
    cuts = np.clip(cuts, low, high)
    sides = np.diff(cuts)
    keep = sides >= 3 * block // 8
    if not keep.any():
        return low, 0, np.zeros(0, int)
    first = int(np.argmax(keep))
    return int(cuts[first]), low // block + first, sides[keep]


def _vertex(values: Image) -> float:
    """Offset of the vertex of a parabola through three samples of which the middle is largest."""
    left, mid, right = (float(v) for v in values)
    bend = left - 2 * mid + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0


@cache
def _ramp(length: int) -> Image:
    return np.linspace(-1, 1, length, dtype=np.float32)


class GaussNewton:
    """Steps towards the least of sum (g b(x + s) + o + p x - a(x))^2 over a box of a.

    Gain g, offset o and a slope p of the brightness stand for exposure and shading. The gradient of
    a is used, which is the same at every step (Baker & Matthews, Int. J. Comput. Vis. 56 (2004),
    inverse compositional). With a stride of 2 every second sample along x and y is taken: tiles
    are smoothed, so that the others say the same.
    """

    def __init__(self, a: Image, box: Box, *, stride: int) -> None:
        gx, gy = (
            slope[::stride, ::stride]
            for slope in gradient(a, box.x0, box.y0, box.width, box.height)
        )
        self._stride = stride
        template = crop(a, box.x0, box.y0, box.width, box.height)[::stride, ::stride]
        self._template = template.ravel()
        rows = np.empty((6, gx.size), np.float32)
        rows[0].reshape(gx.shape)[:], rows[1].reshape(gx.shape)[:] = gx, gy
        rows[2] = self._template - np.float32(self._template.mean(dtype=np.float64))
        rows[3] = 1
        rows[4].reshape(gx.shape)[:] = _ramp(gx.shape[1])
        rows[5].reshape(gx.shape)[:] = _ramp(gx.shape[0])[:, None]
        self._rows = rows
        normal = (rows @ rows.T).astype(float)
        self._inverse = np.linalg.inv(normal + 1e-3 * np.eye(len(rows)))

    def step(self, moved: Image) -> tuple[Array, float]:
        """How to move the crop of b, samples, and the mean square of what that leaves."""
        residual = moved[:: self._stride, :: self._stride].ravel() - self._template
        right = (self._rows @ residual).astype(float)
        found = self._inverse @ right
        left = max(float(residual @ residual) - float(right @ found), 0.0) / len(residual)
        return -found[:2] / max(1 + found[2], 0.2), left

    def sd(self, energy: float, *, grain_px2: float = 28.0) -> float:
        """Standard deviation of the shift, samples, from the normal equations and the mean square.

        Noise of the blurred pictures is alike over 4 pi blur^2 = 28 px, and every second px along
        x and y is taken.
        """
        return float(
            np.sqrt(energy * grain_px2 / 4 * max(self._inverse[0, 0], self._inverse[1, 1]))
        )
