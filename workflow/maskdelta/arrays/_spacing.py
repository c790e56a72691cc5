"""From the places of the lines that show to the steps and gaps of an axis."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._lattice import Axis

__all__ = ["AxisGuess", "guess_axis"]

Array = NDArray[np.float64]
_TOLERANCE = 0.14  # of a step
_MOST_BETWEEN_STRAPS = 16


@dataclass(frozen=True)
class AxisGuess:
    """Rows or columns as proposed.

    Parameters
    ----------
    numbers : (m,) int
        Number of each line that shows, from 0; a line without a set bit does not.
    steps : tuple of float
        One, or two that alternate, px.
    gaps : tuple of int
        Lines before which a gap lies.
    gap_px : float
        Mean width added by a gap.
    """

    numbers: NDArray[np.intp]
    steps: tuple[float, ...]
    gaps: tuple[int, ...]
    gap_px: float

    @property
    def count(self) -> int:
        """How many lines there are."""
        return int(self.numbers[-1]) + 1

    def settings(self) -> dict[str, Any]:
        """What to write below `rows` or `columns` of the array."""
        found: dict[str, Any] = {"count": self.count}
        if len(self.steps) > 1:
            found["steps"] = [round(step, 2) for step in self.steps]
        if self.gaps:
            found["gaps"] = list(self.gaps)
            found["gap"] = round(self.gap_px / float(np.mean(self.steps)), 2)
        return found

    def places(self) -> Array:
        """(count,) nominal places in mean steps, from the first line on."""
        axis = Axis(self.count, len(self.steps), self.gaps)
        return axis.nominal(self.steps, self.gap_px / float(np.mean(self.steps)))


@dataclass(frozen=True)
class _Pattern:
    """Steps that repeat, px, and a strap of `extra` px before line `first` and every `every`."""

    steps: tuple[float, ...]
    first: int = 0
    every: int = 0
    extra: float = 0.0

    def strap(self, line: int) -> bool:
        """Whether a strap lies before a line."""
        return self.every > 0 and line >= self.first and (line - self.first) % self.every == 0

    def width(self, line: int) -> float:
        """Distance from a line to the next."""
        step = self.steps[line % len(self.steps)]
        return step + (self.extra if self.strap(line + 1) else 0.0)


@dataclass(frozen=True)
class _Explained:
    """Distances explained by a pattern.

    Parameters
    ----------
    numbers : (m,) int
        Of each line.
    odd : tuple of int
        Distances that are no sum of steps.
    on_straps : int
        Lines that the pattern puts where a strap is seen.
    """

    pattern: _Pattern
    numbers: NDArray[np.intp]
    odd: tuple[int, ...]
    on_straps: int

    @property
    def cost(self) -> float:
        """How much is to be believed: lines that do not show, odd distances, and straps."""
        hidden = int(self.numbers[-1]) + 1 - len(self.numbers)
        straps = 1.0 if self.pattern.every else 0.0
        return hidden + 3.0 * len(self.odd) + 2.0 * self.on_straps + straps


def guess_axis(places: Array, straps: Array) -> AxisGuess:
    """Explain the distances between lines by one step or two that alternate, and gaps.

    A distance of several steps means lines without a set bit, unless straps at even intervals
    explain more. The explanation is taken that asks for the fewest lines that do not show; a
    distance that is no sum of steps counts as three, a line where a strap is seen as two, straps
    as one.

    Parameters
    ----------
    places : (m,) float64
        Sorted, px; at least three.
    straps : (s,) float64
        Places of lines between the cells that have dots of their own.
    """
    distances = np.diff(places)
    sizes = _sizes(distances)
    patterns = [_Pattern((size,)) for size in sizes[:2]]
    patterns += [_Pattern(pair) for pair in itertools.permutations(sizes[:3], 2)]
    patterns += [pattern for size in sizes[:2] for pattern in _with_straps(size, sizes)]
    best = min((_explain(places, straps, pattern) for pattern in patterns), key=lambda e: e.cost)
    count = int(best.numbers[-1]) + 1
    gaps = {line for line in range(1, count) if best.pattern.strap(line)}
    widths = [best.pattern.extra] * len(gaps)
    for k in best.odd:
        gaps.add(int(best.numbers[k + 1]))
        widths.append(float(distances[k]) - best.pattern.width(int(best.numbers[k])))
    mean = float(np.mean(widths)) if widths else 0.0
    return AxisGuess(best.numbers, best.pattern.steps, tuple(sorted(gaps)), mean)


def _sizes(distances: Array) -> list[float]:
    """Middles of the groups of like distances, the most frequent first."""
    ordered = np.sort(distances)
    groups = np.split(ordered, np.flatnonzero(np.diff(ordered) > _TOLERANCE * ordered[:-1]) + 1)
    groups.sort(key=lambda group: -len(group))
    return [float(np.median(group)) for group in groups]


def _with_straps(step: float, sizes: Sequence[float]) -> Iterator[_Pattern]:
    """Even steps with straps as wide as one of the wider distances tells."""
    for size in sizes:
        extra = size - step
        if extra > 2 * _TOLERANCE * step:
            for every in range(2, _MOST_BETWEEN_STRAPS + 1):
                for first in range(1, every + 1):
                    yield _Pattern((step,), first, every, extra)


def _explain(places: Array, straps: Array, pattern: _Pattern) -> _Explained:
    numbers, odd, hidden = [0], [], []
    for k, distance in enumerate(np.diff(places)):
        line = numbers[-1]
        counted = _count(float(distance), pattern, line)
        if counted == 0:
            odd.append(k)
        widths = np.cumsum([pattern.width(line + n) for n in range(counted - 1)])
        hidden += list(places[k] + widths)
        numbers.append(line + max(counted, 1))
    near = _TOLERANCE * min(pattern.steps)
    off = np.abs(np.array(hidden)[:, None] - straps)
    return _Explained(pattern, np.array(numbers), tuple(odd), int((off < near).any(1).sum()))


def _count(distance: float, pattern: _Pattern, line: int) -> int:
    """How many lines further on a distance leads; 0 where it is no sum of steps."""
    near = _TOLERANCE * min(pattern.steps)
    reached, counted = 0.0, 0
    while reached < distance - near:
        reached += pattern.width(line + counted)
        counted += 1
    return counted if abs(reached - distance) < near else 0
