"""Pairs of tiles as edges of a graph, each with the shifts that it may have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._graph import Links, residuals, solve_links
from maskdelta.stitch._hypothesis import Hypothesis, Lag, lag_behind

__all__ = ["Choice", "Edge", "links_of", "settle"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Choice:
    """One shift that a pair may have.

    Attributes
    ----------
    shift : (2,) float64
    sd_px, score : float
    lag : Lag
        Behind the pair's best shift.
    unfit : bool
        The pair was asked about this shift, and does not fit there.
    weak : int
        Odd blocks that a low correlation stands for; the lag holds them.
    seen : Hypothesis or None
        What was measured there.
    """

    shift: Array
    sd_px: float
    score: float
    lag: Lag = field(default_factory=Lag)
    unfit: bool = False
    weak: int = 0
    seen: Hypothesis | None = None

    def before(self, other: Choice) -> Lag:
        """By how much another choice of the same pair lags behind this one.

        Both are held against each other, not each against the pair's best: what both lack against
        that says nothing between them.
        """
        if self.seen is None or other.seen is None:
            return other.lag.beyond(self.lag)
        lag = lag_behind(self.seen, other.seen)
        weak = other.weak - self.weak
        return lag._replace(net=lag.net + weak, odd=lag.odd + abs(weak))

    @property
    def given_up(self) -> bool:
        """Whether this shift is out of the question by this pair alone."""
        return self.unfit or self.lag.is_clear(strict=True)


@dataclass(frozen=True)
class Edge:
    """A trusted pair (tiles by number) and its possible shifts, best first.

    `sure` says that there is but one choice and nothing that speaks for more; `small` that the
    overlap is too small to prove a place alone; `periodic` that it shows a pattern that repeats, of
    which only the shifts next to the best were tried.
    """

    a: int
    b: int
    choices: tuple[Choice, ...]
    sure: bool
    small: bool = False
    periodic: bool = False


def links_of(chosen: Sequence[tuple[Edge, Choice]]) -> Links:
    """Links with one choice for each edge."""
    return Links(
        np.array([e.a for e, _ in chosen], int),
        np.array([e.b for e, _ in chosen], int),
        np.array([c.shift for _, c in chosen], float).reshape(-1, 2),
        np.array([1 / c.sd_px**2 for _, c in chosen], float),
    )


def settle(links: Links, centres: Array, held: NDArray[np.bool_], *, inlier_px: float) -> Array:
    """One weighted solve with Tukey's weights of the distances at `centres`."""
    distance = residuals(links, centres)
    tukey = np.clip(1 - (distance / (2 * inlier_px)) ** 2, 0, 1) ** 2
    return solve_links(links, centres, held, links.weight * tukey)
