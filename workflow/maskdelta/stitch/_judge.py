"""Which measured pairs are trusted, how far, and what they say about the lens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._edges import Choice
from maskdelta.stitch._hypothesis import Hypothesis, Lag, lag_behind
from maskdelta.stitch._lens import Lens, estimate_lens, without_lens
from maskdelta.stitch._pairs import Measured, Measurer
from maskdelta.stitch._sensor import Sensor, look_at_sensor
from maskdelta.stitch._tiles import Tiles
from maskdelta.study import StitchSettings
from maskdelta.survey import Survey

__all__ = ["choice_of", "is_sure", "leave_out_stains", "measure_all"]

Array = NDArray[np.float64]
_GOOD = 0.85
"""Share of the typical correlation from which an overlap counts as good."""


def measure_all(
    tiles: Tiles,
    jobs: Sequence[tuple[int, int, list[Array]]],
    survey: Survey,
    settings: StitchSettings,
    threads: int,
    *,
    small_px: float = 1.0,
    few: int = 8,
) -> tuple[Measurer, Measured]:
    """Measure all pairs, on straightened tiles where the lens is strong.

    A `few` pairs with a single candidate come first, and tell about the lens: from the middle of
    the list, so that they share their tiles. Below `small_px` at
    the corner of a tile it is taken out of the shifts of the patches alone; above, it also bends
    the patches themselves, and tiles are straightened before all pairs are measured.
    """

    def measurer(lens: float) -> Measurer:
        return Measurer(
            tiles.paths,
            [(int(height), int(width)) for width, height in tiles.sizes],
            survey.flat_field,
            reach_px=tiles.reduction + 2,
            lens=lens,
            every=_sampling(tiles),
            threads=threads,
        )

    strong = abs(tiles.lens) * tiles.half_diagonal_px > small_px
    if tiles.held.any() or not settings.lens:
        straightened = tiles.lens if strong else 0.0
        plain = measurer(straightened)
        return plain, _judge(tiles, jobs, plain.measure(jobs), settings, straightened)
    plain = measurer(0.0)
    single = [k for k, job in enumerate(jobs) if len(job[2]) == 1]
    first = single[max(0, (len(single) - few) // 2) :][:few]
    raw: list[list[Hypothesis]] = [[] for _ in jobs]
    for k, found in zip(first, plain.measure([jobs[k] for k in first]), strict=True):
        raw[k] = found
    some = _judge(tiles, [jobs[k] for k in first], [raw[k] for k in first], settings, 0.0)
    if abs(some.bend) * tiles.half_diagonal_px <= small_px:
        later = sorted(set(range(len(jobs))) - set(first))
        for k, found in zip(later, plain.measure([jobs[k] for k in later]), strict=True):
            raw[k] = found
        some = _judge(tiles, jobs, raw, settings, 0.0)
        if abs(some.bend) * tiles.half_diagonal_px <= small_px:
            return plain, some
    del plain  # and the tiles that it holds
    straight = measurer(some.lens.term)
    raw = straight.measure(jobs)
    return straight, _judge(tiles, jobs, raw, settings, some.lens.term)


def _sampling(tiles: Tiles, *, large_px: int = 1000) -> int:
    """Px between the samples of the tiles on which pairs are measured.

    Tiles are smoothed before, so that every second px says all; small tiles are taken whole, since
    every px of the rim is wanted there. Halves of odd and even sizes have their middles half a px
    apart, so that all tiles must be alike in this.
    """
    alike = (tiles.sizes % 2 == tiles.sizes[0] % 2).all()
    return 2 if alike and np.median(tiles.sizes.max(1)) >= large_px else 1


def _judge(
    tiles: Tiles,
    jobs: Sequence[tuple[int, int, Sequence[Array]]],
    raw: list[list[Hypothesis]],
    settings: StitchSettings,
    straightened: float,
) -> Measured:
    """Which pairs are trusted, and the lens term that their patches ask for.

    A true overlap correlates about as well as the other overlaps of the view, for which each
    tile's best pair stands. Half of that is asked for, since tiles of another chip in the same
    style reach about a third by chance, and the patches of the overlap must agree; without nominal
    places it is three quarters, since then every shift had its chance.
    """
    scores = np.array([found[0].score if found else 0.0 for found in raw])
    best = np.zeros(len(tiles.names))
    for (a, b, _), score in zip(jobs, scores, strict=True):
        best[[a, b]] = np.maximum(best[[a, b]], score)
    typical = float(np.median(best[best >= 0.5])) if (best >= 0.5).any() else 0.5
    least = max(settings.min_score, typical * (0.5 if tiles.nominal is not None else 0.75))
    trusted = scores >= least
    trusted &= np.array([bool(found) and _borne_out(found[0], typical) for found in raw], bool)
    lens = Lens(tiles.lens - straightened, 0.0)
    if settings.lens and not tiles.held.any():
        clear = [
            found[0] for found, good in zip(raw, trusted, strict=True) if good and len(found) == 1
        ]
        known = straightened != 0
        lens = estimate_lens(clear, tiles.half_diagonal_px, significant=0.0 if known else 5.0)
    half = tiles.half_diagonal_px
    freed = [[without_lens(h, lens.term, half) for h in found] for found in raw]
    whole = Lens(round(lens.term + straightened, 7), lens.sd)
    return Measured([(a, b) for a, b, _ in jobs], freed, trusted, typical, least, whole, lens.term)


def leave_out_stains(
    tiles: Tiles, measured: Measured, measurer: Measurer, *, block_px: int = 16
) -> None:
    """Find what the sensor shows by itself, and compare the shifts of each pair without it."""
    alike = bool((tiles.sizes == tiles.sizes[0]).all())
    width, height = (-(-int(side) // block_px) if alike else 0 for side in tiles.sizes[0])
    best = [
        found[0] for found, good in zip(measured.hypotheses, measured.trusted, strict=True) if good
    ]
    measurer.sensor = look_at_sensor(best, (height, width))
    measured.hypotheses = [_compared_again(found, measurer.sensor) for found in measured.hypotheses]


def _compared_again(found: list[Hypothesis], sensor: Sensor) -> list[Hypothesis]:
    freed = [sensor.without_stains(h) for h in found]
    if len(freed) < 2:
        return freed
    best = freed[0]
    for other in freed[1:]:
        if lag_behind(best, other).worth < 0:
            best = other
    others = [replace(h, lag=lag_behind(best, h)) for h in freed if h is not best]
    first = replace(best, lag=Lag(), repeats=found[0].repeats, periodic=found[0].periodic)
    return [first, *others]


def _borne_out(best: Hypothesis, typical: float) -> bool:
    """Whether the patches of an overlap agree; a small overlap must correlate the better for it."""
    if best.is_small():
        return best.score >= _GOOD * typical
    return best.score >= 0.7 if best.agree is None else best.agree >= 0.6


def is_sure(found: Sequence[Hypothesis], typical: float) -> bool:
    """Whether a pair alone says where its tiles lie."""
    best = found[0]
    alone = len(found) == 1 and not best.repeats
    return alone and not best.is_small() and best.score >= _GOOD * typical


def choice_of(hypothesis: Hypothesis, typical: float) -> Choice:
    """A choice for the graph; a correlation far below the others' speaks against it."""
    weak = round(12 * max(0.0, _GOOD - hypothesis.score / typical))
    lag = hypothesis.lag._replace(net=hypothesis.lag.net + weak, odd=hypothesis.lag.odd + weak)
    return Choice(
        hypothesis.shift,
        hypothesis.sd_px,
        hypothesis.score,
        lag,
        unfit=not len(hypothesis.shifts),
        weak=weak,
        seen=hypothesis,
    )
