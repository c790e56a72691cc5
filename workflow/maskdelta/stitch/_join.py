"""Groups of tiles that sure pairs hold together, joined by pairs that leave a choice.

A pair over a memory array may fit equally well at several shifts, one pitch apart. Such a pair
says little by itself, but two groups of tiles usually touch along several pairs, and only the true
shift suits all of them. Where the choice stays open, the group is known only up to whole pitches,
and is marked so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._edges import Edge, links_of, settle
from maskdelta.stitch._nominal import stage_error
from maskdelta.stitch._offers import Joiner, Probe

__all__ = ["Placed", "join_tiles"]

Array = NDArray[np.float64]


@dataclass
class Placed:
    """Where the tiles came to lie.

    Attributes
    ----------
    centres : (n, 2) float64
    group : (n,) int
        Number of the connected group; 0 is that of the held tiles, else the largest.
    modulo : (n,) bool
        Known only up to whole pitches.
    chosen : (m,) int
        Which choice of each edge is believed, -1 for none.
    conflicts : dict
        Tile -> sentence, where pairs contradict each other and nothing decides.
    """

    centres: Array
    group: NDArray[np.int_]
    modulo: NDArray[np.bool_]
    chosen: NDArray[np.int_]
    conflicts: dict[int, str] = field(default_factory=dict)


def join_tiles(
    count: int,
    edges: Sequence[Edge],
    *,
    held: NDArray[np.bool_],
    start: Array,
    nominal: Array | None,
    probe: Probe,
    inlier_px: float,
    reach_px: float,
) -> Placed:
    """Place all tiles.

    Parameters
    ----------
    count : int
    edges : sequence of Edge
    held : (n,) bool
        Tiles that stay at `start` exactly.
    start : (n, 2) float64
    nominal : (n, 2) float64 or None
        Places by the stage. They choose between shifts a pitch apart only where their own error,
        measured on the tiles placed without them, is below a sixth of the pitch.
    probe : callable
        List of (number of an edge, shift) -> list of the choices measured there, each with its lag
        behind the edge's best; None where nothing can be measured.
    inlier_px : float
        Residual beyond which a link is not believed.
    reach_px : float
        How far from its start a tile may lie by whole pitches.
    """
    joiner = Joiner(count, edges, held, start, nominal, probe, inlier_px, reach_px)
    number = 0
    done: set[int] = set()
    final = np.full(count, -1)
    while (joiner.group[final < 0]).size:
        base = _base_group(joiner, held, done)
        _grow(joiner, base, done)
        final[joiner.group == base] = number
        joiner.remembered.clear()
        done.add(base)
        number += 1
    return _settle(joiner, final)


def _base_group(joiner: Joiner, held: NDArray[np.bool_], done: set[int]) -> int:
    """The held tiles' group first, then the largest that is left."""
    if held.any() and not done:
        return int(joiner.group[np.flatnonzero(held)[0]])
    numbers, sizes = np.unique(joiner.group, return_counts=True)
    left = [(int(-size), int(n)) for n, size in zip(numbers, sizes, strict=True) if n not in done]
    return min(left)[1]


def _grow(joiner: Joiner, base: int, done: set[int]) -> None:
    """Join to a group, the clearest case first, all groups that pairs tie to it.

    Clear cases against tiles of which the place is sure come first; then clear ones against any
    tile; then, one at a time, a case that stays open between several pitches.
    """
    while True:
        others = [int(g) for g in np.unique(joiner.group) if g != base and g not in done]
        for sure_only in (True, False):
            offers = [(g, joiner.offer(base, g, sure_only=sure_only)) for g in others]
            clear = [(g, o) for g, o in offers if o is not None and o.clear]
            if clear:
                group, offer = min(clear, key=lambda go: (go[1].rank, go[0]))
                joiner.accept(group, base, offer, soft=not sure_only)
                break
        else:
            if not _join_open_case(joiner, base, others):
                return


def _join_open_case(joiner: Joiner, base: int, others: Sequence[int]) -> bool:
    member = joiner.group == base
    offers = [(g, joiner.offer(base, g, sure_only=False)) for g in others]
    tied = [(g, o) for g, o in offers if o is not None and o.vote.proved]
    lattice = [(g, o) for g, o in tied if o.lattice]
    for group, offer in tied:
        if not offer.lattice and offer.rival is not None:
            for tile in np.flatnonzero(joiner.group == group):
                joiner.conflicts[int(tile)] = (
                    f"{offer.vote.support} pair(s) put it at one place and {offer.rival.support} "
                    f"at another, {offer.pitch_px:.0f} px away"
                )
    if not lattice:
        return False
    group, offer = min(lattice, key=lambda go: (-go[1].vote.support, -go[1].vote.score, go[0]))
    # against tiles that are off by a pitch themselves, the nominal place decides nothing
    firm = joiner.offer(base, group, sure_only=True)
    decided = stage_error(joiner.centres, joiner.nominal, member & ~joiner.soft) * 6
    proved = firm is not None and firm.lattice and firm.vote.proved and firm.plausible
    if firm is not None and proved and decided <= firm.pitch_px:
        joiner.accept(group, base, firm, soft=False)
    else:
        joiner.accept(group, base, offer, soft=True)
    return True


def _settle(joiner: Joiner, final: NDArray[np.int_]) -> Placed:
    """Choose for each edge the shift nearest to the placement and solve once more, with Tukey."""
    centres = joiner.centres
    chosen = np.full(len(joiner.edges), -1)
    for _ in range(3):
        chosen = _nearest(joiner, centres, final)
        kept = [k for k in range(len(chosen)) if chosen[k] >= 0]
        links = links_of([(joiner.edges[k], joiner.edges[k].choices[chosen[k]]) for k in kept])
        centres = settle(links, centres, joiner.held, inlier_px=joiner.inlier_px)
    chosen = _nearest(joiner, centres, final)
    return Placed(centres, final, joiner.soft, chosen, joiner.conflicts)


def _nearest(joiner: Joiner, centres: Array, final: NDArray[np.int_]) -> NDArray[np.int_]:
    chosen = np.full(len(joiner.edges), -1)
    for k, edge in enumerate(joiner.edges):
        if final[edge.a] != final[edge.b]:
            continue
        wanted = centres[edge.b] - centres[edge.a]
        apart = [
            np.inf if choice.given_up else float(np.hypot(*(choice.shift - wanted)))
            for choice in edge.choices
        ]
        best = int(np.argmin(apart))
        if apart[best] <= joiner.inlier_px:
            chosen[k] = best
    return chosen
