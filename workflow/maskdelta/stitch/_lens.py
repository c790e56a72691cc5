"""One radial lens term per view, from how the shift changes over each overlap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._hypothesis import Hypothesis
from maskdelta.stitch._refine import combine

__all__ = ["Lens", "estimate_lens", "without_lens"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """Radial term at the corner of the tile (share of the half diagonal) and its sd."""

    term: float
    sd: float


def bend(hypothesis: Hypothesis, half_diagonal_px: float) -> Array:
    """How a term of 1 changes the shift of each patch, (k, 2) px.

    A point p (from the middle of its tile) lies at c + p (1 + term |p|^2 / R^2). The same mosaic
    point seen in a and b gives p_a - p_b = (c_b - c_a) + term (p_b |p_b|^2 - p_a |p_a|^2) / R^2.
    A patch measures the mean over its box, where x (x^2 + y^2) has the mean
    x (x^2 + y^2 + w^2 / 4 + h^2 / 12) in terms of the middle.
    """
    square = hypothesis.sides**2
    within = square / 4 + square[:, ::-1] / 12

    def cubic(p: Array) -> Array:
        return p * ((p**2).sum(1, keepdims=True) + within)

    moved = cubic(hypothesis.places_b) - cubic(hypothesis.places_a)
    return moved / half_diagonal_px**2


def estimate_lens(
    pairs: Sequence[Hypothesis], half_diagonal_px: float, *, significant: float = 5.0
) -> Lens:
    """Robust least squares of the lens term over all patches, pair means free.

    The term is 0 unless it is `significant` standard deviations from it and moves the corner of a
    tile by at least 0.05 px; `significant` = 0 asks for it as it is.
    """
    bends, shifts, weights = [], [], []
    for pair in pairs:
        if len(pair.shifts) < 2:
            continue
        weight = 1 / (pair.sds**2 + 0.05**2)
        design = bend(pair, half_diagonal_px)
        mean = (weight[:, None] * design).sum(0) / weight.sum()
        centre = np.median(pair.shifts, axis=0)
        near = np.hypot(*(pair.shifts - centre).T) < 5
        if near.sum() < 2:
            continue
        middle = (weight[near, None] * pair.shifts[near]).sum(0) / weight[near].sum()
        bends.append((design - mean)[near].ravel())
        shifts.append((pair.shifts - middle)[near].ravel())
        weights.append(np.repeat(weight[near], 2))
    if not bends:
        return Lens(0.0, 0.0)
    q, d, base = np.concatenate(bends), np.concatenate(shifts), np.concatenate(weights)
    weight, term, sd = base, 0.0, 0.0
    for _ in range(10):
        information = float((weight * q * q).sum())
        if information <= 0:
            return Lens(0.0, 0.0)
        term = float((weight * q * d).sum()) / information
        residual = d - term * q
        scale = max(1.4826 * float(np.median(np.abs(residual))), 0.02)
        weight = base * np.clip(1 - (residual / (4.685 * scale)) ** 2, 0, 1) ** 2
        sd = float(np.sqrt((weight**2 * q * q).sum()) * scale / information)
    too_small = abs(term) * half_diagonal_px < 0.05
    if significant and (abs(term) < significant * sd or too_small):
        return Lens(0.0, sd)
    return Lens(round(term, 7), sd)


def without_lens(hypothesis: Hypothesis, term: float, half_diagonal_px: float) -> Hypothesis:
    """The hypothesis with the lens term taken out of its patches."""
    if not term or not len(hypothesis.shifts):
        return hypothesis
    shifts = hypothesis.shifts - term * bend(hypothesis, half_diagonal_px)
    mean, sd = combine(shifts, hypothesis.sds)
    return replace(hypothesis, shift=mean, sd_px=sd, shifts=shifts)
