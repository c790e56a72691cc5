"""Which of the lines that were looked at closely are seams."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.seams._closely import Closely, Sign
from maskdelta.seams._lines import Candidate
from maskdelta.seams._look import KINDS, PIECE_PX

__all__ = ["RULES", "Ends", "Seam", "accepted", "explained"]

Ends = tuple[NDArray[np.float64], tuple[bool, bool]]
"""End points of a seam, (2, 2), and whether what speaks for it stops right beyond them."""

_NEAR_PX = 6
_SHARE_ON_GRID = 0.7  # of the strength that a line elsewhere needs


@dataclass(frozen=True)
class Seam:
    """A line that was believed: all that was seen of it, and the kinds that speak for it."""

    seen: Closely
    kinds: tuple[str, ...]
    on_grid: bool = False


def accepted(looked: Sequence[Closely]) -> list[Seam]:
    """Lines that stand, each once; and weaker ones where the pitch of the others expects them."""
    found = _merged(looked, _stands)
    pitch = _pitch([seam.seen.line for seam in found])
    if not pitch:
        return found
    first, step = pitch

    def expected(line: Candidate) -> bool:
        return abs((line.middle - first + step / 2) % step - step / 2) <= 3

    more = _merged(
        looked,
        lambda sign, line, kind: (
            _stands(sign, line, kind)
            or (expected(line) and _stands(sign, line, kind, share=_SHARE_ON_GRID))
        ),
    )
    return [replace(seam, on_grid=expected(seam.seen.line)) for seam in more]


@dataclass(frozen=True)
class Rule:
    """What a sign of a kind needs, found on invented dies and photographs without a seam.

    Parameters
    ----------
    least : float
        Standard errors.
    over : (float, float)
        Times the strongest line beside: for small values, and for large ones, which shapes of
        the die take as well, and which a seam shows all the more plainly.
    large : (float, float)
        Values at which the first of these ends and the second begins.
    most : float
        Largest value: more is a shape of the die.
    pieces : int
        Least length. One piece may lie along a block in which all lines take a step.
    """

    least: float
    over: tuple[float, float]
    large: tuple[float, float]
    most: float
    pieces: int


RULES = {
    "offset": Rule(7.0, (2.0, 3.0), (0.5, 1.5), 6.0, 2),
    "brightness": Rule(8.5, (3.5, 7.0), (0.02, 0.06), 0.08, 3),
}


def _stands(sign: Sign, line: Candidate, kind: str, *, share: float = 1.0) -> bool:
    """Whether a line is long enough to be the edge of a tile, and its sign strong enough.

    Lines that run askew have many more chances and must be longer. `share` is that of the
    strength which is enough.
    """
    rule, value = RULES[kind], abs(sign.value)
    over = float(np.interp(value, rule.large, rule.over))
    long = line.last - line.first >= (3 if line.turn_px else rule.pieces)
    strong = sign.stands(least=share * rule.least, over=share * over)
    return long and strong and value <= rule.most


def _merged(
    looked: Sequence[Closely], stands: Callable[[Sign, Candidate, str], bool]
) -> list[Seam]:
    """One seam for all candidates within a few px that share a part of their length."""
    believed = []
    for seen in looked:
        kinds = tuple(k for k in KINDS if k in seen.signs and stands(seen.signs[k], seen.line, k))
        if kinds:
            believed.append(Seam(seen, kinds))
    believed.sort(key=lambda s: -max(s.seen.signs[k].strength for k in s.kinds))
    kept: list[Seam] = []
    for seam in believed:
        twin = next((n for n, old in enumerate(kept) if _same(old.seen.line, seam.seen.line)), None)
        if twin is None:
            kept.append(seam)
        else:
            both = {*kept[twin].kinds, *seam.kinds}
            kept[twin] = replace(kept[twin], kinds=tuple(k for k in KINDS if k in both))
    return kept


def _same(a: Candidate, b: Candidate) -> bool:
    first, last = max(a.first, b.first), min(a.last, b.last)
    if first >= last:
        return False
    amid = (first + last - 1) / 2
    return abs(a.column_at(amid) - b.column_at(amid)) <= _NEAR_PX


def _pitch(lines: Sequence[Candidate], *, least_px: int = 256) -> tuple[float, float] | None:
    """A line's place and the pitch that at least three lines share; None without one."""
    places = sorted({round(line.middle) for line in lines})
    apart = [p for k, p in enumerate(places) if not k or p - places[k - 1] > 2 * _NEAR_PX]
    best: tuple[int, float, float] | None = None
    for i, a in enumerate(apart):
        for b in apart[i + 1 :]:
            for share in (1, 2, 3):
                step = (b - a) / share
                if step < least_px:
                    continue
                fit = sum(abs((x - a + step / 2) % step - step / 2) <= 3 for x in apart)
                if fit >= 3 and (best is None or (fit, step) > best[::2]):
                    best = (fit, float(a), step)
    return None if best is None else best[1:]


def explained(ends: Sequence[Ends]) -> list[int]:
    """Seams none of whose ends lies in the open, where it stops far from any other seam."""
    kept = list(range(len(ends)))
    while True:
        stay = [k for k in kept if not _in_the_open(k, kept, ends)]
        if stay == kept:
            return kept
        kept = stay


def _in_the_open(k: int, kept: Sequence[int], ends: Sequence[Ends]) -> bool:
    others = [ends[n][0] for n in kept if n != k]
    return any(
        stop and not any(_distance(point, other) < 1.2 * PIECE_PX for other in others)
        for point, stop in zip(*ends[k], strict=True)
    )


def _distance(point: NDArray[np.float64], line: NDArray[np.float64]) -> float:
    """Of a point from a piece of a line."""
    way = line[1] - line[0]
    share = float(np.clip((point - line[0]) @ way / max(float(way @ way), 1e-9), 0, 1))
    return float(np.hypot(*(point - line[0] - share * way)))
