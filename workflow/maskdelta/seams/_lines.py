"""Lines along which piece after piece looks like a seam: candidates, to be looked at closely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from maskdelta.seams._look import KINDS, TURNS_PX

__all__ = ["Candidate", "candidates", "strengths"]

Array = NDArray[np.float32]

_MOST_A_PIECE = 6.0
_BACKGROUND_PX = 33
_BIN_PX = 64
_ASKEW = 0.7


@dataclass(frozen=True)
class Candidate:
    """A line that may be a seam.

    Parameters
    ----------
    column : int
        Amid the first piece of the picture, if it went that far up.
    turn_px : int
        How far it runs to the right over one piece.
    first, last : int
        Pieces it runs over; the last one is not included.
    score : float
        Sum of the pieces' strengths over the root of their number.
    """

    column: int
    turn_px: int
    first: int
    last: int
    score: float

    @property
    def middle(self) -> float:
        """Column halfway along it."""
        return self.column_at((self.first + self.last - 1) / 2)

    def column_at(self, piece: float) -> float:
        """Column amid a piece."""
        return self.column + self.turn_px * piece


def strengths(values: Array, errors: Array) -> Array:
    """How far each value stands out, in standard errors and against its surroundings.

    Parameters
    ----------
    values, errors : (turns, kinds, W) float32
        Of one piece, as `look_across` gives them.

    Returns
    -------
    (turns, kinds, W) float32
        What lines nearby have in common (a turned die, shading) is taken off; where arrays make
        many lines stand out, each counts less; no piece counts more than 6 alone.
    """
    above = values - median_filter(values, size=(1, 1, _BACKGROUND_PX))
    told = np.isfinite(errors)
    usual = np.array(
        [
            [np.median(e[t]) if t.any() else 1.0 for e, t in zip(es, ts, strict=True)]
            for es, ts in zip(errors, told, strict=True)
        ]
    )[..., None]
    scatter = np.where(told, np.maximum(errors, 0.7 * usual), np.inf)
    found = above / np.maximum(scatter, 1e-6)
    width = found.shape[-1]
    count = -(-width // _BIN_PX)
    padded = np.zeros((*found.shape[:-1], (count + 4) * _BIN_PX), np.float32)
    padded[..., 2 * _BIN_PX : 2 * _BIN_PX + width] = np.abs(found)
    bins = padded.reshape(*found.shape[:-1], count + 4, _BIN_PX)
    around = np.stack(
        [
            np.percentile(bins[..., k : k + 5, :].reshape(*found.shape[:-1], -1), 95, axis=-1)
            for k in range(count)
        ],
        axis=-1,
    )
    crowded = np.maximum(1.0, np.repeat(around, _BIN_PX, axis=-1)[..., :width] / 2)
    strong: Array = np.clip(found / crowded, -_MOST_A_PIECE, _MOST_A_PIECE).astype(np.float32)
    return strong


def candidates(
    strong: Sequence[Array], kind: int, *, least: float = 5.5, most: int = 60, apart_px: int = 8
) -> list[Candidate]:
    """Lines whose pieces add up.

    Parameters
    ----------
    strong : sequence of (turns, kinds, W) float32
        `strengths`, a piece each, from top to bottom.
    kind : int
        Number in `KINDS`.
    least : float
        Score that a candidate needs: low, since each is looked at closely.
    most : int
    apart_px : int
        Of several lines nearer than this the strongest counts.

    Returns
    -------
    list of Candidate
        Best first.
    """
    if not strong or kind >= len(KINDS):
        return []
    count, width = len(strong), strong[0].shape[-1]
    found: list[tuple[float, int, int, int, int]] = []
    for k, turn in enumerate(TURNS_PX):
        sheared = np.stack([np.roll(piece[k, kind], -turn * n) for n, piece in enumerate(strong)])
        total = np.vstack([np.zeros((1, width)), np.cumsum(sheared, axis=0)])
        for length in _lengths(count):
            for first in range(count - length + 1):
                last = first + length
                score = np.abs(total[last] - total[first]) / np.sqrt(last - first)
                if turn:
                    score -= _ASKEW
                for x in np.flatnonzero(score >= least).tolist():
                    found.append((float(score[x]), x, turn, first, last))
    # of equals the upright line, then the longer one
    found.sort(key=lambda f: (-round(f[0], 4), abs(f[2]), f[3] - f[4], f[1]))
    kept: list[Candidate] = []
    for score, x, turn, first, last in found:
        new = Candidate(_unrolled(x, turn, first, width), turn, first, last, score)
        if all(_apart(new, old, apart_px) for old in kept):
            kept.append(new)
            if len(kept) == most:
                break
    return kept


def _lengths(count: int) -> list[int]:
    """Lengths of runs that are tried: all up to 8 pieces, then by a quarter more each, and all."""
    tried = [min(2, count)]
    while tried[-1] < count:
        tried.append(min(count, tried[-1] + max(1, tried[-1] // 4)))
    return tried


def _unrolled(x: int, turn: int, first: int, width: int) -> int:
    """Column amid piece 0 of what was found after rolling, so that it lies in the picture."""
    at = (x + turn * first) % width
    return int(at - turn * first)


def _apart(a: Candidate, b: Candidate, apart_px: int) -> bool:
    first, last = max(a.first, b.first), min(a.last, b.last)
    if first >= last:
        return True
    amid = (first + last - 1) / 2
    return abs(a.column_at(amid) - b.column_at(amid)) > apart_px
