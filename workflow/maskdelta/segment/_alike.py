"""Stacks too alike in colour to be told px by px, where one of them is always wide.

Metal under glass and metal in an opening of the glass, as over a pad, differ by little more than
the brightness of either varies over a die. An opening is as wide as the swatches that a person drew
inside openings; most metal is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._colour_model import ColourModel
from maskdelta.segment._distances import opened
from maskdelta.segment._parts import Parts
from maskdelta.segment._rules import MOST_COST, LayerRules, strips_of

__all__ = ["Lookalike", "among", "lookalikes", "told_by_host", "told_by_width"]

# the longest chain of labelling must stay within its halo
_MOST_PX = 41
_WINDOW_PX = 15


@dataclass(frozen=True)
class Lookalike:
    """Two stacks that look alike.

    Parameters
    ----------
    wide, usual : int
        The stack with more layers, which is always wide, and the other.
    least_px : int
        Nothing narrower shows the wide one; odd.
    """

    wide: int
    usual: int
    least_px: int


def lookalikes(
    model: ColourModel,
    rules: LayerRules,
    sides_px: Sequence[float],
    *,
    most_sigma: float = 4.0,
) -> tuple[Lookalike, ...]:
    """Pairs that look alike and hide others, of which one shows all that the other does.

    Where the swatches of the wide one are narrow, its width tells little, and the mean around a px
    is left.

    Parameters
    ----------
    model : ColourModel
    rules : LayerRules
    sides_px : sequence of float
        Shorter side of the widest swatch of each stack.
    most_sigma : float
        Pairs farther apart in colour are told by it.
    """
    apart = model.separation()
    upper = np.flatnonzero(rules.hiding & ~rules.dot & ~rules.spoils)
    found = []
    for k in upper.tolist():
        width = min(int(0.8 * sides_px[k]) | 1, _MOST_PX)
        for j in upper.tolist():
            more = (rules.present[j] <= rules.present[k]).all() and k != j
            if more and apart[k, j] < most_sigma:
                found.append(Lookalike(k, j, width))
    return tuple(found)


def told_by_width(
    doubt: NDArray[np.uint8],
    first: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    pairs: Sequence[Lookalike],
    *,
    worth: float = 2.0,
) -> None:
    """Tell look-alikes by width and by the mean around; changes `doubt` and `first`.

    Parameters
    ----------
    doubt : (K, H, W) uint8
        Tenths of a log unit.
    first : (H, W) uint8
    flat : (H, W) bool
        Px on no edge.
    pairs : sequence of Lookalike
    worth : float
        For how many px by themselves the mean around a px counts: brightness goes on being off.
    """
    for pair in pairs:
        either = (first == pair.wide) | (first == pair.usual)
        if not either.any():
            continue
        # a speck of noise or a contact must not narrow a shape
        shape = cv2.morphologyEx(
            either.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)
        )
        wide = either & opened(shape > 0, pair.least_px // 2)
        known = either & flat
        odds = cv2.subtract(doubt[pair.usual], doubt[pair.wide], dtype=cv2.CV_16S)
        for rows in strips_of(len(first)):
            mean = _mean_around(odds, known, rows)
            _settle(doubt[:, rows], first[rows], either[rows], wide[rows], mean, pair, worth=worth)


def _mean_around(
    odds: NDArray[np.int16], known: NDArray[np.bool_], rows: slice
) -> NDArray[np.float32]:
    """Mean of the known odds, -30 to 30, in the square around the px of some rows."""
    halo = _WINDOW_PX // 2
    start = max(rows.start - halo, 0)
    part = slice(start, rows.stop + halo)
    size = (_WINDOW_PX, _WINDOW_PX)
    weight = known[part].astype(np.float32)
    whole = cv2.boxFilter(np.clip(odds[part], -30, 30) * weight, -1, size, normalize=False)
    count = cv2.boxFilter(weight, -1, size, normalize=False)
    mean = whole / np.maximum(count, 0.2)
    return mean[rows.start - start :][: rows.stop - rows.start]


def _settle(
    doubt: NDArray[np.uint8],
    first: NDArray[np.uint8],
    either: NDArray[np.bool_],
    wide: NDArray[np.bool_],
    mean: NDArray[np.float32],
    pair: Lookalike,
    *,
    worth: float,
) -> None:
    """Give px of a pair to one of it; changes `doubt` and `first`."""
    cost = np.minimum(np.rint(worth * np.abs(mean)), MOST_COST).astype(np.uint8)
    is_wide = wide & (mean > 0)
    is_usual = either & ~is_wide
    first[is_wide], first[is_usual] = pair.wide, pair.usual
    doubt[pair.wide][is_wide] = 0
    doubt[pair.usual][is_wide] = cost[is_wide]
    doubt[pair.usual][is_usual] = 0
    doubt[pair.wide][is_usual] = np.where(wide, cost, MOST_COST)[is_usual]


def told_by_host(
    doubt: NDArray[np.uint8],
    first: NDArray[np.uint8],
    rules: LayerRules,
    *,
    most_px: int = 20,
    believable: int = 45,
    least_share: float = 0.8,
) -> None:
    """Take small shapes in what a dot sits in for dots; changes `doubt` and `first`.

    What the host hides cannot be seen amid it, but may have nearly the colour of a dot: a contact
    in metal, half of whose px look like a gate, is neither to what trusts patches.

    Parameters
    ----------
    doubt : (K, H, W) uint8
        Tenths of a log unit.
    first : (H, W) uint8
    rules : LayerRules
    most_px : int
        Larger shapes are none.
    believable : int
        Mean doubt of the dot in such a shape.
    least_share : float
        Of what lies right around such a shape must show what the dot sits in.
    """
    for k in np.flatnonzero(rules.dot):
        own = first == k
        hosts = np.flatnonzero((rules.present & rules.carries(int(k))).any(1) & ~rules.dot)
        if not len(hosts) or not own.any():
            continue
        beneath = rules.hidden[hosts].any(0)
        hidden = rules.present.any(1) & (rules.present <= beneath).all(1) & ~rules.dot
        alike = among(first, hidden)
        parts = Parts.of(own | alike)
        chosen = (parts.longest <= most_px) & parts.hit(own) & parts.hit(alike)
        place, number = parts.around(2, chosen)
        there = np.isin(first.ravel()[place], hosts)
        count = np.maximum(np.bincount(number, minlength=len(parts)), 1)
        chosen &= np.bincount(number, there, len(parts)) >= least_share * count
        place, number = parts.places(chosen)
        whole = np.bincount(number, np.minimum(doubt[k].ravel()[place], MOST_COST), len(parts))
        place = place[(whole <= believable * parts.area)[number]]
        first.ravel()[place] = k
        for j, plane in enumerate(doubt.reshape(len(doubt), -1)):
            plane[place] = 0 if j == k else np.maximum(plane[place], believable)


def among(label: NDArray[np.uint8], chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(H, W), whether labels are among the stacks chosen, (K,) bool."""
    table = np.zeros(256, np.uint8)
    table[: len(chosen)] = chosen
    return np.asarray(cv2.LUT(label, table).view(np.bool_))
