"""Work that goes block by block in a bounded pool of threads."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import NamedTuple, TypeVar

__all__ = ["Box", "blocks_of", "map_ordered", "spread_blocks"]

T = TypeVar("T")
R = TypeVar("R")


class Box(NamedTuple):
    """A half-open box of pixels (x0, y0, x1, y1)."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def width(self) -> int:
        """Number of columns."""
        return self.x1 - self.x0

    @property
    def height(self) -> int:
        """Number of rows."""
        return self.y1 - self.y0

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width), as numpy wants it."""
        return self.height, self.width

    @property
    def middle(self) -> tuple[float, float]:
        """Centre x, y between the outermost px."""
        return (self.x0 + self.x1 - 1) / 2, (self.y0 + self.y1 - 1) / 2

    def grown(self, halo: int) -> Box:
        """The box with a halo on every side."""
        return Box(self.x0 - halo, self.y0 - halo, self.x1 + halo, self.y1 + halo)

    def moved(self, dx: int, dy: int) -> Box:
        """The box moved to the right and down."""
        return Box(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)

    def clipped(self, other: Box) -> Box:
        """The part inside `other`; it may be empty (width or height <= 0)."""
        return Box(
            max(self.x0, other.x0),
            max(self.y0, other.y0),
            min(self.x1, other.x1),
            min(self.y1, other.y1),
        )

    @property
    def empty(self) -> bool:
        """Whether no pixel lies inside."""
        return self.x1 <= self.x0 or self.y1 <= self.y0


def blocks_of(shape: tuple[int, int], block_px: int) -> list[Box]:
    """Blocks that cover an array of (height, width), row by row; the last ones may be smaller."""
    height, width = shape
    return [
        Box(x, y, min(x + block_px, width), min(y + block_px, height))
        for y in range(0, height, block_px)
        for x in range(0, width, block_px)
    ]


def spread_blocks(shape: tuple[int, int], block_px: int, *, most: int) -> list[Box]:
    """Up to `most` of the blocks that cover an array of (height, width), spread evenly over it."""
    blocks = blocks_of(shape, block_px)
    stride = max(1, len(blocks) // most)
    return blocks[stride // 2 :: stride][:most]


def map_ordered(function: Callable[[T], R], items: Iterable[T], *, threads: int) -> Iterator[R]:
    """Apply a function in threads and yield the results in order.

    At most `threads + 1` results are alive at a time, so memory does not grow with the number of
    items. Results do not depend on the number of threads.
    """
    if threads <= 1:
        yield from map(function, items)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[Future[R]] = deque()
        for item in items:
            waiting.append(pool.submit(function, item))
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
