"""Cells that dirt covers in part, read by those of their px that it leaves clean."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats
from skimage.morphology import convex_hull_image, remove_small_objects

from maskdelta.arrays._classes import DEGREES, balanced_middle, spread_of

__all__ = ["Beside", "read_beside"]

Array = NDArray[np.float64]
Pictures = NDArray[np.float32]
_TELLS = 5.0  # spreads between zeros and ones at a px that tells them apart
_LIKE = 3.0  # spreads from the mean of a kind within which a px may be of it,
_CLOSE = 1.3  # and within which half of those seen must be: dirt is like it by chance only
_SAME = 0.5  # share of the dirt that may have the colour of what is read
_LEAST_PX = 6
_NOISE_PX = 2
_EIGHT_BITS = 4e-3  # no spread is below what 8-bit pictures can tell
_AROUND = 0.35  # share of the px around the place that must be clean
_SHAPE = 0.15  # share of what tells the bits that must be seen of a shape,
_GROUND = 0.3  # and of bare ground: dirt in its colour hides a shape, none draws one
_CONTRARY = 0.02  # most that may be like the other value off dirt,
_RIMS = 0.25  # and with the rims of dirt


@dataclass(frozen=True)
class Beside:
    """What the clean px of n cells say.

    Parameters
    ----------
    value : (n,) int8
        0, 1; -1 where too little is clean, or clean px contradict each other.
    score : (n,) float64
        0 at the mean zero, 1 at the mean one, by the clean px.
    llr : (n,) float64
        Log-likelihood ratio of 1 against 0; 0 where `value` is -1.
    """

    value: NDArray[np.int8]
    score: Array
    llr: Array


def read_beside(
    pictures: Pictures,
    label: NDArray[np.int8],
    kind: NDArray[np.intp],
    *,
    trusted: NDArray[np.bool_],
    which: NDArray[np.intp],
    shape: int | None,
) -> Beside:
    """Read cells by the px that look like the mean zero or the mean one of the array.

    A px tells the bits apart where the two means lie farther apart than `_TELLS` times the usual
    spread. It speaks for the mean that it is like; like neither, it lies under dirt, and so may
    its neighbours, since the rims of dirt take on any colour on their way to its own. A bit is
    read where the px left show some of the place and agree. Dirt in the colour of what is read
    makes it no evidence.

    Parameters
    ----------
    pictures : (n, places, 3) float32
        Square pictures of cells, turned alike.
    label : (n,) int8
        0 or 1 as called so far.
    kind : (n,) int
        Cells of one kind look alike, their bit aside.
    trusted : (n,) bool
        Clean cells, to learn means and spreads from.
    which : (m,) int
        The cells to read.
    shape : int, optional
        Value of the cells that hold the shape that makes a bit, where it is known.

    Returns
    -------
    Beside
        Of the m cells.
    """
    kinds = _Kinds.learnt(pictures, label, kind, trusted)
    m = len(which)
    if kinds is None:
        return Beside(np.full(m, -1, np.int8), np.zeros(m), np.zeros(m))
    far = np.stack(
        [np.square((kinds.centred[which] - mean) / kinds.usual).mean(2) for mean in kinds.means]
    )
    like = far < _LIKE**2
    dirt = ~(like[0] | like[1])
    clean = _away_from(dirt)
    seen = like & ~like[::-1]
    with_rims, share = seen @ kinds.energy, (seen & clean) @ kinds.energy
    around = (clean & ~kinds.tells).sum(1) >= _AROUND * (~kinds.tells).sum()
    value = np.full(m, -1, np.int8)
    for bit in (0, 1):
        own = clean & seen[bit] & kinds.tells
        close = (own & (far[bit] < _CLOSE**2)).sum(1) >= own.sum(1) / 2
        if bit == shape:
            enough = share[bit] >= _SHAPE
        else:
            alike = dirt & kinds.of_colour(pictures[which], pictures[trusted & (label == bit)])
            enough = (share[bit] >= _GROUND) & (alike.sum(1) <= _SAME * dirt.sum(1))
        contrary = (share[1 - bit] > _CONTRARY) | (with_rims[1 - bit] > _RIMS)
        value[enough & close & around & ~contrary] = bit
    score = kinds.scores(kinds.centred[which], clean)
    full = kinds.scores(kinds.centred[trusted])
    wider = 1 / np.sqrt(np.clip(share.sum(0), 0.05, 1))
    zero, one = (
        stats.t.logpdf(score, DEGREES, bit, spread_of(full[label[trusted] == bit] - bit) * wider)
        for bit in (0, 1)
    )
    return Beside(value, score, np.where(value >= 0, one - zero, 0.0))


@dataclass(frozen=True)
class _Kinds:
    """What zeros and ones look like.

    Parameters
    ----------
    centred : (n, places, 3) float32
        Pictures less the middle between zeros and ones of their kind.
    means : (2, places, 3) float32
        Of the zeros and of the ones.
    usual : (places, 3) float64
        Robust spread of clean cells.
    tells : (places,) bool
        Px that tell the bits apart,
    energy : (places,) float64
        and how well they do; sum 1.
    """

    centred: Pictures
    means: Pictures
    usual: Array
    tells: NDArray[np.bool_]
    energy: Array

    @classmethod
    def learnt(
        cls,
        pictures: Pictures,
        label: NDArray[np.int8],
        kind: NDArray[np.intp],
        trusted: NDArray[np.bool_],
    ) -> _Kinds | None:
        """None where hardly any px tells the bits apart, or no clean cell holds one of them."""
        if len(np.unique(label[trusted])) < 2:
            return None
        flat = pictures.reshape(len(pictures), -1)
        centred = (flat - balanced_middle(flat, label, kind, trusted)).reshape(pictures.shape)
        sides = [centred[trusted & (label == bit)] for bit in (0, 1)]
        means = np.stack([np.median(side, axis=0) for side in sides])
        spreads = [
            np.median(np.abs(side - mean), axis=0) for side, mean in zip(sides, means, strict=True)
        ]
        usual = 1.4826 * np.maximum(*spreads) + _EIGHT_BITS
        energy = np.square((means[1] - means[0]) / usual).mean(1)
        tells = energy > _TELLS**2
        if tells.sum() < _LEAST_PX:
            return None
        energy = np.minimum(energy, np.median(energy[tells])) * tells
        return cls(centred, means, usual, tells, energy / energy.sum())

    def of_colour(self, pictures: Pictures, own: Pictures) -> NDArray[np.bool_]:
        """(m, places) px anywhere that have the colour of some cells at the place that tells."""
        colour = np.median(own[:, self.tells], axis=(0, 1))
        far = np.square((pictures - colour) / self.usual[self.tells].mean(0)).mean(2)
        return np.asarray(far < _LIKE**2)

    def scores(self, centred: Pictures, clean: NDArray[np.bool_] | None = None) -> Array:
        """(m,) matched filter on the clean px: 0 at the mean zero, 1 at the mean one."""
        apart = (self.means[1] - self.means[0]) * self.tells[:, None]
        filters = apart / np.square(self.usual)
        if clean is not None:
            filters = filters * clean[..., None]
        found = ((centred - self.means[0]) * filters).sum((1, 2))
        return np.asarray(found / np.maximum((apart * filters).sum((-2, -1)), 1e-12))


def _away_from(dirt: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(m, places) px of square pictures that do not touch the convex hull of the dirt.

    Dirt in the colour of what lies below is seen beside it only, on either side of a line of
    metal, say. Single px that noise makes odd span no hull.
    """
    side = math.isqrt(dirt.shape[1])
    out = np.empty_like(dirt)
    for k, picture in enumerate(dirt.reshape(-1, side, side)):
        spanning = remove_small_objects(picture, max_size=_NOISE_PX)
        hull = convex_hull_image(spanning) if spanning.any() else spanning
        out[k] = ~ndimage.binary_dilation(picture | hull, np.ones((3, 3), bool)).ravel()
    return out
