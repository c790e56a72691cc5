"""All pairs of a view measured at full resolution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import BoundedCache, map_ordered
from maskdelta.stitch._hypothesis import Hypothesis, lag_behind
from maskdelta.stitch._lens import Lens
from maskdelta.stitch._measure import compare_at, found_unfit, measure_near, measure_pair
from maskdelta.stitch._odd import OddPair
from maskdelta.stitch._overlap import Overlap
from maskdelta.stitch._refine import refine
from maskdelta.stitch._sensor import Sensor
from maskdelta.stitch._spline import load_spline, straightening
from maskdelta.survey import FlatField

__all__ = ["Measured", "Measurer", "parse_candidates"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass
class Measured:
    """Pairs of a view, measured, judged and freed of the lens.

    Attributes
    ----------
    pairs : list of (int, int)
    hypotheses : list of list of Hypothesis
        Best first; empty where nothing could be measured.
    trusted : (m,) bool
    typical : float
        Correlation that a good overlap of this view reaches.
    least : float
        Correlation below which a pair is not trusted.
    lens : Lens
        Radial term of the view.
    bend : float
        What of it the measured tiles still had, and was taken out of their patches.
    """

    pairs: list[tuple[int, int]]
    hypotheses: list[list[Hypothesis]]
    trusted: NDArray[np.bool_]
    typical: float
    least: float
    lens: Lens
    bend: float


class Measurer:
    """Measures pairs of tiles; decoded tiles are kept in a bounded cache.

    Parameters
    ----------
    paths : sequence of str
        Tiles by number.
    shapes : sequence of (int, int)
        Height and width of each.
    flat_field : FlatField
    reach_px : int
        How far a coarse shift may be off.
    lens : float
        Radial term to straighten the tiles by.
    every : {1, 2}
        Px from one sample of the tiles to the next.
    threads : int

    Attributes
    ----------
    sensor : Sensor or None
        What is known of it; set once pairs were measured.
    """

    def __init__(
        self,
        paths: Sequence[str],
        shapes: Sequence[tuple[int, int]],
        flat_field: FlatField,
        *,
        reach_px: int,
        lens: float,
        every: int,
        threads: int,
    ) -> None:
        maps: BoundedCache[tuple[int, int], tuple[Image, Image]] = BoundedCache(
            lambda shape: straightening(shape, lens, every=every), budget_bytes=96 * 2**20
        )

        def load(k: int) -> Image:
            straighten = maps.get(shapes[k]) if lens else None
            return load_spline(paths[k], flat_field, straighten=straighten, every=every)

        def odd_pair(key: tuple[Any, ...]) -> OddPair:
            a, b, shift, *steps = key
            return OddPair(self._overlap(a, b), np.array(shift), [np.array(step) for step in steps])

        self._tiles: BoundedCache[int, Image] = BoundedCache(load, budget_bytes=256 * 2**20)
        self._odd: BoundedCache[tuple[Any, ...], OddPair] = BoundedCache(
            odd_pair, budget_bytes=64 * 2**20
        )
        self._reach = reach_px
        self._every = every
        self._threads = threads
        self.sensor: Sensor | None = None

    def _overlap(self, a: int, b: int) -> Overlap:
        return Overlap(self._tiles.get(a), self._tiles.get(b), every=self._every)

    def measure(self, pairs: Sequence[tuple[int, int, Sequence[Array]]]) -> list[list[Hypothesis]]:
        """Hypotheses of each pair (a, b, candidate shifts), best first."""
        return list(map_ordered(self._one, pairs, threads=self._threads))

    def _one(self, pair: tuple[int, int, Sequence[Array]]) -> list[Hypothesis]:
        a, b, candidates = pair
        tiles = self._tiles.get(a), self._tiles.get(b)
        return measure_pair(*tiles, candidates, reach_px=self._reach, every=self._every)

    def probe(
        self, questions: Sequence[tuple[int, int, Array, Hypothesis | None]]
    ) -> list[Hypothesis | None]:
        """For each (a, b, shift, best) the shift near a given one, measured.

        Its lag is that behind `best`; without patches it does not fit there. None where nothing can
        be told.
        """
        return list(map_ordered(self._probe_one, questions, threads=self._threads))

    def _probe_one(self, question: tuple[int, int, Array, Hypothesis | None]) -> Hypothesis | None:
        a, b, shift, best = question
        overlap = self._overlap(a, b)
        found = measure_near(overlap, shift)
        if best is None:
            return found
        if found is None or np.abs(found.shift - shift).max() > 4:
            found = found_unfit(overlap, shift)
            if found is None:
                return None
            found = self._without_stains(found)
            return replace(found, lag=lag_behind(replace(best, met=0.0), found))
        found = self._without_stains(found)
        if best.steps:
            odd = self._odd.get((a, b, *(tuple(v.tolist()) for v in (best.shift, *best.steps))))
            found = replace(found, met=odd.matched(found.shift))
        return replace(found, lag=lag_behind(best, found))

    def _without_stains(self, found: Hypothesis) -> Hypothesis:
        return found if self.sensor is None else self.sensor.without_stains(found)

    def compare(self, questions: Sequence[tuple[int, int, Array]]) -> list[tuple[float, float]]:
        """For each (a, b, shift) the correlation of the overlap and the strength of its detail."""

        def one(question: tuple[int, int, Array]) -> tuple[float, float]:
            a, b, shift = question
            return compare_at(self._overlap(a, b), shift)

        return list(map_ordered(one, questions, threads=self._threads))

    def finish(self, pairs: Sequence[tuple[int, int, Hypothesis]]) -> list[Hypothesis]:
        """Measure shifts (a, b, hypothesis) once more on all patches."""

        def one(pair: tuple[int, int, Hypothesis]) -> Hypothesis:
            a, b, known = pair
            return refine(self._overlap(a, b), known.shift) or known

        return list(map_ordered(one, pairs, threads=self._threads))


def parse_candidates(row: Mapping[str, Any]) -> list[Array]:
    """Shifts of a row of the table `neighbours`."""
    parts = [part.split() for part in row["candidates"].split(";") if part]
    return [np.array([float(part[0]), float(part[1])]) for part in parts]
