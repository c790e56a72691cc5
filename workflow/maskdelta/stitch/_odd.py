"""What is odd in a pattern that repeats: the only thing that can tell one pitch from the next.

Over an array every shift by whole pitches fits. An odd cell, though, is odd in both tiles that
show it, and at the true shift the two meet. Dust on one tile meets nothing; dust that all tiles
show at one place of the sensor would meet itself at a shift of zero only, and is taken out.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.stitch._overlap import Overlap
from maskdelta.stitch._spline import crop

__all__ = ["OddPair", "odd_parts"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]
_BLOCK = 4  # samples a block; every second px is one, since tiles are smoothed by 1.5 px before


def odd_parts(spline: Image, box: Box, steps: Sequence[Array], *, stride: int = 2) -> Image:
    """What a box of a tile shows beyond all that the places one pitch away show.

    How far a px lies above the brightest or below the darkest of its neighbours on the lattice: an
    odd cell stands out, and the plain cells around it, one of whose neighbours is odd, do not.

    Parameters
    ----------
    spline : (H, W) float32
        Spline coefficients of the tile.
    box : Box
        Inside the tile by 2 px.
    steps : sequence of (2,) float64
        One or two pitches (x, y), in samples of the spline.
    stride : int
        Every so many samples are looked at.

    Returns
    -------
    (ceil(height / stride), ceil(width / stride)) float32
        0 where fewer than two neighbours lie in the tile.
    """
    own = crop(spline, box.x0, box.y0, box.width, box.height)[::stride, ::stride]
    least, most = np.full_like(own, np.inf), np.full_like(own, -np.inf)
    count = np.zeros(own.shape, np.uint8)
    height, width = spline.shape
    one, two = np.array(steps[0], float), np.array(steps[-1], float)
    if len(steps) == 1:
        two = 2 * one
    for dx, dy in (one, -one, two, -two):
        # whole samples of which the neighbour lies 2 px inside the tile
        left, top = (max(0, -int((v - 2) // stride)) for v in (box.x0 + dx, box.y0 + dy))
        right = min(own.shape[1], int((width - 4 - box.x0 - dx) // stride) + 1)
        bottom = min(own.shape[0], int((height - 4 - box.y0 - dy) // stride) + 1)
        if right <= left or bottom <= top:
            continue
        x, y = box.x0 + left * stride + dx, box.y0 + top * stride + dy
        there = crop(spline, x, y, (right - left - 1) * stride + 1, (bottom - top - 1) * stride + 1)
        there = there[::stride, ::stride]
        part = np.s_[top:bottom, left:right]
        np.minimum(least[part], there, out=least[part])
        np.maximum(most[part], there, out=most[part])
        count[part] += 1
    odd = own - np.clip(own, least, most)
    odd[count < 2] = 0
    return odd


class OddPair:
    """The odd parts of two tiles where they may overlap.

    Parameters
    ----------
    overlap : Overlap
    shift : (2,) float64
        A shift that fits; others lie some pitches from it.
    steps : sequence of (2,) float64
        One or two pitches, good to a fraction of a px.
    reach : int
        Shifts are told apart up to so many pitches away.
    """

    def __init__(
        self, overlap: Overlap, shift: Array, steps: Sequence[Array], *, reach: int = 3
    ) -> None:
        self._overlap = overlap
        self._stride = overlap.stride
        steps = [step / overlap.every for step in steps]

        def odd(spline: Image, box: Box) -> Image:
            return odd_parts(spline, box, steps, stride=overlap.stride)

        far = int(np.ceil(reach * max(np.abs(step).max() for step in steps)))
        box = overlap.box(shift, 0).grown(far)
        of_b = np.rint(-overlap.first_sample(shift)).astype(int)
        self._box_a = _inside(box, overlap.a)
        self._box_b = _inside(box.moved(int(of_b[0]), int(of_b[1])), overlap.b)
        self._odd_a = odd(overlap.a, self._box_a)
        self._odd_b = odd(overlap.b, self._box_b)
        if min(_strong(self._odd_a), _strong(self._odd_b)):
            # dust is odd at one place of the tile in both
            also_b = odd(overlap.b, _inside(self._box_a, overlap.b))
            also_a = odd(overlap.a, _inside(self._box_b, overlap.a))
            self._odd_a = _without_fixed(self._odd_a, also_b)
            self._odd_b = _without_fixed(self._odd_b, also_a)

    @property
    def nbytes(self) -> int:
        """Bytes held."""
        return self._odd_a.nbytes + self._odd_b.nbytes

    def matched(self, shift: Array) -> float:
        """Number of blocks of 8 x 8 px in which both tiles show the same odd thing at a shift."""
        x, y = (int(v) for v in np.rint(self._overlap.first_sample(shift)))
        part = self._box_a.clipped(self._box_b.moved(x, y))
        # b is sampled on its own raster: to the nearest sample
        ax, ay = part.x0 - self._box_a.x0, part.y0 - self._box_a.y0
        bx, by = part.x0 - x - self._box_b.x0, part.y0 - y - self._box_b.y0
        columns, rows = (n // (self._stride * _BLOCK) for n in (part.width - 2, part.height - 2))
        if min(columns, rows) < 1:
            return 0.0
        wide, high = columns * _BLOCK, rows * _BLOCK
        a = _from(self._odd_a, self._stride, ax, ay, wide, high)
        b = _from(self._odd_b, self._stride, bx, by, wide, high)
        if a.shape != (high, wide) or b.shape != (high, wide):
            return 0.0
        size = (columns, rows)
        aa, bb, ab = (
            np.atleast_2d(cv2.resize(v, size, interpolation=cv2.INTER_AREA))
            for v in (a * a, b * b, a * b)
        )
        return float(_same_odd(aa, bb, ab).sum())


def _same_odd(own: Image, other: Image, both: Image) -> NDArray[np.bool_]:
    """Where two tiles show the same odd thing, from their mean squares and mean product."""
    least = max(8 * float(np.median(np.minimum(own, other))), 2.0)
    return np.asarray(
        (np.minimum(own, other) > least) & (both > 0.6 * np.maximum(own, other)), bool
    )


def _strong(odd: Image) -> bool:
    """Whether anything stands out at all."""
    return bool(np.abs(odd).max(initial=0) > 2)


def _from(values: Image, stride: int, x: int, y: int, width: int, height: int) -> Image:
    """A part of what was looked at whose first sample lies nearest to (x, y)."""
    row, column = (y + stride // 2) // stride, (x + stride // 2) // stride
    return values[row : row + height, column : column + width]


def _inside(box: Box, spline: Image) -> Box:
    height, width = spline.shape
    return box.clipped(Box(2, 2, width - 3, height - 3))


def _without_fixed(odd: Image, elsewhere: Image, *, wide: int = 9) -> Image:
    """Zero where another tile shows the same odd thing at the same place of the sensor."""
    if odd.shape != elsewhere.shape:
        return odd  # tiles of two sizes
    size = (wide, wide)
    own, other, both = (
        cv2.blur(v, size) for v in (odd * odd, elsewhere * elsewhere, odd * elsewhere)
    )
    fixed = _same_odd(own, other, both)
    grown = cv2.dilate(fixed.astype(np.uint8), np.ones(size, np.uint8))
    return np.where(grown > 0, np.float32(0), odd)
