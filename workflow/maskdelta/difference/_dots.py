"""Whether a small candidate looks like the die's own dots, for layers that come as dots.

A contact is a few px wide and round, so its edges run anywhere, as those of dirt do; and where a
whole memory was programmed anew, bare metal meets contacts as often as unchanged colours meet. But
a die has hundreds of contacts, all alike: a candidate is held against their mean picture and
against how far each px of them strays from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._pairs import PatchPair

__all__ = ["DotLook", "is_rim", "learn_dots"]

Array = NDArray[np.float32]
_WINDOW = 1.4  # side of what is looked at, in sides of a dot: the dot and its rim


@dataclass(frozen=True)
class DotLook:
    """What the dots of one layer look like in one photograph.

    Parameters
    ----------
    area_px : (float, float)
        Least and largest area of nearly all of them, with room for how a change is cut.
    small_px : float
        Area that 9 of 10 of them exceed.
    mean, spread : (s, s, 3) float32
        Of their pictures, px by px, levels.
    most : float
        Twice the strangeness that 99 of 100 of them stay below: what surrounds a dot differs.
    """

    area_px: tuple[float, float]
    small_px: float
    mean: Array
    spread: Array
    most: float

    def shown(self, picture: NDArray[np.uint8], x: float, y: float) -> bool | None:
        """Whether a dot lies around a point of an (H, W, 3) picture; None where it may or not."""
        strange = float(_strangeness(self, _cut(picture, x, y, len(self.mean))[None])[0])
        return True if strange <= self.most else False if strange > 2 * self.most else None


def learn_dots(
    pairs: Iterable[PatchPair], planes: Sequence[int], *, least: int = 40
) -> dict[int, tuple[DotLook, DotLook]]:
    """Looks before and after by number in `planes`, for those layers that come as dots.

    A layer comes as dots when nearly all of its shapes that lie whole in a patch, and no others,
    are of one size; shapes are those present in both dies.

    Parameters
    ----------
    pairs : iterable of PatchPair
    planes : sequence of int
        Of the layers in the patches' membership.
    least : int
        Dots from which to learn.
    """
    pairs = list(pairs)
    found = {}
    for number, plane in enumerate(planes):
        shapes = [_shapes(pair, plane) for pair in pairs]
        area = np.concatenate([np.zeros(0), *(s[:, 2] for s in shapes)])
        if len(area) < least:
            continue
        low, middle, high = np.percentile(area, [10, 50, 90])
        if high > 2 * middle or low < middle / 2:
            continue
        side = int(np.ceil(_WINDOW * np.sqrt(middle))) | 1
        sizes = (float(0.6 * low), float(low), float(1.6 * high))
        found[number] = (
            _look([(p.before, s) for p, s in zip(pairs, shapes, strict=True)], side, sizes),
            _look([(p.after, s) for p, s in zip(pairs, shapes, strict=True)], side, sizes),
        )
    return found


def is_rim(
    own: NDArray[np.bool_],
    both: NDArray[np.bool_],
    small_px: float,
    *,
    reach_px: int = 2,
) -> bool:
    """Whether a candidate is the rim of a dot that both photographs show.

    Labels of a dot reach to the edge of its metal in one photograph and not in the other, where
    the strip between is narrow. A dot that was really added lies apart from its neighbours.

    Parameters
    ----------
    own : (H, W) bool
        The candidate.
    both : (H, W) bool
        Where both dies show the layer.
    small_px : float
        Area that nearly all dots exceed: what is larger is no rim; what lies beside, and is
        smaller than half of it, is no dot.
    reach_px : int
        How far the dot may lie from its rim.
    """
    if own.sum() >= small_px:
        return False
    _, shapes, stats, _ = cv2.connectedComponentsWithStats(both.astype(np.uint8))
    side = 2 * reach_px + 1
    near = cv2.dilate(own.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    beside = np.setdiff1d(shapes[near], 0)
    return bool((stats[beside, cv2.CC_STAT_AREA] > small_px / 2).any())


def _shapes(pair: PatchPair, plane: int) -> NDArray[np.float64]:
    """(n, 3) centre x, y and area of the shapes that both dies show, whole and off the border."""
    both = (pair.member_before[plane] > 127) & (pair.member_after[plane] > 127) & pair.seen
    _, _, stats, centres = cv2.connectedComponentsWithStats(both.astype(np.uint8))
    x, y, width, height, area = stats[1:].T
    rows, columns = both.shape
    whole = (x > 0) & (y > 0) & (x + width < columns) & (y + height < rows) & (area >= 6)
    return np.column_stack([centres[1:], area])[whole]


def _look(
    pictures: Sequence[tuple[NDArray[np.uint8], NDArray[np.float64]]],
    side: int,
    sizes: tuple[float, float, float],
) -> DotLook:
    least, small, largest = sizes
    cuts = np.stack(
        [
            _cut(picture, x, y, side)
            for picture, shapes in pictures
            for x, y, area in shapes
            if least <= area <= largest
        ]
    )
    spread = np.maximum(cuts.std(0), 1.0)
    look = DotLook((least, largest), small, cuts.mean(0), spread, np.inf)
    return replace(look, most=2 * float(np.percentile(_strangeness(look, cuts), 99)))


def _cut(picture: NDArray[np.uint8], x: float, y: float, side: int) -> Array:
    """(side, side, 3) float32 around a point, between px; rims are repeated."""
    soft = cv2.getRectSubPix(picture, (side, side), (float(x), float(y)))
    return cv2.GaussianBlur(soft, (0, 0), 0.8).astype(np.float32)


def _strangeness(look: DotLook, cuts: Array) -> Array:
    """(n,) root mean square of how far each px strays, in its usual spreads."""
    return np.asarray(np.sqrt((((cuts - look.mean) / look.spread) ** 2).mean((1, 2, 3))))
