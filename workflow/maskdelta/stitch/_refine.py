"""The shift of two overlapping tiles to a fraction of a px, near a known one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.stitch._hypothesis import Hypothesis, median
from maskdelta.stitch._overlap import Overlap

__all__ = ["combine", "refine", "refine_roughly"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Patch:
    """A patch measured alone; `shift` is None where it could not be."""

    box: Box
    strength: float
    shift: Array | None = None
    sd: float = 0.0


def refine(
    overlap: Overlap,
    shift: Array,
    *,
    side: int = 176,
    most: int = 8,
    search: int = 4,
) -> Hypothesis | None:
    """Measure patches one by one and take their robust mean.

    Parameters
    ----------
    overlap : Overlap
    shift : (2,) float64
        Centre of b minus centre of a, good to `search` px.
    side : int
        Longest side of a patch.
    most : int
        Most patches.
    search : int
        How far the shift of a patch may lie from that of the pair: the lens bends it.
    """
    search, box = overlap.roomy_box(shift, search)
    every = overlap.every
    if min(box.width, box.height) * every < 8:
        return None
    parts = _patches(box, side // every, 48 // every, most)
    tried = [_measure(overlap, part, shift, search) for part in parts]
    if all(patch.shift is None for patch in tried):
        tried = [_measure(overlap, box, shift, min(search, 2))]
    return _hypothesis(overlap, tried)


def refine_roughly(
    overlap: Overlap,
    shift: Array,
    *,
    reach: int,
    side: int = 144,
    least_px: int = 8,
    least_score: float = 0.25,
    whole: bool = True,
) -> Hypothesis | None:
    """Measure three patches only: enough to hold one shift against another.

    Patches lie on a raster, so that the many shifts of a pair share them.

    Parameters
    ----------
    overlap : Overlap
    shift : (2,) float64
    reach : int
        How far the shift may be off.
    side : int
        Longest side of a patch.
    least_px : int
        Overlaps thinner than this are not measured.
    least_score : float
        Patches that correlate less are left out.
    whole : bool
        Try the whole overlap at once where no patch can be measured.
    """
    reach, box = overlap.roomy_box(shift, reach)
    every = overlap.every
    if min(box.width, box.height) * every < least_px:
        return None
    tried = [
        _measure(overlap, part, shift, reach, steps=4, near_px=0.01, least_score=least_score)
        for part in _spread(box, side // every, raster=32 // every)
    ]
    if whole and all(patch.shift is None for patch in tried):
        # lines along one direction leave every patch alone undecided
        tried = [
            _measure(
                overlap, box, shift, min(reach, 2), steps=4, near_px=0.01, least_score=least_score
            )
        ]
    return _hypothesis(overlap, tried)


def _hypothesis(overlap: Overlap, tried: list[_Patch]) -> Hypothesis | None:
    good = [patch for patch in tried if patch.shift is not None]
    if not good:
        return None
    shifts = np.array([patch.shift for patch in good])
    sds = np.array([patch.sd for patch in good])
    mean, sd = combine(shifts, sds)
    boxes = np.array([patch.box for patch in good], float)
    places = (boxes[:, :2] + boxes[:, 2:] - 1) / 2 - (np.array(overlap.a.shape[::-1]) - 1) / 2
    every = overlap.every
    places *= every
    box = overlap.box(mean, 2 * overlap.stride)
    fit = overlap.fit(mean, box)
    return Hypothesis(
        mean,
        sd,
        fit.score if fit is not None else _score_of_box(overlap, mean),
        shifts,
        places,
        places - shifts,
        sds,
        (boxes[:, 2:] - boxes[:, :2]) * every,
        (box.width * every, box.height * every),
        _agreement(tried, mean),
        fit=fit,
    )


def _score_of_box(overlap: Overlap, shift: Array) -> float:
    """Correlation of an overlap too thin for whole blocks."""
    box = overlap.box(shift, 3)
    if min(box.width, box.height) < 6:
        return 0.0
    return overlap.search(box.grown(-1), shift, 1)[0]


def _agreement(tried: list[_Patch], mean: Array, *, near_px: float = 2.0) -> float | None:
    """Share of the patches with detail that bear the mean out; None where fewer than three can."""
    strong = [p for p in tried if p.strength >= 0.3 * max(q.strength for q in tried)]
    if len(strong) < 3:
        return None
    near = [p.shift is not None and np.abs(p.shift - mean).max() <= near_px for p in strong]
    return sum(near) / len(near)


def _patches(box: Box, side: int, least: int, most: int) -> list[Box]:
    """Equal patches that tile a box, three along it if it is long enough.

    Every n-th is taken when there would be too many.
    """
    side = int(np.clip(max(box.width, box.height) / 3, least, side))
    columns, rows = (max(1, round(length / side)) for length in (box.width, box.height))
    xs = np.linspace(box.x0, box.x1, columns + 1).astype(int)
    ys = np.linspace(box.y0, box.y1, rows + 1).astype(int)
    tiled = [
        Box(int(xs[i]), int(ys[j]), int(xs[i + 1]), int(ys[j + 1]))
        for j in range(rows)
        for i in range(columns)
    ]
    if len(tiled) <= most:
        return tiled
    pick = np.unique(np.linspace(0, len(tiled) - 1, most).astype(int))
    return [tiled[k] for k in pick]


def _spread(box: Box, side: int, *, raster: int) -> list[Box]:
    """Up to three patches at both ends and in the middle of a box, on a raster where they fit."""
    width, height = min(box.width, side), min(box.height, side)
    count = int(np.clip(round(1.2 * max(box.width / width, box.height / height)), 1, 3))
    found = []
    for share in np.linspace(0, 1, count) if count > 1 else [0.5]:
        x = box.x0 + (box.width - width) * share
        y = box.y0 + (box.height - height) * share
        at = []
        for value, low, high in ((x, box.x0, box.x1 - width), (y, box.y0, box.y1 - height)):
            snapped = round(value / raster) * raster
            at.append(int(snapped if low <= snapped <= high else value))
        found.append(Box(at[0], at[1], at[0] + width, at[1] + height))
    return found


def combine(shifts: Array, sds: Array, *, floor_px: float = 0.05) -> tuple[Array, float]:
    """Robust mean of patch shifts (Tukey's weights about the median) and its sd per axis."""
    base = 1 / (sds**2 + floor_px**2)
    mean = median(shifts)
    weight = base
    for _ in range(8):
        distance = np.hypot(*(shifts - mean).T)
        scale = max(1.4826 * float(median(distance)), 0.1)
        weight = base * np.clip(1 - (distance / (4.685 * scale)) ** 2, 0, 1) ** 2
        mean = (weight[:, None] * shifts).sum(0) / weight.sum()
    spread = (weight[:, None] * (shifts - mean) ** 2).sum() / (2 * weight.sum())
    scatter = np.sqrt(spread / len(shifts))
    return mean, float(max(floor_px, np.sqrt(1 / weight.sum()), scatter))


def _measure(
    overlap: Overlap,
    box: Box,
    shift: Array,
    search: int,
    *,
    near_px: float = 1e-3,
    steps: int = 8,
    least_score: float = 0.25,
) -> _Patch:
    """Shift of one patch: correlation, then Gauss-Newton."""
    _, strength = overlap.template(box)
    score, start, at_rim = overlap.search(box, shift, search)
    nothing = _Patch(box, strength)
    if score < least_score or (at_rim and search > 2):
        return nothing
    settled = overlap.settle(box, start, steps=steps, near_px=near_px)
    if settled is None:
        return nothing
    return _Patch(box, strength, overlap.shift_of(box, settled[0]), settled[1])
