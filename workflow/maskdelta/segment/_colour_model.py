"""Colours of the stacks, learnt from swatches, and a look-up table made from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtr

from maskdelta.segment._compiled import compiled

__all__ = [
    "LUMA",
    "ColourModel",
    "ColourTable",
    "fit_colours",
    "fit_spreads",
    "luma_of",
    "spread_of",
]

Array = NDArray[np.float64]
LUMA = np.array([0.299, 0.587, 0.114])
"""Weights of R, G, B in the luma (ITU-R BT.601, as in JPEG files)."""


@dataclass(frozen=True)
class ColourModel:
    """A Gaussian for each stack in sRGB-encoded colour, 0..255.

    Parameters
    ----------
    stacks : tuple of str
    mean : (K, 3) float64
    covariance : (K, 3, 3) float64
    """

    stacks: tuple[str, ...]
    mean: Array
    covariance: Array

    def distance2(self, colour: Array) -> Array:
        """Squared Mahalanobis distance of (n, 3) colours from each stack, (n, K)."""
        # a quadratic form in the colour is linear in its ten monomials: one product of matrices
        inverse = np.linalg.inv(self.covariance)
        middle = self.mean.mean(0)
        mean = self.mean - middle
        pulled = (inverse @ mean[..., None])[..., 0]
        row, column = np.triu_indices(3)
        weights = np.column_stack(
            [
                inverse[:, row, column] * np.where(row == column, 1.0, 2.0),
                -2 * pulled,
                (mean * pulled).sum(1),
            ]
        )
        away = np.asarray(colour) - middle
        terms = np.empty((len(away), 10))
        np.multiply(away[:, row], away[:, column], out=terms[:, :6])
        terms[:, 6:9] = away
        terms[:, 9] = 1.0
        return np.maximum(terms @ weights.T, 0.0)

    def log_likelihood(self, colour: Array) -> Array:
        """Log-likelihood of (n, 3) colours under each stack, (n, K), up to one constant."""
        return self._log_likelihood(self.distance2(colour))

    def _log_likelihood(self, distance2: Array) -> Array:
        return -0.5 * (distance2 + np.linalg.slogdet(self.covariance)[1])

    def table(self) -> ColourTable:
        """The model as a look-up table; made once."""
        return self._table

    @cached_property
    def _table(self) -> ColourTable:
        """The model over 64 levels a channel."""
        grid = np.arange(64) * 4 + 1.5
        colour = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), -1).reshape(-1, 3)
        distance2 = self.distance2(colour)
        likelihood = self._log_likelihood(distance2)
        doubt = likelihood.max(1, keepdims=True) - likelihood
        doubt = np.minimum(doubt, self._most_certain()[likelihood.argmax(1)])
        far = 4 * distance2.min(1)
        return ColourTable(
            self.stacks,
            np.ascontiguousarray(np.minimum(np.rint(10 * doubt), 255).astype(np.uint8).T),
            np.minimum(np.rint(far), 255).astype(np.uint8),
            self._steep(),
            self.mean,
        )

    def separation(self) -> Array:
        """Distance of each pair of means in standard deviations of their mean spread, (K, K)."""
        count = len(self.stacks)
        out = np.zeros((count, count))
        for a in range(count):
            for b in range(count):
                apart = self.mean[a] - self.mean[b]
                mixed = (self.covariance[a] + self.covariance[b]) / 2
                out[a, b] = np.sqrt(apart @ np.linalg.solve(mixed, apart))
        return out

    def widened(
        self,
        colour: Array,
        *,
        cut: float = 12.0,
        rounds: int = 6,
        most: float = 4.0,
        worth_px: float = 300.0,
    ) -> ColourModel:
        """The model with the spread that each stack shows all over the die.

        A few swatches show the colour of a few places; films of uneven thickness vary more from
        place to place. In turn px are given to the likeliest stack and each stack's mean and
        covariance are taken anew from those it holds (hard expectation-maximisation, Celeux &
        Govaert 1992). Directions in which the die shows less than the swatches stay as they are.

        Parameters
        ----------
        colour : (n, 3) float64
            Px from all over the die that lie on no edge, freed from drift.
        cut : float
            Squared distance beyond which a px takes no part: dirt, or a stack without swatches.
        rounds : int
        most : float
            Largest growth of the variance in any direction: without a bound a stack could creep
            over colours that no swatch shows.
        worth_px : float
            How many px the swatches of a stack count for.
        """
        # variance left of a Gaussian that is cut off, by the chi-square distributions
        inside = chdtr(5, cut) / chdtr(3, cut)
        roots = np.linalg.cholesky(self.covariance)
        mean, covariance = self.mean, self.covariance
        for _ in range(rounds):
            distance2 = ColourModel(self.stacks, mean, covariance).distance2(colour)
            likeliest = (distance2 + np.linalg.slogdet(covariance)[1]).argmin(1)
            near = distance2[np.arange(len(colour)), likeliest] < cut
            means, covariances = [], []
            for k, root in enumerate(roots):
                held = colour[near & (likeliest == k)]
                share = len(held) / (len(held) + worth_px)
                if len(held) < 30:
                    means.append(self.mean[k])
                    covariances.append(self.covariance[k])
                    continue
                means.append((1 - share) * self.mean[k] + share * held.mean(0))
                white = np.linalg.solve(root, (held - held.mean(0)).T)
                value, vector = np.linalg.eigh(np.cov(white) / inside)
                value = 1 + share * (np.clip(value, 1, most) - 1)
                covariances.append(root @ (vector * value) @ vector.T @ root.T)
            mean, covariance = np.array(means), np.array(covariances)
        return ColourModel(self.stacks, mean, covariance)

    def _most_certain(self) -> Array:
        """Largest log-likelihood ratio believed between two stacks, (K, K).

        That of a colour two standard deviations beyond the likelier mean: farther out, an
        exposure that is off explains more than the other stack would.
        """
        apart = self.separation()
        return apart**2 / 2 + 2 * apart

    def _steep(self) -> float:
        """Slope above which a px is part of an edge: an eighth of the usual contrast per px."""
        apart = np.linalg.norm(self.mean[:, None] - self.mean[None], axis=2)
        return float(np.median(apart[np.triu_indices(len(self.mean), 1)]) / 8)


@dataclass(frozen=True)
class ColourTable:
    """The colour model as a look-up table over 64 x 64 x 64 colours.

    Parameters
    ----------
    stacks : tuple of str
    doubt : (K, 262144) uint8
        How much less likely each stack is than the likeliest, in tenths of a log unit.
    far : (262144,) uint8
        Squared Mahalanobis distance of the nearest stack, in quarters, at most 255.
    steep : float
        Slope, levels per px, above which a px is part of an edge.
    mean : (K, 3) float64
        Of the stacks, sRGB-encoded, 0..255.
    """

    stacks: tuple[str, ...]
    doubt: NDArray[np.uint8]
    far: NDArray[np.uint8]
    steep: float
    mean: Array

    def index(self, colour: NDArray[np.float32]) -> NDArray[np.intp]:
        """Row of the table for each pixel of an (H, W, 3) picture, 0..255."""
        level = np.clip(colour, 0, 255).astype(np.uint8) >> 2
        red, green, blue = (plane.astype(np.intp) for plane in cv2.split(level))
        return (red << 12) | (green << 6) | blue

    def look_up(
        self, colour: NDArray[np.float32]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
        """What the table says of an (H, W, 3) picture, 0..255.

        Returns
        -------
        doubt : (K, H, W) uint8
        likeliest, far : (H, W) uint8
        """
        shape = colour.shape[:2]
        out = np.empty((len(self.doubt) + 2, *shape), np.uint8)
        flat = np.ascontiguousarray(colour).reshape(-1, 3)
        _look_up(flat, self._rows, out.reshape(len(out), -1))
        return out[:-2], out[-2], out[-1]

    @cached_property
    def _rows(self) -> NDArray[np.uint8]:
        """(262144, K + 2): doubts, likeliest stack and distance of a colour beside one another."""
        return np.ascontiguousarray(np.vstack([self.doubt, self.likeliest, self.far]).T)

    @cached_property
    def likeliest(self) -> NDArray[np.uint8]:
        """(262144,) number of the likeliest stack for each row of the table."""
        return self.doubt.argmin(0).astype(np.uint8)


@compiled
def _look_up(colour: NDArray[np.float32], rows: NDArray[np.uint8], out: NDArray[np.uint8]) -> None:
    """Write the rows of the table for (n, 3) colours into the columns of `out`."""
    at_once = 512
    index = np.empty(at_once, np.int64)
    for start in range(0, len(colour), at_once):
        part = colour[start : start + at_once]
        for n in range(len(part)):
            red, green, blue = part[n]
            index[n] = (_step(red) << 12) | (_step(green) << 6) | _step(blue)
        # plane by plane, while the rows are in the cache
        for k in range(out.shape[0]):
            plane = out[k, start : start + at_once]
            for n in range(len(plane)):
                plane[n] = rows[index[n], k]


@compiled
def _step(level: np.float32) -> int:
    """Which of 64 steps a level 0..255 is on."""
    return int(min(max(level, np.float32(0)), np.float32(255))) >> 2


def fit_colours(
    samples: Sequence[tuple[str, NDArray[np.float64]]],
    *,
    noise_level: float = 2.0,
    brightness_frac: float = 0.03,
    shrink: float = 0.15,
    trim_sigma: float = 3.5,
) -> ColourModel:
    """Fit a Gaussian to the swatches of each stack.

    Parameters
    ----------
    samples : sequence of (stack, (n, 3) float64)
        Pixels of each swatch, sRGB-encoded 0..255.
    noise_level : float
        Standard deviation added to every channel, so that a flat swatch does not claim to know
        its colour better than the table resolves it.
    brightness_frac : float
        Standard deviation of a common factor of all channels: exposure and shading are never
        evened out better than this, so that two stacks which differ in brightness alone, by a
        few hundredths, are not told apart with false certainty.
    shrink : float
        Share of the pooled covariance mixed into each stack's own (regularised discriminant
        analysis, Friedman 1989): few, small swatches do not show all the spread there is.
    trim_sigma : float
        Pixels farther than this from their stack's median are left out once: a person's polygon
        may catch a speck or an edge.

    Returns
    -------
    ColourModel
        Stacks in the order of first appearance. Swatches of one stack weigh alike, whatever
        their size.
    """
    return fit_spreads(
        [(stack, spread_of(pixels, trim_sigma=trim_sigma)) for stack, pixels in samples],
        noise_level=noise_level,
        brightness_frac=brightness_frac,
        shrink=shrink,
    )


@dataclass(frozen=True)
class Spread:
    """Mean colour (3,) and covariance (3, 3) of a swatch."""

    mean: Array
    covariance: Array


def spread_of(pixels: Array, *, trim_sigma: float = 3.5) -> Spread:
    """Spread of the (n, 3) px of a swatch, without those far off."""
    kept = _trimmed(pixels, trim_sigma)
    return Spread(kept.mean(0), np.cov(kept.T) if len(kept) > 3 else np.zeros((3, 3)))


def fit_spreads(
    swatches: Sequence[tuple[str, Spread]],
    *,
    noise_level: float = 2.0,
    brightness_frac: float = 0.03,
    shrink: float = 0.15,
) -> ColourModel:
    """Fit a Gaussian to the swatches of each stack, as `fit_colours` does."""
    stacks = tuple(dict.fromkeys(stack for stack, _ in swatches))
    means, covariances, counts = [], [], []
    for stack in stacks:
        own = [spread for name, spread in swatches if name == stack]
        mean = np.mean([s.mean for s in own], axis=0)
        within = np.mean([s.covariance for s in own], 0)
        between = np.mean([np.outer(d, d) for d in (s.mean - mean for s in own)], 0)
        correction = len(own) / max(len(own) - 1, 1)
        means.append(mean)
        covariances.append(within + between * correction)
        counts.append(len(own))
    pooled = np.average(covariances, axis=0, weights=counts)
    noise = noise_level**2 * np.eye(3)
    mixed = [
        (1 - shrink) * c + shrink * pooled + noise + brightness_frac**2 * np.outer(m, m)
        for c, m in zip(covariances, means, strict=True)
    ]
    return ColourModel(stacks, np.array(means), np.array(mixed))


def _trimmed(pixels: Array, sigma: float) -> Array:
    if len(pixels) < 8:
        return pixels
    middle = np.median(pixels, 0)
    spread = 1.4826 * np.median(np.abs(pixels - middle), 0) + 1.0
    kept = (np.abs(pixels - middle) < sigma * spread).all(1)
    return pixels[kept] if kept.sum() >= len(pixels) // 2 else pixels


def luma_of(colour: NDArray[np.float32]) -> NDArray[np.float32]:
    """(H, W) luma of an (H, W, 3) picture."""
    return np.asarray(cv2.transform(colour, LUMA[None].astype(np.float32)))
