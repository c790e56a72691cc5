"""Lines of an array that lie in another order after than before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from maskdelta.study import UNREADABLE

__all__ = ["LineOrder", "find_order"]

Bits = NDArray[np.int8]
_SURE = 1e-6


@dataclass(frozen=True)
class LineOrder:
    """Which line after holds what a line before held.

    Parameters
    ----------
    lines : (n,) int
        Number after of each line before, in the arrangement of the array before.
    """

    lines: NDArray[np.intp]

    @property
    def usual(self) -> bool:
        """Whether every line lies where it did."""
        return bool((self.lines == np.arange(len(self.lines))).all())

    def words(self, what: str) -> list[str]:
        """For people, a phrase each: pairs that were exchanged, and runs that moved together.

        Parameters
        ----------
        what : str
            `row` or `column`.
        """
        lines = [int(v) for v in self.lines]
        pairs = [(i, j) for i, j in enumerate(lines) if i < j and lines[j] == i]
        found = [f"{what}s {i} and {j} exchanged" for i, j in pairs]
        paired = {line for pair in pairs for line in pair}
        moved = [i for i, j in enumerate(lines) if i != j and i not in paired]
        for run in _runs(moved, lines):
            first, last, by = run[0], run[-1], lines[run[0]] - run[0]
            named = f"{what} {first}" if first == last else f"{what}s {first} to {last}"
            found.append(f"{named} moved by {by:+d}")
        return found


def _runs(moved: list[int], lines: list[int]) -> list[list[int]]:
    """Neighbouring lines that moved by the same number."""
    found: list[list[int]] = []
    for i in moved:
        if found and found[-1][-1] == i - 1 and lines[i] - i == lines[i - 1] - (i - 1):
            found[-1].append(i)
        else:
            found.append([i])
    return found


def find_order(before: Bits, after: Bits) -> LineOrder:
    """Find rows that were exchanged, or moved because one was put in or left out.

    The rows before and after are assigned to each other so that the fewest bits differ (Hungarian
    method; a row keeps its place unless another fits better). Of the rows that move, those that
    change places with one another are taken together, and only where that explains more than half
    of their differences and chance could not (binomial test, corrected for the pairs of rows).

    Parameters
    ----------
    before, after : (rows, columns) int8
        The array after as it lies over that before; `UNREADABLE` counts for nothing.
    """
    count = len(before)
    stay = np.arange(count)
    wrong, known = _differing(before, after)
    if not np.trace(wrong):
        return LineOrder(stay)
    share = np.where(known > 0, wrong / np.maximum(known, 1), 0.5)
    cost = share * before.shape[1]
    cost[stay, stay] -= 0.5
    _, found = optimize.linear_sum_assignment(cost)
    order = stay.copy()
    for cycle in _cycles(found):
        lying, lying_known = int(wrong[cycle, cycle].sum()), int(known[cycle, cycle].sum())
        w, n = int(wrong[cycle, found[cycle]].sum()), int(known[cycle, found[cycle]].sum())
        if n < 0.7 * lying_known or n == 0 or not w / n < 0.5 * lying / max(lying_known, 1):
            continue
        chance = stats.binomtest(w, n, lying / lying_known, alternative="less").pvalue
        if chance * count**2 / 2 < _SURE:
            order[cycle] = found[cycle]
    return LineOrder(order)


def _differing(before: Bits, after: Bits) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(rows, rows) numbers of bits that differ and that are known, of each pair of rows."""
    ones_before, ones_after = ((v == 1).astype(np.float32) for v in (before, after))
    zeros_before, zeros_after = ((v == 0).astype(np.float32) for v in (before, after))
    wrong = ones_before @ zeros_after.T + zeros_before @ ones_after.T
    known = (before != UNREADABLE).astype(np.float32) @ (after != UNREADABLE).astype(np.float32).T
    return np.rint(wrong).astype(np.intp), np.rint(known).astype(np.intp)


def _cycles(order: NDArray[np.intp]) -> list[list[int]]:
    """Lines that change places among each other, group by group."""
    found, seen = [], set()
    for start in range(len(order)):
        cycle: list[int] = []
        line = start
        while line not in seen:
            seen.add(line)
            cycle.append(line)
            line = int(order[line])
        if len(cycle) > 1:
            found.append(cycle)
    return found
