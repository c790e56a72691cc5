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
class BareLook:
    """What the ground of dots looks like where there is none, over the area of one.

    Parameters
    ----------
    mean, spread : (s, s, 3) float32
        px by px, levels.
    most : float
        Twice the strangeness that 99 of 100 places stay below.
    """

    mean: Array
    spread: Array
    most: float

    def shown(self, picture: NDArray[np.uint8], x: float, y: float) -> bool:
        """Whether nothing but the ground lies around a point of an (H, W, 3) picture."""
        return float(_strangeness(self, _cut(picture, x, y, len(self.mean))[None])[0]) <= self.most


@dataclass(frozen=True)
class DotLook:
    """What the dots of one layer look like in one photograph.

    Parameters
    ----------
    area_px : (float, float)
        Least and largest area of nearly all of them, with room for how a change is cut.
    small_px : float
        Area that 9 of 10 of them exceed.
    huge_px : float
        Area of the largest of them, and of two as large as `area_px` allows.
    mean, spread : (s, s, 3) float32
        Of their pictures, px by px, levels.
    most : float
        Twice the strangeness that 99 of 100 of them stay below: what surrounds a dot differs.
    bare : BareLook, optional
        What lies beside them, where enough of it was seen.
    """

    area_px: tuple[float, float]
    small_px: float
    huge_px: float
    mean: Array
    spread: Array
    most: float
    bare: BareLook | None = None

    def shown(
        self, picture: NDArray[np.uint8], x: float, y: float, *, sure: float = 0.6
    ) -> bool | None:
        """Whether a dot lies around a point of an (H, W, 3) picture; None where it may or not.

        Surely one is what 99 of 100 of the die's own look like, with a fifth to spare: dirt on
        metal looked like one to within 0.6 to 0.8, the true ones to within 0.1 to 0.5.
        """
        strange = self.strangeness(picture, x, y)
        return True if strange <= sure else False if strange > 2 else None

    def strangeness(self, picture: NDArray[np.uint8], x: float, y: float) -> float:
        """How unlike a dot it is around a point of an (H, W, 3) picture; nearly all are below 1."""
        cut = _cut(picture, x, y, len(self.mean))
        return float(_strangeness(self, cut[None])[0] / self.most)


def learn_dots(
    pairs: Iterable[PatchPair], planes: Sequence[int], *, least: int = 40
) -> dict[int, tuple[DotLook, DotLook]]:
    """Looks before and after by number in `planes`, for those layers that come as dots.

    A layer comes as dots when nearly all of its shapes that lie whole in a patch are of one size,
    and hold most of it: crumbs of long lines are no dots. Shapes are those present in both dies.

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
        if len(area) < least or 2 * area.sum() < sum(int(_both(p, plane).sum()) for p in pairs):
            continue
        low, middle, high = np.percentile(area, [10, 50, 90])
        if high > 2 * middle or low < middle / 2:
            continue
        side = int(np.ceil(_WINDOW * np.sqrt(middle))) | 1
        largest = 1.6 * high
        huge = max(2 * largest, area.max())
        sizes = (float(0.6 * low), float(low), float(largest), float(huge))
        inner = int(np.sqrt(middle)) | 1
        beside = [_beside(pair, plane, s, inner) for pair, s in zip(pairs, shapes, strict=True)]
        looks = []
        for pictures in ([p.before for p in pairs], [p.after for p in pairs]):
            look = _look(list(zip(pictures, shapes, strict=True)), side, sizes)
            looks.append(replace(look, bare=_bare_look(pictures, beside, inner, least)))
        found[number] = (looks[0], looks[1])
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


def _both(pair: PatchPair, plane: int) -> NDArray[np.bool_]:
    """(H, W) px where both dies show the layer."""
    return np.asarray(
        (pair.member_before[plane] > 127) & (pair.member_after[plane] > 127) & pair.seen
    )


def _shapes(pair: PatchPair, plane: int) -> NDArray[np.float64]:
    """(n, 3) centre x, y and area of the shapes that both dies show, whole and off the border."""
    both = _both(pair, plane)
    _, _, stats, centres = cv2.connectedComponentsWithStats(both.astype(np.uint8))
    x, y, width, height, area = stats[1:].T
    rows, columns = both.shape
    whole = (x > 0) & (y > 0) & (x + width < columns) & (y + height < rows) & (area >= 6)
    return np.column_stack([centres[1:], area])[whole]


def _beside(
    pair: PatchPair, plane: int, shapes: NDArray[np.float64], side: int
) -> NDArray[np.float64]:
    """(n, 2) places two dots away from a dot that show its ground, and no dot, in both dies."""
    both = np.minimum(pair.member_before, pair.member_after)
    either = np.maximum(pair.member_before, pair.member_after)[plane]
    dots = (both[plane] > 127) & pair.seen
    if not dots.any():
        return np.zeros((0, 2))
    # a dot lies in what is there wherever it is
    ground = [k for k, m in enumerate(both) if k != plane and (m[dots] > 127).mean() > 0.9]
    free = (both[ground] > 127).all(0) & (either <= 127) & pair.seen
    square = np.ones((side, side), np.uint8)
    free = cv2.erode(free.astype(np.uint8), square, borderValue=0) > 0
    step = 2 * side
    offsets = np.array([[step, 0], [-step, 0], [0, step], [0, -step]])
    places = (np.rint(shapes[:, None, :2]).astype(int) + offsets).reshape(-1, 2)
    height, width = free.shape
    inside = ((places >= 0) & (places < [width, height])).all(1)
    places = places[inside]
    return np.asarray(places[free[places[:, 1], places[:, 0]]], np.float64)


def _bare_look(
    pictures: Sequence[NDArray[np.uint8]],
    beside: Sequence[NDArray[np.float64]],
    side: int,
    least: int,
) -> BareLook | None:
    """The look of what lies beside dots; None where less than `least` places show it."""
    cuts = [
        _cut(picture, x, y, side)
        for picture, places in zip(pictures, beside, strict=True)
        for x, y in places
    ]
    if len(cuts) < least:
        return None
    stacked = np.stack(cuts)
    look = BareLook(stacked.mean(0), np.maximum(stacked.std(0), 1.0), np.inf)
    return replace(look, most=2 * float(np.percentile(_strangeness(look, stacked), 99)))


def _look(
    pictures: Sequence[tuple[NDArray[np.uint8], NDArray[np.float64]]],
    side: int,
    sizes: tuple[float, float, float, float],
) -> DotLook:
    least, small, largest, huge = sizes
    cuts = np.stack(
        [
            _cut(picture, x, y, side)
            for picture, shapes in pictures
            for x, y, area in shapes
            if least <= area <= largest
        ]
    )
    spread = np.maximum(cuts.std(0), 1.0)
    look = DotLook((least, largest), small, huge, cuts.mean(0), spread, np.inf)
    return replace(look, most=2 * float(np.percentile(_strangeness(look, cuts), 99)))


def _cut(picture: NDArray[np.uint8], x: float, y: float, side: int) -> Array:
    """(side, side, 3) float32 around a point, between px; rims are repeated."""
    soft = cv2.getRectSubPix(picture, (side, side), (float(x), float(y)))
    return cv2.GaussianBlur(soft, (0, 0), 0.8).astype(np.float32)


def _strangeness(look: DotLook | BareLook, cuts: Array) -> Array:
    """(n,) root mean square of how far each px strays, in its usual spreads."""
    return np.asarray(np.sqrt((((cuts - look.mean) / look.spread) ** 2).mean((1, 2, 3))))
