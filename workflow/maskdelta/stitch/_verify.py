"""Do tiles look alike wherever the placement says that they overlap?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._join import Placed
from maskdelta.stitch._pairs import Measured, Measurer
from maskdelta.stitch._tiles import Tiles

__all__ = ["take_out_misfits"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Look:
    """An overlap that no pair in use vouches for: correlation there, and strength of detail."""

    a: int
    b: int
    score: float
    strength: float


def take_out_misfits(
    tiles: Tiles,
    measured: Measured,
    placed: Placed,
    measurer: Measurer,
    *,
    least_frac: float = 0.03,
) -> None:
    """Take tiles out of the placement that contradict more neighbours than vouch for them.

    One accidental match is enough to place a tile of another chip. It then lies over other tiles
    that show something else. Overlaps without detail say nothing.

    Parameters
    ----------
    tiles, measured, placed, measurer
        `placed` is changed.
    least_frac : float
        Overlaps below this share of a tile's area are not looked at.
    """
    used = np.flatnonzero(placed.chosen >= 0)
    vouched = {measured.pairs[k] for k in used}
    overlaps = _predicted(tiles, placed, least_frac)
    open_ones = [pair for pair in overlaps if pair not in vouched]
    if not open_ones:
        return
    known = [pair for pair in overlaps if pair in vouched][:64]
    asked = [(a, b, placed.centres[b] - placed.centres[a]) for a, b in [*open_ones, *known]]
    answers = measurer.compare(asked)
    enough = 0.2 * float(np.median([strength for _, strength in answers[len(open_ones) :]] or [0]))
    looks = [
        _Look(a, b, score, strength)
        for (a, b), (score, strength) in zip(open_ones, answers, strict=False)
    ]
    against = [
        look for look in looks if look.strength > enough and look.score < 0.3 * measured.typical
    ]
    _take_out(tiles, measured, placed, against)


def _predicted(tiles: Tiles, placed: Placed, least_frac: float) -> list[tuple[int, int]]:
    """Pairs of one group that overlap by the placement; a before b."""
    pairs = []
    count = len(tiles.names)
    area = float(np.prod(np.median(tiles.sizes, axis=0)))
    for a in range(count):
        side = (tiles.sizes[a] + tiles.sizes) / 2 - np.abs(placed.centres - placed.centres[a])
        share = np.prod(np.maximum(side, 0), axis=1) / area
        same = (placed.group == placed.group[a]) & (tiles.copy_of < 0)
        if tiles.copy_of[a] < 0:
            pairs += [(a, int(b)) for b in np.flatnonzero(same & (share >= least_frac)) if b > a]
    return pairs


def _take_out(tiles: Tiles, measured: Measured, placed: Placed, against: Sequence[_Look]) -> None:
    """The worst tile first, until no tile has more overlaps against it than for it."""
    left = list(against)
    while left:
        contra = np.zeros(len(tiles.names), int)
        pro = np.zeros(len(tiles.names), int)
        for look in left:
            contra[[look.a, look.b]] += 1
        for k in np.flatnonzero(placed.chosen >= 0):
            pro[list(measured.pairs[k])] += 1
        excess = np.where(tiles.held, -1, contra - pro)
        worst = int(excess.argmax())
        if excess[worst] < 0 or contra[worst] == 0:
            return
        placed.conflicts[worst] = (
            f"{pro[worst]} pair(s) vouch for its place, but it differs from {contra[worst]} "
            "other tile(s) that it would overlap there"
        )
        placed.group[worst] = int(placed.group.max()) + 1
        touching = [worst in pair for pair in measured.pairs]
        placed.chosen[np.array(touching, bool)] = -1
        left = [look for look in left if worst not in (look.a, look.b)]
