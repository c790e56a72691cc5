"""How large a change must be to be found: from planted changes to a size, with its place.

Found or not against the logarithm of the size is a cumulative Gaussian that ends below 1, since
some are lost whatever their size (a psychometric function with lapses, Wichmann & Hill 2001).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = ["SizeSeen", "fit_sizes", "sizes_near"]

Array = NDArray[np.float64]
_WIDTHS = np.array([0.03, 0.06, 0.12, 0.2, 0.3, 0.45])
_LAPSES = np.array([0.0, 0.005, 0.01, 0.02, 0.03, 0.04, 0.06, 0.1, 0.2, 0.4, 0.7])
_LEAST = 20
_PRIOR = 10.0  # so many large ones count as found beforehand: one lost by chance is no rule


@dataclass(frozen=True)
class SizeSeen:
    """Chance of finding a change by its size.

    Parameters
    ----------
    middle : float
        Logarithm of the size at which half of those that can be found are found.
    width : float
        Standard deviation of the logarithm.
    lapse : float
        Share that is lost whatever its size.
    largest : float
        Largest size that was planted; nothing is said beyond it.
    """

    middle: float
    width: float
    lapse: float
    largest: float

    def size(self, chance: float = 0.95) -> float:
        """Smallest size found with a chance; infinite where none of those planted is."""
        found = 1 - self.lapse
        if found <= chance:
            return float("inf")
        size = float(np.exp(self.middle + self.width * ndtri(chance / found)))
        return size if size <= self.largest else float("inf")


def fit_sizes(size: Array, found: NDArray[np.bool_]) -> SizeSeen:
    """The curve of planted changes.

    Of the curves about as likely as the likeliest (two log units, two standard deviations) with as
    many lost, that which asks for the largest size: what is claimed to be seen should hold.

    Parameters
    ----------
    size : (n,) float64
    found : (n,) bool
        Fewer than 20 say nothing: the size is infinite then.
    """
    if len(size) < _LEAST:
        return SizeSeen(0.0, 0.1, 1.0, 0.0)
    curves = _curves(size)
    logs = _log_likelihoods(size, found, curves)
    return curves[_cautious(logs.sum(0)[None], curves, within=2.0)[0]]


def sizes_near(
    places: Array,
    size: Array,
    found: NDArray[np.bool_],
    here: Array,
    *,
    worth: float = 2.0,
    around: float = 60.0,
) -> Array:
    """Smallest size found with 95 % chance at places of the die, from the changes planted near.

    Planted changes count by a Gaussian of their distance that lets about `around` of them speak;
    all together count for `worth` more, so that a place with few does not claim what it has not
    seen. Places that differ already ask for more than each would alone; so one log unit is caution
    enough.

    Parameters
    ----------
    places : (n, 2) float64
        Where changes were planted.
    size : (n,) float64
    found : (n,) bool
    here : (m, 2) float64
        Where it is asked for.
    worth, around : float

    Returns
    -------
    (m,) float64, infinite where no size is found with 95 % chance
    """
    if len(size) < _LEAST:
        return np.full(len(here), np.inf)
    curves = _curves(size)
    logs = _log_likelihoods(size, found, curves)
    area = max(float(np.prod(np.ptp(places, axis=0))), 1.0)
    spread2 = min(around, len(size)) * area / (2 * np.pi * len(size))
    apart2 = ((here[:, None] - places[None]) ** 2).sum(-1)
    near = np.exp(-apart2 / (2 * spread2)) + worth / len(size)
    sizes = np.array([curve.size() for curve in curves])
    return sizes[_cautious(near @ logs, curves, within=1.0)]


def _curves(size: Array) -> list[SizeSeen]:
    low, high = np.log(size.min()), np.log(size.max())
    return [
        SizeSeen(middle, width, lapse, float(size.max()))
        for lapse in _LAPSES.tolist()
        for width in _WIDTHS.tolist()
        for middle in np.linspace(low - 0.5, high + 0.3, 60).tolist()
    ]


def _log_likelihoods(size: Array, found: NDArray[np.bool_], curves: list[SizeSeen]) -> Array:
    """(n, m) log-likelihood of each planted change under each curve."""
    middle, width, lapse = np.array([[c.middle, c.width, c.lapse] for c in curves]).T
    chance = (1 - lapse) * ndtr((np.log(size)[:, None] - middle) / width)
    chance = np.clip(chance, 0.002, 0.998)
    return np.where(found[:, None], np.log(chance), np.log1p(-chance))


def _cautious(total: Array, curves: list[SizeSeen], *, within: float) -> NDArray[np.intp]:
    """For each row of (k, m) log-likelihoods, the curve to believe; see `fit_sizes`."""
    lapse = np.array([curve.lapse for curve in curves])
    sizes = np.array([curve.size() for curve in curves])
    total = total + _PRIOR * np.log1p(-lapse)
    best = total.argmax(1)
    alike = lapse[None] == lapse[best][:, None]
    alike &= total >= total.max(1, keepdims=True) - within
    return np.where(alike, sizes, -1.0).argmax(1)
