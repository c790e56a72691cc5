"""The shift of two overlapping tiles, for every shift worth trying."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._hypothesis import Hypothesis, lag_behind
from maskdelta.stitch._odd import OddPair
from maskdelta.stitch._overlap import Overlap
from maskdelta.stitch._refine import refine, refine_roughly
from maskdelta.stitch._repeats import find_repeats

__all__ = ["compare_at", "found_unfit", "measure_near", "measure_pair"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]


def measure_pair(
    a: Image,
    b: Image,
    candidates: Sequence[Array],
    *,
    reach_px: int,
    every: int = 1,
    keep_frac: float = 0.85,
) -> list[Hypothesis]:
    """Measure every candidate and keep those that cannot be told apart from the best.

    Parameters
    ----------
    a, b : (H, W) float32
        Spline coefficients of the tiles.
    candidates : sequence of (2,) float64
        Shifts of the centres, px.
    reach_px : int
        How far a candidate may be off.
    every : {1, 2}
        Px from one sample of the splines to the next.
    keep_frac : float
        Candidates below this share of the best score are dropped at once.

    Returns
    -------
    list of Hypothesis
        Best first; empty when nothing could be measured.
    """
    overlap = Overlap(a, b, every=every)
    rough: list[Hypothesis] = []
    for shift in candidates:
        # where one fits well, patches of another need not be measured that hardly correlate
        good = max((h.score for h in rough if h.agree == 1.0), default=0.0)
        least = max(0.25, 0.6 * good)
        more = refine_roughly(overlap, shift, reach=reach_px, least_score=least, whole=good < 0.5)
        rough += [more] if more is not None else []
    found: list[Hypothesis] = []
    for one in sorted(rough, key=lambda h: -h.score):
        near = any(np.abs(one.shift - other.shift).max() <= 2 for other in found)
        least = keep_frac * found[0].score if found else 0.0
        if not near and one.score > 0 and one.score >= least:
            found.append(one)
    if not found:
        return []
    pitches = _pitches(overlap, found[0].shift, 0.85 * found[0].score)
    if len(found) == 1 and not pitches:
        only = refine(overlap, found[0].shift)
        return [] if only is None else [only]
    return _tell_apart(overlap, found, pitches)


def measure_near(overlap: Overlap, shift: Array, *, reach_px: int = 3) -> Hypothesis | None:
    """Measure one shift roughly, whether or not it is a good one."""
    return refine_roughly(overlap, shift, reach=reach_px)


def found_unfit(overlap: Overlap, shift: Array) -> Hypothesis | None:
    """A shift at which nothing could be measured, as far as the overlap shows enough to tell.

    Where an overlap shows much and fits nowhere near a shift, that speaks against the shift as
    loudly as a bad fit does.
    """
    box = overlap.box(shift, 2 * overlap.stride)
    fit = overlap.fit(shift, box)
    none = np.zeros((0, 2))
    if fit is None:
        return None
    extent = (box.width * overlap.every, box.height * overlap.every)
    found = Hypothesis(
        shift,
        float("inf"),
        max(fit.score, 0.0),
        none,
        none,
        none,
        none[:, 0],
        none,
        extent,
        fit=fit,
    )
    return None if found.is_small() else found


def compare_at(overlap: Overlap, shift: Array, *, reach_px: int = 3) -> tuple[float, float]:
    """Correlation of the overlap at a shift good to a few px, and strength of its detail in a."""
    found = refine_roughly(overlap, shift, reach=reach_px, least_score=0.0)
    box = overlap.box(shift, reach_px + 4)
    if min(box.width, box.height) < 8:
        return 0.0, 0.0
    return (found.score if found is not None else 0.0), overlap.template(box)[1]


def _pitches(overlap: Overlap, shift: Array, least_score: float) -> list[Array]:
    """Steps at which what the overlap shows repeats itself.

    Noise lowers the correlation with itself as much as that with the other tile.
    """
    box = overlap.box(shift, 3)
    if min(box.width, box.height) * overlap.every < 16:
        return []
    values, _ = overlap.template(box)
    return find_repeats(values, every=overlap.every, least_score=least_score)


def _tell_apart(
    overlap: Overlap, found: list[Hypothesis], pitches: Sequence[Array]
) -> list[Hypothesis]:
    """The best shift first, then those that this pair alone cannot rule out.

    Over a pattern that repeats, the shifts one pitch away are measured as well. Where one of them
    cannot be (the tiles would hardly overlap there), the best shift is marked `repeats`: that it
    has no rival means nothing.
    """
    fine, best, unseen = list(found), found[0], False
    for _ in range(2):
        for other in fine:
            if other is not best and lag_behind(best, other).worth < 0:
                best = other
        unseen = False
        for step in (sign * pitch for pitch in pitches for sign in (1.0, -1.0)):
            if any(np.abs(h.shift - best.shift - step).max() <= 3 for h in fine):
                continue
            more = refine_roughly(overlap, best.shift + step, reach=2, least_px=24)
            if more is None:
                unseen = True
            else:
                fine.append(more)
    rest = _not_ruled_out(best, fine)
    if rest and pitches:
        best, fine = _with_odd_parts(overlap, best, [best, *rest], pitches)
        rest = _not_ruled_out(best, fine)
    if not rest and not unseen:
        best = refine(overlap, best.shift) or best
    return [replace(best, repeats=unseen, periodic=bool(pitches)), *rest]


def _not_ruled_out(best: Hypothesis, fine: Sequence[Hypothesis]) -> list[Hypothesis]:
    """The other shifts that this pair alone cannot give up, each with its lag."""
    lags = [(h, lag_behind(best, h)) for h in fine if h is not best]
    return [replace(h, lag=lag) for h, lag in lags if not lag.is_clear(strict=True)]


def _with_odd_parts(
    overlap: Overlap, best: Hypothesis, fine: Sequence[Hypothesis], pitches: Sequence[Array]
) -> tuple[Hypothesis, list[Hypothesis]]:
    """The shifts with what both tiles show of odd things at each; the best one by that as well."""
    steps = tuple(_exact_pitch(step, best, fine) for step in pitches)
    odd = OddPair(overlap, best.shift, steps)
    known = [replace(h, steps=steps, met=odd.matched(h.shift)) for h in fine]
    first = known[next(k for k, h in enumerate(fine) if h is best)]
    for other in known:
        if other is not first and lag_behind(first, other).worth < 0:
            first = other
    return first, known


def _exact_pitch(
    step: Array, best: Hypothesis, fine: Sequence[Hypothesis], *, near_px: float = 2.0
) -> Array:
    """A pitch known to a px, from the shifts that lie one pitch from the best one."""
    found = [
        sign * (h.shift - best.shift)
        for h in fine
        for sign in (1.0, -1.0)
        if np.abs(sign * (h.shift - best.shift) - step).max() <= near_px
    ]
    return np.mean(found, axis=0) if found else step
