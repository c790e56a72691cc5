"""Connected shapes of a mask, kept as runs of px along the rows.

Most masks of a block are nearly empty: runs cost what is set, where an image of numbers costs all
px. Runs of a row are joined to those of the row above (union by the lower number, with paths
halved).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled

__all__ = ["Parts", "of_size"]


@dataclass(frozen=True)
class Parts:
    """The connected shapes of a mask.

    Parameters
    ----------
    shape : (int, int)
        Of the mask.
    start, stop : (r,) int64
        Flat indices of the first px of each run and of the one beyond its last.
    part : (r,) int64
        The shape of each run, in order of their first runs.
    area, longest : (n,) int64
        px, and the longer side of the box around.
    """

    shape: tuple[int, int]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    part: NDArray[np.int64]
    area: NDArray[np.int64]
    longest: NDArray[np.int64]

    @classmethod
    def of(cls, mask: NDArray[np.bool_], *, corners: bool = True) -> Parts:
        """Shapes of an (H, W) mask; with `corners`, px that touch by them hang together."""
        flags = np.ascontiguousarray(mask).view(np.uint8)
        start, stop, part, count = _runs(flags, corners)
        return cls(
            flags.shape, start, stop, part, *_measured(flags.shape[1], start, stop, part, count)
        )

    def __len__(self) -> int:
        """How many shapes there are."""
        return len(self.area)

    def drawn(self, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(H, W), True in the shapes chosen, (n,) bool."""
        out = np.zeros(self.shape, np.uint8)
        _draw(out.reshape(-1), self.start, self.stop, self.part, chosen)
        return out.view(np.bool_)

    def places(self, chosen: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """Flat indices of the px of the shapes chosen, (n,) bool, and the shape of each."""
        runs = chosen[self.part]
        start, length = self.start[runs], (self.stop - self.start)[runs]
        before = np.cumsum(length) - length
        place = np.repeat(start - before, length) + np.arange(length.sum())
        return place, np.repeat(self.part[runs], length)

    def around(
        self, reach_px: int, chosen: NDArray[np.bool_] | None = None
    ) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """Px in no shape but near one: flat indices, and the shape of highest number.

        Near is what lies in a square that reaches `reach_px` to every side. With `chosen`, (n,)
        bool, only what is near these.
        """
        near = np.zeros(self.shape, np.int32)
        wanted = np.ones(len(self), np.bool_) if chosen is None else chosen
        _spread(near, self.start, self.stop, self.part, wanted, reach_px)
        inside = near.reshape(-1)
        place = np.flatnonzero(inside > 0)
        return place, inside[place].astype(np.int64) - 1

    def hit(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(n,) whether a shape holds a px of an (H, W) mask."""
        out = np.zeros(len(self), np.bool_)
        _hit(
            np.ascontiguousarray(mask).view(np.uint8).reshape(-1),
            self.start,
            self.stop,
            self.part,
            out,
        )
        return out


def of_size(mask: NDArray[np.bool_], least_px: int) -> NDArray[np.bool_]:
    """Shapes of a mask, touching corners counted, that have at least so many px."""
    parts = Parts.of(mask)
    return parts.drawn(parts.area >= least_px)


@compiled
def _runs(
    mask: NDArray[np.uint8], corners: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], int]:
    height, width = mask.shape
    total = 0
    for y in range(height):
        total += _rising(mask[y])
    start, stop = np.empty(total, np.int64), np.empty(total, np.int64)
    root = np.arange(total)
    above, first, last = 0, 0, 0
    reach = 1 if corners else 0
    for y in range(height):
        # runs of the row above: `above` up to `first`
        above, first = first, last
        last = _find_runs(mask[y], y * width, start, stop, first)
        other = above
        for run in range(first, last):
            low, high = start[run] - width - reach, stop[run] - width + reach
            while other < first and stop[other] <= low:
                other += 1
            touched = other
            while touched < first and start[touched] < high:
                a, b = _root(root, run), _root(root, touched)
                root[max(a, b)] = min(a, b)
                touched += 1
    count = 0
    part = np.empty(total, np.int64)
    for run in range(total):
        if root[run] == run:
            part[run] = count
            count += 1
        else:
            part[run] = part[_root(root, run)]
    return start, stop, part, count


@compiled
def _rising(row: NDArray[np.uint8]) -> int:
    """How many runs a row has."""
    found = 0
    for x in range(1, len(row)):
        found += row[x] > row[x - 1]
    return found + (row[0] > 0)


@compiled
def _find_runs(
    row: NDArray[np.uint8], offset: int, start: NDArray[np.int64], stop: NDArray[np.int64], at: int
) -> int:
    """Fill in the runs of a row from number `at` on; the number beyond the last."""
    width = len(row)
    x = 0
    while x < width:
        # nothing set in the next 64 px: a loop of vectors
        if x + 64 <= width:
            found = 0
            for value in row[x : x + 64]:
                found |= value
            if not found:
                x += 64
                continue
        end = min(x + 64, width)
        while x < end:
            if row[x]:
                start[at] = offset + x
                while x < width and row[x]:
                    x += 1
                stop[at] = offset + x
                at += 1
            else:
                x += 1
    return at


@compiled
def _root(root: NDArray[np.int64], run: int) -> int:
    while root[run] != run:
        root[run] = root[root[run]]
        run = root[run]
    return run


@compiled
def _measured(
    width: int,
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    part: NDArray[np.int64],
    count: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Area and longer side of the box of each shape."""
    area = np.zeros(count, np.int64)
    left, right = np.full(count, width, np.int64), np.zeros(count, np.int64)
    top, bottom = np.full(count, -1, np.int64), np.zeros(count, np.int64)
    for run in range(len(start)):
        k, y = part[run], start[run] // width
        area[k] += stop[run] - start[run]
        left[k] = min(left[k], start[run] - y * width)
        right[k] = max(right[k], stop[run] - y * width)
        if top[k] < 0:
            top[k] = y
        bottom[k] = y + 1
    return area, np.maximum(right - left, bottom - top)


@compiled
def _draw(
    out: NDArray[np.uint8],
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    part: NDArray[np.int64],
    chosen: NDArray[np.bool_],
) -> None:
    for run in range(len(start)):
        if chosen[part[run]]:
            out[start[run] : stop[run]] = 1


@compiled
def _spread(
    near: NDArray[np.int32],
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    part: NDArray[np.int64],
    chosen: NDArray[np.bool_],
    reach: int,
) -> None:
    """Number from 1 of the highest shape chosen near each px; -1 in shapes."""
    height, width = near.shape
    for run in range(len(start)):
        if not chosen[part[run]]:
            continue
        y, number = start[run] // width, part[run] + 1
        left = max(start[run] - y * width - reach, 0)
        right = min(stop[run] - y * width + reach, width)
        for v in range(max(y - reach, 0), min(y + reach + 1, height)):
            row = near[v, left:right]
            for x in range(len(row)):
                row[x] = max(row[x], number)
    flat = near.reshape(-1)
    for run in range(len(start)):
        flat[start[run] : stop[run]] = -1


@compiled
def _hit(
    mask: NDArray[np.uint8],
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    part: NDArray[np.int64],
    out: NDArray[np.bool_],
) -> None:
    for run in range(len(start)):
        for at in range(start[run], stop[run]):
            if mask[at]:
                out[part[run]] = True
                break
