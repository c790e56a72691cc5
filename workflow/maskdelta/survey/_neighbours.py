"""Which tiles overlap, and by how much, found on the small pictures."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.images import BoundedCache, map_ordered
from maskdelta.survey._correlate import (
    Peak,
    Spectrum,
    Window,
    find_peaks,
    padded_shape,
    spectrum_of,
)
from maskdelta.survey._look import Look
from maskdelta.survey._places import Places

__all__ = ["Neighbour", "Pairing", "fit_linear", "pair_up"]

Array = NDArray[np.float64]
CONFIDENT = 0.45
"""Lower bound of the correlation above which a coarse shift teaches the step of the stage."""


@dataclass(frozen=True)
class Neighbour:
    """A pair of tiles (by number) with the coarse shifts of their centres, best first.

    `shifts` is (k, 2) in px of full resolution, `scores` is (k,); both are empty when nothing
    fits.
    """

    a: int
    b: int
    shifts: Array
    scores: Array
    bound: float
    rival: float

    @property
    def confident(self) -> bool:
        """Whether this correlation is far above chance."""
        return self.bound >= CONFIDENT

    @property
    def stands_alone(self) -> bool:
        """Whether it fits at one shift and nearly as well nowhere else."""
        return self.confident and len(self.shifts) == 1 and self.rival < 0.9


@dataclass(frozen=True)
class Pairing:
    """All pairs tried, and the px per unit of the stage learned from them."""

    neighbours: tuple[Neighbour, ...]
    linear: Array | None


class _Matcher:
    """Correlates pairs of tiles, each in its own search box."""

    def __init__(self, looks: Sequence[Look], min_overlap_frac: float, threads: int) -> None:
        self._looks = looks
        self._least = min_overlap_frac
        self._threads = threads
        padded = padded_shape([look.stored_detail.shape for look in looks])
        self._spectra: BoundedCache[int, Spectrum] = BoundedCache(
            lambda k: spectrum_of(looks[k].detail, padded), budget_bytes=96 * 2**20
        )

    def match(
        self, pairs: Sequence[tuple[int, int]], centres: Array | None, reach_px: Array
    ) -> list[Neighbour]:
        """Measure pairs; `centres` are expected shifts (n, 2) or None for a search of all."""
        jobs = [(p, None if centres is None else centres[k]) for k, p in enumerate(pairs)]
        return list(map_ordered(lambda job: self._one(*job, reach_px), jobs, threads=self._threads))

    def _one(self, pair: tuple[int, int], centre: Array | None, reach_px: Array) -> Neighbour:
        a, b = pair
        small = self._looks[a].reduction
        half = (self._size(a) - self._size(b)) / 2
        if centre is None:
            (hb, wb), (ha, wa) = (self._looks[k].stored_detail.shape for k in (b, a))
            window = Window(1 - wb, 1 - hb, wa - 1, ha - 1)
        else:
            low = np.floor((centre + half - reach_px) / small).astype(int)
            high = np.ceil((centre + half + reach_px) / small).astype(int)
            window = Window(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
        peaks, rival = find_peaks(
            self._spectra.get(a), self._spectra.get(b), window, min_overlap_frac=self._least
        )
        return _neighbour(a, b, peaks, rival, half, small)

    def _size(self, k: int) -> Array:
        return np.array([self._looks[k].width_px, self._looks[k].height_px], float)


def _neighbour(
    a: int, b: int, peaks: list[Peak], rival: float, half: Array, small: int
) -> Neighbour:
    shifts = np.array([[p.x, p.y] for p in peaks]).reshape(-1, 2) * small - half
    scores = np.array([p.score for p in peaks])
    return Neighbour(a, b, shifts, scores, peaks[0].bound if peaks else -1.0, rival)


def pair_up(
    looks: Sequence[Look],
    places: Places,
    *,
    min_overlap_frac: float,
    search_frac: float,
    threads: int,
    most_unplaced: int = 60,
) -> Pairing:
    """Find the neighbours of all tiles.

    With nominal places the nearest pairs are measured first, in a box wide enough for a nominal
    overlap that is wrong by half; they teach the true step (a 2 x 2 map of stage units to px), and
    then every pair that should overlap is measured around its predicted shift. Without places
    every pair is searched over all shifts.
    """
    matcher = _Matcher(looks, min_overlap_frac, threads)
    if len(looks) == 1:
        return Pairing((), places.linear)
    if places.units is None:
        if len(looks) > most_unplaced:
            raise StitchError(
                f"{len(looks)} tiles without a grid or positions would need "
                f"{len(looks) * (len(looks) - 1) // 2} comparisons; give `grid` or `positions` "
                f"(up to {most_unplaced} tiles are placed without)."
            )
        pairs = list(itertools.combinations(range(len(looks)), 2))
        return Pairing(tuple(matcher.match(pairs, None, np.zeros(2))), None)
    longest = max(max(look.width_px, look.height_px) for look in looks)
    first = _first_pairs(places.units, 1.3 if places.linear is not None else 1.8)
    expected = None if places.linear is None else _steps(places.units, first) @ places.linear.T
    reach = search_frac * longest + places.slack_px
    measured = matcher.match(first, expected, reach)
    linear = fit_linear(measured, places.units, places.linear)
    if linear is None:
        raise StitchError(
            "no pair of tiles that should be neighbours correlates; check that the positions or "
            "the grid belong to these tiles."
        )
    wanted = _overlapping(looks, places.units, linear, min_overlap_frac / 2)
    predicted = _steps(places.units, wanted) @ linear.T
    near = np.full(2, search_frac * longest)
    known = {(pair.a, pair.b): pair for pair in measured if pair.stands_alone}
    again = []
    for k, (pair, shift) in enumerate(zip(wanted, predicted, strict=True)):
        if pair in known and (np.abs(known[pair].shifts[0] - shift) < near).all():
            continue  # a narrower search would find the same
        again.append(k)
        known.pop(pair, None)
    found = matcher.match([wanted[k] for k in again], predicted[again], near)
    known |= {(pair.a, pair.b): pair for pair in found}
    return Pairing(tuple(known[pair] for pair in wanted), linear)


def _steps(units: Array, pairs: Sequence[tuple[int, int]]) -> Array:
    index = np.array(pairs, int).reshape(-1, 2)
    return units[index[:, 1]] - units[index[:, 0]]


def _first_pairs(units: Array, reach: float) -> list[tuple[int, int]]:
    """Each tile with its four nearest ones, not farther than `reach` of its nearest distance."""
    pairs: set[tuple[int, int]] = set()
    for k, place in enumerate(units):
        distance = np.hypot(*(units - place).T)
        distance[distance == 0] = np.inf  # itself, and retakes of the same place
        nearest = np.argsort(distance, kind="stable")[:4]
        limit = reach * np.median(distance[nearest[:2]])
        near = [int(j) for j in nearest if distance[j] <= limit and np.isfinite(distance[j])]
        pairs |= {(min(k, j), max(k, j)) for j in near}
    return sorted(pairs)


def fit_linear(measured: Sequence[Neighbour], units: Array, fallback: Array | None) -> Array | None:
    """Robust 2 x 2 map of stage steps to px from confident pairs (least absolute residuals).

    Pairs that fit nearly as well elsewhere (arrays) are used only where fewer than three others
    are left. With steps along one direction only, the other column comes from `fallback`, or from a
    turn by 90 degrees where there is none. Without any confident pair it is `fallback`.
    """
    confident = [pair for pair in measured if pair.confident]
    clear = [pair for pair in confident if pair.rival < 0.9]
    sure = clear if len(clear) >= 3 else confident
    if not sure:
        return fallback
    steps = _steps(units, [(pair.a, pair.b) for pair in sure])
    shifts = np.array([pair.shifts[0] for pair in sure])
    prior = fallback
    if prior is None:
        prior = _similarity(steps, shifts)
    weight = np.ones(len(sure))
    linear = prior
    small = 1e-3 * np.mean((steps**2).sum(1))
    for _ in range(30):
        root = weight[:, None]
        normal = (steps * root).T @ steps + small * np.eye(2)
        right = (steps * root).T @ shifts + small * prior.T
        linear = np.linalg.solve(normal, right).T
        residual = np.hypot(*(shifts - steps @ linear.T).T)
        weight = 1 / np.maximum(residual, 2.0)
        weight /= weight.mean()
    return linear


def _similarity(steps: Array, shifts: Array) -> Array:
    """Median complex ratio of shifts to steps: turn and scale."""
    ratio = (shifts @ [1, 1j]) / (steps @ [1, 1j])
    a, b = float(np.median(ratio.real)), float(np.median(ratio.imag))
    return np.array([[a, -b], [b, a]])


def _overlapping(
    looks: Sequence[Look], units: Array, linear: Array, least_frac: float
) -> list[tuple[int, int]]:
    """Pairs whose predicted boxes overlap by at least a share of the tile's area."""
    centres = units @ linear.T
    sizes = np.array([[look.width_px, look.height_px] for look in looks], float)
    pairs = []
    for a in range(len(looks)):
        side = np.minimum(sizes[a], sizes) - np.maximum(
            np.abs(centres - centres[a]) - np.abs(sizes - sizes[a]) / 2, 0
        )
        # stage error may hide half of a thin overlap, so corners count from a lower share
        share = np.prod(np.maximum(side, 0), axis=1) / np.prod(np.minimum(sizes[a], sizes), axis=1)
        close = (side.min(1) > 0) & (share >= least_frac / 2)
        pairs += [(a, int(b)) for b in np.flatnonzero(close) if b > a]
    return pairs
