"""Colours of the stacks, learnt from swatches, and a look-up table made from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ColourModel", "ColourTable", "fit_colours"]

Array = NDArray[np.float64]


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
        out = np.empty((len(colour), len(self.stacks)))
        for k, (mean, cov) in enumerate(zip(self.mean, self.covariance, strict=True)):
            root = np.linalg.cholesky(np.linalg.inv(cov))
            out[:, k] = (((colour - mean) @ root) ** 2).sum(1)
        return out

    def log_likelihood(self, colour: Array) -> Array:
        """Log-likelihood of (n, 3) colours under each stack, (n, K), up to one constant."""
        _, logdet = np.linalg.slogdet(self.covariance)
        return -0.5 * (self.distance2(colour) + logdet)

    def table(self, *, unknown_sigma: float) -> ColourTable:
        """Tabulate the model over 64 levels a channel."""
        grid = np.arange(64) * 4 + 1.5
        colour = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), -1).reshape(-1, 3)
        likelihood = self.log_likelihood(colour)
        doubt = 10 * (likelihood.max(1, keepdims=True) - likelihood)
        far = self.distance2(colour).min(1) > unknown_sigma**2
        return ColourTable(
            self.stacks, np.minimum(np.rint(doubt), 255).astype(np.uint8), far.astype(np.uint8)
        )


@dataclass(frozen=True)
class ColourTable:
    """The colour model as a look-up table over 64 x 64 x 64 colours.

    Parameters
    ----------
    stacks : tuple of str
    doubt : (262144, K) uint8
        How much less likely each stack is than the likeliest, in tenths of a log unit.
    unknown : (262144,) uint8
        1 where the colour is far from every stack.
    """

    stacks: tuple[str, ...]
    doubt: NDArray[np.uint8]
    unknown: NDArray[np.uint8]

    def index(self, colour: NDArray[np.float32]) -> NDArray[np.int32]:
        """Row of the table for each pixel of an (H, W, 3) picture, 0..255."""
        level = (np.clip(colour, 0, 255).astype(np.uint8) >> 2).astype(np.int32)
        return (level[..., 0] << 12) | (level[..., 1] << 6) | level[..., 2]


def fit_colours(
    samples: Sequence[tuple[str, NDArray[np.float64]]],
    *,
    noise_level: float = 2.0,
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
    stacks = tuple(dict.fromkeys(stack for stack, _ in samples))
    means, covariances, counts = [], [], []
    for stack in stacks:
        swatches = [_trimmed(p, trim_sigma) for name, p in samples if name == stack]
        mean = np.mean([p.mean(0) for p in swatches], axis=0)
        within = np.mean([np.cov(p.T) if len(p) > 3 else np.zeros((3, 3)) for p in swatches], 0)
        between = np.mean([np.outer(d, d) for d in (p.mean(0) - mean for p in swatches)], 0)
        correction = len(swatches) / max(len(swatches) - 1, 1)
        means.append(mean)
        covariances.append(within + between * correction)
        counts.append(len(swatches))
    pooled = np.average(covariances, axis=0, weights=counts)
    mixed = [(1 - shrink) * c + shrink * pooled + noise_level**2 * np.eye(3) for c in covariances]
    return ColourModel(stacks, np.array(means), np.array(mixed))


def _trimmed(pixels: Array, sigma: float) -> Array:
    if len(pixels) < 8:
        return pixels
    middle = np.median(pixels, 0)
    spread = 1.4826 * np.median(np.abs(pixels - middle), 0) + 1.0
    kept = (np.abs(pixels - middle) < sigma * spread).all(1)
    return pixels[kept] if kept.sum() >= len(pixels) // 2 else pixels
