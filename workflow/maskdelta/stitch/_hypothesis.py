"""One possible shift of a pair of tiles, and how two of them are told apart."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._overlap import Fit

__all__ = ["Hypothesis", "Lag", "lag_behind", "median"]

Array = NDArray[np.float64]
_ODD = 6.0
"""A block is odd when it differs by more than this many times what noise does."""
_SPOILT = 1.5
"""A block that fits at neither shift is odd when one residual is so many times the other."""
_UNLIKE = 0.15
"""Share of a block's detail that must be left over where two tiles show different things."""


class Lag(NamedTuple):
    """By how much one shift fits worse than another, counted in blocks of the overlap.

    Attributes
    ----------
    net : float
        Blocks that fit far worse minus blocks that fit far better.
    odd : float
        Blocks of either kind.
    noise : float
        Sum of all other differences, in units of their spread; for sorting only, since a shift
        that is off by a few hundredths of a px adds up to much over many blocks.
    met : float
        Blocks in which both tiles show the same odd thing of a pattern that repeats: so many
        fewer than at the better shift.
    met_all : float
        Such blocks at either shift.
    """

    net: float = 0.0
    odd: float = 0.0
    noise: float = 0.0
    met: float = 0.0
    met_all: float = 0.0

    def plus(self, other: Lag) -> Lag:
        """Both together."""
        return Lag(*(one + two for one, two in zip(self, other, strict=True)))

    @property
    def worth(self) -> float:
        """One number to sort by: an odd block counts as much as the largest plain one."""
        return self.noise + _ODD * (self.net + 4 * self.met)

    def beyond(self, other: Lag) -> Lag:
        """By how much this lags behind another that has the same reference."""
        return Lag(
            self.net - other.net,
            self.odd + other.odd,
            self.noise - other.noise,
            self.met - other.met,
            self.met_all + other.met_all,
        )

    def is_clear(self, *, strict: bool) -> bool:
        """Whether this can no longer be chance or dust.

        Dust counts once for and once against, except at the border of the overlap, so that five
        odd blocks must be left over. `strict` asks for more, where a choice is given up for good
        on one pair's word.
        """
        least, share = (8.0, 2.5) if strict else (5.0, 2.0)
        by_fit = self.net >= least and self.net >= share * np.sqrt(self.odd)
        # two odd cells may meet at a wrong shift by chance, but then something misfits elsewhere
        least, share = (8.0, 3.0) if strict else (3.0, 1.5)
        by_odd = self.met >= least and self.met >= share * np.sqrt(self.met_all)
        by_odd &= strict or self.net >= 1
        # dust that spoils a fit is met by nothing: where both speak, less of each is enough
        both = self.net >= max(2.0, 1.4 * np.sqrt(self.odd))
        both &= self.met >= max(2.0, 1.4 * np.sqrt(self.met_all))
        return bool(by_fit or by_odd or (both and not strict))


@dataclass(frozen=True)
class Hypothesis:
    """One possible shift of a pair and the patches it was measured on.

    Without patches it is a shift at which the tiles do not fit.

    Attributes
    ----------
    shift : (2,) float64
        Centre of b minus centre of a, px.
    sd_px : float
        Standard deviation per axis.
    score : float
        Correlation of the whole overlap at this shift.
    shifts : (k, 2) float64
        The same shift from each patch alone.
    places_a, places_b : (k, 2) float64
        Middle of each patch from the middle of its tile.
    sds : (k,) float64
    sides : (k, 2) float64
        Width and height of each patch.
    extent : (int, int)
        Width and height of the overlap.
    agree : float or None
        Share of the patches with detail that agree on the shift; None for fewer than three.
    lag : Lag
        How much worse than the pair's best shift.
    repeats : bool
        Whether the overlap shows a pattern that repeats and other shifts could not be tried.
    periodic : bool
        Whether the overlap shows a pattern that repeats at all.
    fit : Fit or None
        How well each block fits; None where the overlap holds no whole block.
    steps : tuple of (2,) float64
        One or two pitches at which the overlap repeats itself.
    met : float
        Blocks in which both tiles show the same odd thing of what repeats.
    """

    shift: Array
    sd_px: float
    score: float
    shifts: Array
    places_a: Array
    places_b: Array
    sds: Array
    sides: Array
    extent: tuple[int, int]
    agree: float | None = None
    lag: Lag = field(default_factory=Lag)
    repeats: bool = False
    periodic: bool = False
    fit: Fit | None = None
    steps: tuple[Array, ...] = ()
    met: float = 0.0

    def is_small(self, *, least_px: int = 32, least_px2: int = 6000) -> bool:
        """Whether the overlap shows too little to prove a place alone."""
        return min(self.extent) < least_px or self.extent[0] * self.extent[1] < least_px2


def median(values: Array) -> Array:
    """Median along the first axis; for a handful of values ten times as fast as numpy's."""
    ordered = np.sort(values, axis=0)
    middle: Array = (ordered[(len(values) - 1) // 2] + ordered[len(values) // 2]) / 2
    return middle


def lag_behind(better: Hypothesis, worse: Hypothesis) -> Lag:
    """How clearly one shift fits better than another.

    Squared residuals at the two shifts are compared block by block. Over a strictly periodic
    pattern the differences scatter about zero. An odd cell speaks for the true shift twice (where
    it lies in a and where it lies in b), dust on one tile once for and once against; so blocks that
    differ by more than noise are counted, not summed. What spoils a block at both shifts says
    nothing. A block that only one of the shifts lays on the other tile counts against that shift
    where it does not fit, unless that may be dust.
    """
    met = Lag(met=better.met - worse.met, met_all=better.met + worse.met)
    one, two = better.fit, worse.fit
    if one is None or two is None:
        return met
    first, second = _on_one_raster(one, two)
    both = np.isfinite(first.energy) & np.isfinite(second.energy)
    if both.sum() < 3:
        return met
    low, high = first.energy[both], second.energy[both]
    gain = high - low
    # noise of the blurred pictures makes the mean square of a block scatter by 0.6 of itself
    noise = min(float(median(low)), float(median(high)))
    scale = min(1.4826 * float(median(np.abs(gain))), 0.8 * noise) + 1e-9
    gain /= scale
    plain = (np.abs(gain) < _ODD) | (np.maximum(low, high) < _SPOILT * np.minimum(low, high))
    signs = [np.sign(gain[~plain])]
    for fit, sign in ((second, 1.0), (first, -1.0)):
        alone = np.isfinite(fit.energy) & ~both
        misfit = (fit.energy > _ODD * noise) & (fit.energy > _UNLIKE * fit.contrast)
        signs.append(np.full(int((alone & fit.clean & misfit).sum()), sign))
    odd = np.concatenate(signs)
    return met._replace(
        net=float(odd.sum()),
        odd=float(len(odd)),
        noise=float(np.clip(gain[plain], -_ODD, _ODD).sum()),
    )


class _OnRaster(NamedTuple):
    """A fit on a larger raster: NaN where it has no block, which is not clean there either."""

    energy: Array
    contrast: Array
    clean: NDArray[np.bool_]


def _on_one_raster(one: Fit, two: Fit) -> tuple[_OnRaster, _OnRaster]:
    """Two fits on the raster that holds both."""
    row, column = min(one.row, two.row), min(one.column, two.column)
    rows, columns = (
        max(getattr(fit, first) + fit.energy.shape[axis] for fit in (one, two)) - least
        for axis, (first, least) in enumerate((("row", row), ("column", column)))
    )

    def spread(fit: Fit) -> _OnRaster:
        energy = np.full((rows, columns), np.nan)
        contrast, clean = np.zeros((rows, columns)), np.zeros((rows, columns), bool)
        height, width = fit.energy.shape
        y, x = fit.row - row, fit.column - column
        part = np.s_[y : y + height, x : x + width]
        energy[part], contrast[part] = fit.energy, fit.contrast
        if fit.clean is not None:
            clean[part] = fit.clean
        return _OnRaster(energy, contrast, clean)

    return spread(one), spread(two)
