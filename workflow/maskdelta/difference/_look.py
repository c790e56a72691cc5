"""Whether what a photograph shows at a candidate looks like the die's own shapes, px by px.

A shape that a mask draws looks like all others of its kind: so far from its outline, with such a
neighbour beyond, it has this colour, give or take the grain. Dirt in the colour of a layer has its
colour somewhere, and darker or paler ones around. So all px of a die are sorted by the layers that
lie there, by how far the nearest px with other layers is, and by what lies there; each kind has a
mean, and what strays from it is measured in the usual spreads. Slow changes of colour over the die
are taken out by what like px nearby stray.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._pairs import smoothed

__all__ = ["ShapeLook", "learn_shapes"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_DEEPEST_PX = 5
_CELL_PX = 16
_LEAST_PX = 8


@dataclass(frozen=True)
class _Sorted:
    """The px of a picture: colour (n, 3), the layers present as bits, and the kind, (n,)."""

    colour: Array
    present: NDArray[np.int64]
    kind: NDArray[np.int64]

    @classmethod
    def of(cls, picture: NDArray[np.uint8], member: NDArray[np.uint8]) -> _Sorted:
        """From an (H, W, 3) picture and the membership (planes, H, W) there."""
        bits = (1 << np.arange(len(member), dtype=np.int64))[:, None, None]
        present = ((member > 127) * bits).sum(0)
        kind = np.empty_like(present)
        for layers in np.unique(present).tolist():
            here = present == layers
            if here.all():
                depth, beyond = np.full(here.shape, np.inf), np.zeros(here.shape, np.int64)
            else:
                depth, nearest = cv2.distanceTransformWithLabels(
                    here.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
                )
                beyond = present[~here][nearest - 1]
            deep = np.clip(np.rint(depth), 1, _DEEPEST_PX).astype(int)
            beyond = np.where(deep == _DEEPEST_PX, 0, beyond)
            found = ((layers << len(member)) + beyond) * (_DEEPEST_PX + 1) + deep
            kind[here] = found[here]
        colour = smoothed(picture).reshape(-1, 3).astype(float)
        return cls(colour, present.ravel(), kind.ravel())


@dataclass(frozen=True)
class ShapeLook:
    """What the shapes of one photograph look like.

    Parameters
    ----------
    kinds : (K,) int64
        Sorted.
    mean : (K, 3) float64
        Colour of each kind, levels.
    whiten : dict of int to (3, 3) float64
        By the layers present, what makes the spread of px 1; of all under -1.
    most : dict of int to float
        How far 99 of 100 pieces of shapes stray, in like manner.
    """

    kinds: NDArray[np.int64]
    mean: Array
    whiten: dict[int, Array]
    most: dict[int, float]

    def strangeness(
        self, picture: NDArray[np.uint8], member: NDArray[np.uint8], own: Mask
    ) -> float:
        """How far the px of a candidate stray: 1 is what 99 of 100 pieces of shapes stay below.

        Parameters
        ----------
        picture : (H, W, 3) uint8
        member : (planes, H, W) uint8
        own : (H, W) bool
            The candidate; what lies around it tells how colours are there.
        """
        px = _Sorted.of(picture, member)
        off, known = self._off(px)
        near = cv2.dilate(own.astype(np.uint8), np.ones((5, 5), np.uint8)).ravel() > 0
        off -= _local(off, px.present, known & ~near)[0]
        chosen = own.ravel() & known
        if chosen.sum() < max(_LEAST_PX, own.sum() / 2):
            return 0.0
        layers = int(np.bincount(px.present[chosen]).argmax())
        return self._strays(off[chosen], px.present[chosen]) / self.most.get(layers, self.most[-1])

    def _off(self, px: _Sorted) -> tuple[Array, Mask]:
        """How far each px is off the mean of its kind (n, 3), and where that is known."""
        at = np.minimum(np.searchsorted(self.kinds, px.kind), len(self.kinds) - 1)
        return px.colour - self.mean[at], self.kinds[at] == px.kind

    def _strays(self, off: Array, present: NDArray[np.int64]) -> float:
        """Root mean square of px, in their usual spreads."""
        total = 0.0
        for layers in np.unique(present).tolist():
            white = self.whiten.get(layers, self.whiten[-1])
            total += float(((off[present == layers] @ white) ** 2).sum())
        return float(np.sqrt(total / (3 * len(off))))


def _local(
    off: Array, present: NDArray[np.int64], use: Mask, *, least_px: int = 60
) -> tuple[Array, Mask]:
    """(n, 3) how far px with the same layers stray on the average, and where enough tell."""
    out, told = np.zeros_like(off), np.zeros(len(off), bool)
    for layers in np.unique(present).tolist():
        those = present == layers
        if (those & use).sum() >= least_px:
            out[those] = off[those & use].mean(0)
            told |= those
    return out, told


def learn_shapes(
    patches: Iterable[tuple[NDArray[np.uint8], NDArray[np.uint8], Mask]],
    *,
    least_px: int = 100,
    least_pieces: int = 50,
) -> ShapeLook | None:
    """Learn from patches of one die; None where there are too few.

    Parameters
    ----------
    patches : iterable of (picture, membership, seen)
        (H, W, 3) uint8, (planes, H, W) uint8 and (H, W) bool.
    least_px, least_pieces : int
        From which kinds are told, and how far pieces of shapes stray.
    """
    found = [
        (_Sorted.of(picture, member), seen.ravel(), seen.shape)
        for picture, member, seen in patches
        if seen.any()
    ]
    if not found:
        return None
    kind = np.concatenate([px.kind[seen] for px, seen, _ in found])
    colour = np.concatenate([px.colour[seen] for px, seen, _ in found])
    kinds, row, count = np.unique(kind, return_inverse=True, return_counts=True)
    sums = np.column_stack([np.bincount(row, c, len(kinds)) for c in colour.T])
    kept = count >= least_px
    if not kept.any():
        return None
    look = ShapeLook(kinds[kept], sums[kept] / count[kept, None], {}, {})
    off, present, pieces = [], [], []
    for px, seen, shape in found:
        away, known = look._off(px)
        local, told = _local(away, px.present, known & seen)
        use = known & seen & told
        off.append((away - local)[use])
        present.append(px.present[use])
        pieces.append([np.searchsorted(np.flatnonzero(use), p) for p in _pieces(px, use, shape)])
    layers = np.concatenate(present)
    every = np.concatenate(off)
    whiten = {-1: _whitening(every)}
    whiten |= {
        int(k): _whitening(every[layers == k])
        for k, px in zip(*np.unique(layers, return_counts=True), strict=True)
        if px >= 5 * least_px
    }
    look = ShapeLook(look.kinds, look.mean, whiten, {})
    strays: dict[int, list[float]] = {-1: []}
    for away, those, parts in zip(off, present, pieces, strict=True):
        for part in parts:
            value = look._strays(away[part], those[part])
            strays[-1].append(value)
            strays.setdefault(int(those[part[0]]), []).append(value)
    if len(strays[-1]) < least_pieces:
        return None
    most = {k: _most(values) for k, values in strays.items() if len(values) >= least_pieces}
    return ShapeLook(look.kinds, look.mean, whiten, most)


def _most(strays: list[float], *, within: float = 4.0) -> float:
    """What 99 of 100 pieces stay below; those far beyond most of the others are dirt."""
    values = np.array(strays)
    return float(np.percentile(values[values < within * np.median(values)], 99))


def _pieces(px: _Sorted, use: Mask, shape: tuple[int, ...]) -> Iterator[NDArray[np.intp]]:
    """Flat indices of connected px with the same layers, in cells of some px."""
    y, x = np.divmod(np.arange(len(use)), shape[1])
    cell = (y // _CELL_PX) * (shape[1] // _CELL_PX + 1) + x // _CELL_PX
    for layers in np.unique(px.present[use]).tolist():
        mask = (use & (px.present == layers)).reshape(shape).astype(np.uint8)
        _, parts = cv2.connectedComponents(mask, connectivity=4)
        where = np.flatnonzero(mask)
        group = parts.ravel()[where].astype(np.int64) * (int(cell.max()) + 1) + cell[where]
        order = np.argsort(group, kind="stable")
        ends = np.flatnonzero(np.diff(group[order])) + 1
        yield from (part for part in np.split(where[order], ends) if len(part) >= _LEAST_PX)


def _whitening(off: Array, *, within: float = 4.0) -> Array:
    """(3, 3) what makes the spread of rows (n, 3) 1, but for those that dirt puts far off."""
    usual = 1.4826 * np.median(np.abs(off), axis=0) + 0.5
    off = off[(np.abs(off) < within * usual).all(1)]
    values, vectors = np.linalg.eigh(off.T @ off / len(off) + 0.25 * np.eye(3))
    return np.asarray(vectors / np.sqrt(values))
