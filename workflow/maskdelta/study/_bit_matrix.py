"""The bits of one programmed array of one die."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import ConfigurationError
from maskdelta.study._person_table import read_person_table
from maskdelta.study._tables import read_table, write_table

__all__ = ["BIT_WORDS", "UNREADABLE", "BitMatrix", "read_corrections"]

UNREADABLE = -1
BIT_WORDS = {0: "0", 1: "1", UNREADABLE: "unreadable"}
_VALUES = {word: value for value, word in BIT_WORDS.items()}
_CORRECTION_COLUMNS = ("array", "die", "row", "column", "value")


@dataclass(frozen=True)
class BitMatrix:
    """Bits of an array, indexed [row, column], with what is known of each.

    Parameters
    ----------
    value : (rows, columns) int8
        1, 0 or `UNREADABLE`; what a person has corrected counts.
    read : (rows, columns) int8
        What the pictures alone say.
    llr : (rows, columns) float64
        Log-likelihood ratio of 1 against 0, natural logarithm; 0 where nothing could be seen.
    score : (rows, columns) float64
        Likeness to the two kinds of cell: 0 is the middle of the zeros, 1 that of the ones; NaN
        where nothing could be seen.
    oddness : (rows, columns) float64
        How unlike its own kind a cell looks, robust standard deviations.
    rank : (rows, columns) int32
        1 is the most doubtful cell.
    flags : (rows, columns) object
        Words for people, separated by `; `.
    centre_px : (rows, columns, 2) float64
        Middle of the place that tells the bit, x, y in the mosaic frame.
    """

    value: NDArray[np.int8]
    read: NDArray[np.int8]
    llr: NDArray[np.float64]
    score: NDArray[np.float64]
    oddness: NDArray[np.float64]
    rank: NDArray[np.int32]
    flags: NDArray[np.object_]
    centre_px: NDArray[np.float64]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, columns = self.value.shape
        return rows, columns

    @property
    def empty(self) -> bool:
        """Whether nothing could be read at all, the lattice not having been found."""
        return self.value.size == 0

    @property
    def unreadable(self) -> int:
        """Number of bits that nobody could read."""
        return int((self.value == UNREADABLE).sum())

    def by_doubt(self, most: int) -> NDArray[np.intp]:
        """Flat indices of at most `most` cells, the most doubtful first."""
        return np.argsort(self.rank.ravel(), kind="stable")[:most]

    def corrected(self, corrections: Mapping[tuple[int, int], int]) -> BitMatrix:
        """The same with the bits that a person has checked; cells outside are left out."""
        value, flags = self.value.copy(), self.flags.copy()
        for (row, column), bit in corrections.items():
            if row < value.shape[0] and column < value.shape[1]:
                value[row, column] = bit
                words = [w for w in flags[row, column].split("; ") if w and w != "corrected"]
                flags[row, column] = "; ".join([*words, "corrected"])
        return replace(self, value=value, flags=flags)

    def write(self, path: str | Path) -> None:
        """Write `<array>.bits.csv`."""
        rows, columns = self.shape

        def entry(r: int, c: int) -> dict[str, Any]:
            return {
                "row": r,
                "column": c,
                "value": BIT_WORDS[int(self.value[r, c])],
                "read": BIT_WORDS[int(self.read[r, c])],
                "llr": float(self.llr[r, c]),
                "score": float(self.score[r, c]),
                "oddness": float(self.oddness[r, c]),
                "doubt_rank": int(self.rank[r, c]),
                "flags": self.flags[r, c],
                "x_px": float(self.centre_px[r, c, 0]),
                "y_px": float(self.centre_px[r, c, 1]),
            }

        write_table(path, "bits", (entry(r, c) for r in range(rows) for c in range(columns)))

    @classmethod
    def read_file(cls, path: str | Path) -> BitMatrix:
        """Read `<array>.bits.csv`."""
        table = read_table(path, "bits")
        shape = (
            1 + max((row["row"] for row in table), default=-1),
            1 + max((row["column"] for row in table), default=-1),
        )

        def column(name: str, dtype: Any) -> NDArray[Any]:
            values = [np.nan if row[name] is None else row[name] for row in table]
            return np.array(values, dtype).reshape(shape)

        def bits(name: str) -> NDArray[np.int8]:
            return np.array([_VALUES[row[name]] for row in table], np.int8).reshape(shape)

        return cls(
            value=bits("value"),
            read=bits("read"),
            llr=column("llr", float),
            score=column("score", float),
            oddness=column("oddness", float),
            rank=column("doubt_rank", np.int32),
            flags=column("flags", object),
            centre_px=np.stack([column("x_px", float), column("y_px", float)], -1),
        )

    @classmethod
    def nothing(cls) -> BitMatrix:
        """No bits: the lattice was not found."""
        none = np.zeros((0, 0))
        return cls(
            value=none.astype(np.int8),
            read=none.astype(np.int8),
            llr=none,
            score=none,
            oddness=none,
            rank=none.astype(np.int32),
            flags=none.astype(object),
            centre_px=np.zeros((0, 0, 2)),
        )


def read_corrections(path: str | Path) -> dict[tuple[str, str], dict[tuple[int, int], int]]:
    """Read the bits that a person has checked.

    Parameters
    ----------
    path : path
        CSV with the columns array, die, row, column, value; other columns are the person's own.
        A file that is not there holds no corrections.

    Returns
    -------
    dict
        (array, die) -> {(row, column): value}.

    Raises
    ------
    ConfigurationError
        With one sentence for every row that is wrong.
    """
    faults: list[str] = []
    found: dict[tuple[str, str], dict[tuple[int, int], int]] = {}
    for number, cells in read_person_table(path, _CORRECTION_COLUMNS):
        if not (cells["row"].isdecimal() and cells["column"].isdecimal()):
            faults.append(f"{path}: line {number}: `row` and `column` must be numbers from 0.")
        elif cells["value"] not in _VALUES:
            faults.append(
                f"{path}: line {number}: `value` is `{cells['value']}`; it must be 0, 1 or "
                "unreadable."
            )
        else:
            bits = found.setdefault((cells["array"], cells["die"]), {})
            bits[int(cells["row"]), int(cells["column"])] = _VALUES[cells["value"]]
    if faults:
        raise ConfigurationError(faults)
    return found
