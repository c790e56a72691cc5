"""Bits of one array in two dies, compared with a bound on false alarms."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from maskdelta.arrays._order import LineOrder, find_order
from maskdelta.study import BIT_WORDS, UNREADABLE, BitMatrix

__all__ = ["Arrangement", "ComparedArray", "compare_bits"]

Array = NDArray[np.float64]
_SURE = 1e-6


@dataclass(frozen=True)
class Arrangement:
    """How the array after lies over that before: first swapped, then mirrored, then shifted."""

    swapped: bool = False
    rows_mirrored: bool = False
    columns_mirrored: bool = False
    row_offset: int = 0
    column_offset: int = 0

    @property
    def usual(self) -> bool:
        """Whether every bit lies where it did before."""
        return self == Arrangement()

    def words(self) -> str:
        """For people; empty when nothing is out of the ordinary."""
        parts = ["rows and columns exchanged"] if self.swapped else []
        parts += ["rows in reverse order"] if self.rows_mirrored else []
        parts += ["columns in reverse order"] if self.columns_mirrored else []
        parts += [f"rows shifted by {self.row_offset}"] if self.row_offset else []
        parts += [f"columns shifted by {self.column_offset}"] if self.column_offset else []
        return ", ".join(parts)

    def cells_after(self, shape: tuple[int, int], shape_after: tuple[int, int]) -> NDArray[Any]:
        """(rows, columns, 2) row and column after of every cell before; -1 where there is none."""
        r, c = np.indices(shape)
        r, c = r + self.row_offset, c + self.column_offset
        rows, columns = shape_after[::-1] if self.swapped else shape_after
        r = rows - 1 - r if self.rows_mirrored else r
        c = columns - 1 - c if self.columns_mirrored else c
        found = np.stack([c, r] if self.swapped else [r, c], -1)
        outside = (r < 0) | (r >= rows) | (c < 0) | (c >= columns)
        found[outside] = -1
        return found


@dataclass(frozen=True)
class ComparedArray:
    """One array compared.

    Parameters
    ----------
    arrangement : Arrangement
        Of the array as a whole.
    row_order, column_order : LineOrder
        Rows and columns that changed places within it.
    after : (rows, columns, 2) int
        Where each bit before lies after; -1 where nowhere.
    state : (rows, columns) object
        "", changed, doubtful or not comparable.
    value_after : (rows, columns) int8
        In the arrangement and the order of the die before.
    value_lying : (rows, columns) int8
        In the arrangement of the die before, but with its lines in their places: what the words
        and terms are made of, since an exchanged line answers to another address.
    llr_after : (rows, columns) float64
    p_value, q_value : (rows, columns) float64
        NaN where a person corrected a bit or it could not be read.
    differing_frac : dict
        Share of the comparable bits that differ as it lies, and as it was found to lie.
    """

    arrangement: Arrangement
    row_order: LineOrder
    column_order: LineOrder
    after: NDArray[np.intp]
    state: NDArray[np.object_]
    value_after: NDArray[np.int8]
    value_lying: NDArray[np.int8]
    llr_after: Array
    p_value: Array
    q_value: Array
    differing_frac: dict[str, float]

    def count(self, state: str) -> int:
        """Number of bits of a state."""
        return int((self.state == state).sum())

    def words(self) -> str:
        """How the array after lies, for people; empty when nothing is out of the ordinary."""
        parts = [self.arrangement.words()] if not self.arrangement.usual else []
        parts += self.row_order.words("row") + self.column_order.words("column")
        return ", ".join(parts)

    def rows(self, name: str, before: BitMatrix, place_um: Array) -> list[dict[str, Any]]:
        """Rows of the table `arrays`: what differs or cannot be compared."""
        found = []
        for r, c in zip(*np.nonzero(self.state != ""), strict=True):
            found.append(
                {
                    "array": name,
                    "row": int(r),
                    "column": int(c),
                    "row_after": int(self.after[r, c, 0]),
                    "column_after": int(self.after[r, c, 1]),
                    "before": BIT_WORDS[int(before.value[r, c])],
                    "after": BIT_WORDS[int(self.value_after[r, c])],
                    "state": self.state[r, c],
                    "llr_before": float(before.llr[r, c]),
                    "llr_after": float(self.llr_after[r, c]),
                    "p_value": float(self.p_value[r, c]),
                    "q_value": float(self.q_value[r, c]),
                    "x_um": float(place_um[r, c, 0]),
                    "y_um": float(place_um[r, c, 1]),
                }
            )
        return found


def compare_bits(
    before: BitMatrix,
    after: BitMatrix,
    *,
    false_discovery: float = 0.01,
    offset: int = 2,
) -> ComparedArray:
    """Compare two readings of an array.

    Before any bit is called changed, the array after is also tried mirrored, swapped and shifted
    by up to `offset` rows and columns; another arrangement than the usual is taken only where it
    explains more than half of the differences and chance could not (binomial test, corrected for
    the number tried). Single rows and columns that were exchanged or moved are looked for in the
    same way. Then each bit's difference of scores is held against the differences of
    all bits that were read equal: a normal null whose width is the larger of a robust standard
    deviation and what the outermost equal bits show (an empirical null, Efron 2004), and the
    false discovery rate is bounded (Benjamini & Hochberg 1995).

    Parameters
    ----------
    before, after : BitMatrix
    false_discovery : float
    offset : int

    Returns
    -------
    ComparedArray
    """
    arrangement, shares = _best_arrangement(before.value, after.value, offset)
    cells = arrangement.cells_after(before.shape, after.shape)
    lying = _moved(after.value, cells, UNREADABLE)
    row_order = find_order(before.value, lying)
    column_order = find_order(before.value.T, lying[row_order.lines].T)
    cells = cells[row_order.lines][:, column_order.lines]
    value = _moved(after.value, cells, UNREADABLE)
    known = (before.value != UNREADABLE) & (value != UNREADABLE)
    differs = known & (before.value != value)
    if known.any():
        shares["in_the_arrangement"] = round(int(differs.sum()) / int(known.sum()), 6)
    p, q = _probabilities(before, after, cells, known)
    corrected = _corrected(before.flags) | _corrected(_moved(after.flags, cells, ""))
    state = np.full(before.shape, "", object)
    state[~known] = "not comparable"
    state[differs] = "doubtful"
    state[differs & (corrected | (q <= false_discovery))] = "changed"
    return ComparedArray(
        arrangement=arrangement,
        row_order=row_order,
        column_order=column_order,
        after=cells,
        state=state,
        value_after=value,
        value_lying=lying,
        llr_after=_moved(after.llr, cells, 0.0),
        p_value=np.where(corrected, np.nan, p),
        q_value=np.where(corrected, np.nan, q),
        differing_frac=shares,
    )


def _moved(values: NDArray[Any], cells: NDArray[np.intp], missing: Any) -> NDArray[Any]:
    """Values after at the cells before."""
    if values.size == 0:
        return np.full(cells.shape[:2], missing, values.dtype)
    found = values[cells[..., 0], cells[..., 1]]
    found[cells[..., 0] < 0] = missing
    return found


def _corrected(flags: NDArray[Any]) -> NDArray[np.bool_]:
    return np.vectorize(lambda words: "corrected" in words, otypes=[bool])(flags)


def _arrangements(
    shape: tuple[int, int], shape_after: tuple[int, int], offset: int
) -> Iterator[Arrangement]:
    shifts = sorted(range(-offset, offset + 1), key=abs)
    for swapped, rows, columns, dr, dc in itertools.product(
        (False, True), (False, True), (False, True), shifts, shifts
    ):
        lies = shape_after[::-1] if swapped else shape_after
        if abs(lies[0] - shape[0]) <= offset and abs(lies[1] - shape[1]) <= offset:
            yield Arrangement(swapped, rows, columns, dr, dc)


def _best_arrangement(
    before: NDArray[np.int8], after: NDArray[np.int8], offset: int
) -> tuple[Arrangement, dict[str, float]]:
    def differing(arrangement: Arrangement) -> tuple[int, int]:
        cells = arrangement.cells_after(before.shape, after.shape)
        value = _moved(after, cells, UNREADABLE)
        known = (before != UNREADABLE) & (value != UNREADABLE)
        return int((before != value)[known].sum()), int(known.sum())

    usual = Arrangement()
    wrong, known = differing(usual)
    share = wrong / known if known else 0.0
    best, best_share = usual, share
    tried = list(_arrangements(before.shape, after.shape, offset)) if wrong else []
    for other in tried:
        w, n = differing(other)
        if n < 0.7 * known or n == 0 or not w / n < min(0.5 * share, best_share):
            continue
        chance = stats.binomtest(w, n, share, alternative="less").pvalue * len(tried)
        if chance < _SURE:
            best, best_share = other, w / n
    return best, {"as_it_lies": round(share, 6), "in_the_arrangement": round(best_share, 6)}


def _probabilities(
    before: BitMatrix, after: BitMatrix, cells: NDArray[np.intp], known: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """p and q values, NaN where a bit is not known in both."""
    p = np.full(before.shape, np.nan)
    q = p.copy()
    difference = _moved(after.score, cells, np.nan) - before.score
    usable = known & np.isfinite(difference)
    if not usable.any():
        return p, q
    equal = np.abs(difference[usable & (np.abs(difference) < 0.5)])
    width = 0.05
    if len(equal):
        outermost = np.quantile(equal, 1 - 1 / (len(equal) + 1))
        width = max(
            1.4826 * float(np.median(equal)),
            float(outermost / stats.norm.isf(0.5 / (len(equal) + 1))),
            0.02,
        )
    p[usable] = 2 * stats.norm.sf(np.abs(difference[usable]) / width)
    q[usable] = stats.false_discovery_control(p[usable])
    return p, q
