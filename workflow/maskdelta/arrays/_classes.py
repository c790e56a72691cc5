"""Two kinds of cells told apart by their pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = [
    "DEGREES",
    "Classes",
    "balanced_middle",
    "by_layer_alone",
    "classify",
    "first_guess",
    "guess_by_layer",
    "spread_of",
]

Array = NDArray[np.float64]
Pictures = NDArray[np.float32]
DEGREES = 4.0  # of Student's t: the tails of dirt are heavy
_FOLDS = 5
_FULL = 0.5  # share of the place that tells the bit covered in a cell that holds the layer
_MOST_LEARNT = 6000  # cells are plenty for a few hundred px


@dataclass(frozen=True)
class Classes:
    """What `classify` found for n cells.

    Parameters
    ----------
    llr : (n,) float64
        Log-likelihood ratio of 1 against 0.
    score : (n,) float64
        0 at the middle of the zeros, 1 at that of the ones.
    oddness : (n,) float64
        How unlike its own kind a cell looks, robust standard deviations.
    contrast : (d,) float64
        Mean one minus mean zero.
    separation : float
        Distance of the two middles in standard deviations of the scores; 0 where nothing could
        be learnt.
    lone : (n,) bool
        The only cell of its kind.
    """

    llr: Array
    score: Array
    oddness: Array
    contrast: Array
    separation: float
    lone: NDArray[np.bool_]


def first_guess(
    features: Pictures, kind: NDArray[np.intp], taught: NDArray[np.int8]
) -> NDArray[np.int8]:
    """Split cells by the direction in which they differ most, or by the taught ones.

    Parameters
    ----------
    features : (n, d) float32
    kind : (n,) int
    taught : (n,) int8
        0 or 1 where a person said so, else -1.

    Returns
    -------
    (n,) int8
        0, 1; -1 for cells in between. Which is 1 is what the taught cells say.
    """
    flat = features - _middle_by_kind(features, kind)
    zeros, ones = flat[taught == 0], flat[taught == 1]
    if len(zeros) and len(ones):
        direction = ones.mean(0) - zeros.mean(0)
    else:
        direction = np.linalg.svd(flat - flat.mean(0), full_matrices=False)[2][0]
    value = flat @ direction
    low, high = _two_means(value)
    sign = 1.0
    told = taught >= 0
    if told.any():
        agrees = np.sum((taught[told] * 2.0 - 1) * np.sign(value[told] - (low + high) / 2))
        sign = 1.0 if agrees >= 0 else -1.0
    place = (value - low) / max(high - low, 1e-12)
    place = place if sign > 0 else 1 - place
    guess = np.where(place > 0.65, 1, np.where(place < 0.35, 0, -1)).astype(np.int8)
    guess[told] = taught[told]
    return guess


def guess_by_layer(present: Array) -> NDArray[np.int8]:
    """Split cells by how much of the place that tells the bit a layer covers.

    Parameters
    ----------
    present : (n,) float64
        Weighted mean of the membership, 0..1. How much a full cell shows depends on the size of
        the place, so the split lies between the two groups found.

    Returns
    -------
    (n,) int8
        0, 1; -1 for cells in between. Where there is one group only, it is 1 if a third or more
        is covered.
    """
    low, high = _two_means(present, tails_percent=0.0)
    if high - low < 0.15:
        return (present > 1 / 3).astype(np.int8)
    place = (present - low) / (high - low)
    return np.where(place > 0.65, 1, np.where(place < 0.35, 0, -1)).astype(np.int8)


def _middle_by_kind(features: Pictures, kind: NDArray[np.intp]) -> Pictures:
    out = np.empty_like(features)
    for number in np.unique(kind):
        own = kind == number
        out[own] = (
            (features[own].min(0) + features[own].max(0)) / 2
            if own.sum() < 4
            else (
                np.percentile(features[own], 5, axis=0) + np.percentile(features[own], 95, axis=0)
            )
            / 2
        )
    return out


def _two_means(values: Array, *, tails_percent: float = 5.0) -> tuple[float, float]:
    """Middles of two groups of numbers (Lloyd's algorithm from the tails)."""
    low, high = (float(v) for v in np.percentile(values, (tails_percent, 100 - tails_percent)))
    for _ in range(30):
        upper = values > (low + high) / 2
        if upper.all() or not upper.any():
            break
        low, high = float(np.median(values[~upper])), float(np.median(values[upper]))
    return low, high


def classify(
    features: Pictures,
    guess: NDArray[np.int8],
    *,
    kind: NDArray[np.intp],
    place: Array,
    trusted: NDArray[np.bool_],
    middle: Array,
    rounds: int = 4,
) -> Classes:
    """Tell two kinds of cells apart, starting from a guess that is right for most.

    Linear discriminant on the pixels with a shrunken covariance (Chen et al. 2010), learnt in
    each round from the cells as the round before called them. A cell is always scored by a
    direction learnt without it (5 folds), so that the separation is honest. Slow drift of the
    score over the array is taken out, and each kind's scores become likelihoods of Student's t
    with 4 degrees of freedom, whose tails keep a strange score from looking certain.

    Parameters
    ----------
    features : (n, d) float32
    guess : (n,) int8
        0, 1, or -1 where nothing is known.
    kind : (n,) int
        Cells of one kind look alike, their bit aside.
    place : (n, 2) float64
        Row and column, -1..1, for the drift.
    trusted : (n,) bool
        Cells to learn from: neither dirty nor off the picture.
    middle : (d,) float64
        Weights, sum 1, of the px that tell the bit: dirt beside it makes no cell odd.
    rounds : int

    Returns
    -------
    Classes
        All zeros for the likelihood ratios when either class is missing from the guess.
    """
    label = guess.copy()
    n, d = features.shape
    unknown, none = np.full(n, np.nan), np.zeros(n, bool)
    nothing = Classes(np.zeros(n), unknown, unknown, np.zeros(d), 0.0, none)
    if min(((label == bit) & trusted).sum() for bit in (0, 1)) < 2:
        return nothing
    fold = np.arange(n) * 7919 % _FOLDS if n >= 60 else np.arange(n) % max(n, 1)
    centred = features
    for _ in range(rounds):
        centred = features - balanced_middle(features, label, kind, trusted)
        score = np.zeros(n)
        for number in np.unique(fold):
            held = fold == number
            learn = np.flatnonzero(trusted & ~held & (label >= 0))
            learn = learn[:: 1 + len(learn) // _MOST_LEARNT]
            score[held] = centred[held] @ _direction(centred[learn], label[learn])
        score = _drift_removed(_normalised(score, label, trusted), label, place, trusted)
        label = (score > 0.5).astype(np.int8)
        if min(((label == bit) & trusted).sum() for bit in (0, 1)) < 2:
            return nothing
    spread = [spread_of(score[trusted & (label == bit)] - bit) for bit in (0, 1)]
    llr = stats.t.logpdf(score, DEGREES, 1, spread[1]) - stats.t.logpdf(
        score, DEGREES, 0, spread[0]
    )
    contrast = centred[trusted & (label == 1)].mean(0) - centred[trusted & (label == 0)].mean(0)
    odd = _oddness(centred, label, trusted, middle)
    separation = 1.0 / float(np.sqrt(np.mean(np.square(spread))))
    return Classes(llr, score, odd, contrast, separation, none)


def by_layer_alone(
    features: Pictures, present: Array, *, trusted: NDArray[np.bool_], middle: Array
) -> Classes:
    """Tell cells by how much of the layer lies at their middle; 1 where it is present.

    The likelihoods are Student's t around none of the layer and around what a full cell shows
    (`_FULL` where no cell is full), both as wide as a tenth of the place: an empty cell is then
    150 times as likely empty as full. How odd a cell looks is judged by its picture as ever.

    Parameters
    ----------
    features : (n, d) float32
    present : (n,) float64
        Weighted mean of the membership, 0..1.
    trusted : (n,) bool
    middle : (d,) float64
        Weights of the px, sum 1.
    """
    covered = present[present > 1 / 3]
    full = max(_FULL, float(np.median(covered))) if len(covered) else _FULL
    llr = stats.t.logpdf(present, DEGREES, full, 0.1) - stats.t.logpdf(present, DEGREES, 0, 0.1)
    label = (llr > 0).astype(np.int8)
    counts = [int((trusted & (label == bit)).sum()) for bit in (0, 1)]
    odd = np.full(len(present), np.nan)
    if max(counts) >= 2:
        usual = np.full(len(present), counts[1] >= counts[0], np.int8)
        odd = _oddness(features, usual, trusted & (label == usual), middle)
    lone = np.array([counts[bit] < 2 for bit in (0, 1)])[label]
    nothing_learnt = np.zeros(features.shape[1])
    return Classes(llr, present / full, odd, nothing_learnt, 0.0, lone)


def balanced_middle(
    features: Pictures, label: NDArray[np.int8], kind: NDArray[np.intp], use: NDArray[np.bool_]
) -> Pictures:
    """Half-way between the mean zero and the mean one of each cell's kind."""
    out = np.empty_like(features)
    means = [features[use & (label == bit)].mean(0) for bit in (0, 1)]
    half = (means[1] - means[0]) / 2
    for number in np.unique(kind):
        own = kind == number
        sides = [own & use & (label == bit) for bit in (0, 1)]
        parts = [
            features[side].mean(0) + sign * half
            for side, sign in zip(sides, (1, -1), strict=True)
            if side.sum() >= 2
        ]
        out[own] = np.mean(parts, axis=0) if parts else (means[0] + means[1]) / 2
    return out


def _direction(features: Pictures, label: NDArray[np.int8]) -> Array:
    """Fisher's discriminant with the oracle approximating shrinkage of the covariance."""
    means = [features[label == bit].mean(0) for bit in (0, 1)]
    rest = (features - np.where(label[:, None] == 1, means[1], means[0])).astype(float)
    size = (rest**2).sum(1)
    rest = rest[size <= np.percentile(size, 98)]
    n, d = rest.shape
    covariance = rest.T @ rest / max(n, 1)
    trace = np.trace(covariance)
    square = float((covariance**2).sum())
    top = (1 - 2 / d) * square + trace**2
    bottom = (n + 1 - 2 / d) * (square - trace**2 / d)
    shrink = float(np.clip(top / bottom, 0.05, 1.0)) if bottom > 0 else 1.0
    covariance = (1 - shrink) * covariance
    covariance[np.diag_indices(d)] += shrink * trace / d + 1e-9
    return np.asarray(np.linalg.solve(covariance, means[1] - means[0]))


def _normalised(score: Array, label: NDArray[np.int8], use: NDArray[np.bool_]) -> Array:
    middles = [float(np.median(score[use & (label == bit)])) for bit in (0, 1)]
    return (score - middles[0]) / max(middles[1] - middles[0], 1e-12)


def _drift_removed(
    score: Array, label: NDArray[np.int8], place: Array, use: NDArray[np.bool_]
) -> Array:
    """Scores without a smooth (quadratic) trend over the array, by robust least squares."""
    if use.sum() < 60:
        return score
    r, c = place.T
    trend = np.column_stack([r, c, r * c, r**2 - 1 / 3, c**2 - 1 / 3])
    called = (score > 0.5).astype(float)
    rest = score - called
    weight = use.astype(float)
    fit = np.zeros(5)
    for _ in range(3):
        left = rest - trend @ fit
        spread = spread_of(left[use])
        weight = use * np.clip(1 - (left / (4 * spread)) ** 2, 0, 1)
        design = trend * weight[:, None]
        fit = np.linalg.lstsq(design.T @ trend + 1e-9 * np.eye(5), design.T @ rest, rcond=None)[0]
    return np.asarray(score - trend @ fit)


def spread_of(values: Array) -> float:
    """Robust standard deviation, never below what 8-bit pictures can tell."""
    if len(values) == 0:
        return 0.25
    middle = np.median(values)
    return max(1.4826 * float(np.median(np.abs(values - middle))), 0.02)


def _oddness(
    centred: Pictures, label: NDArray[np.int8], use: NDArray[np.bool_], middle: Array
) -> Array:
    """Size of what is left of each cell beside the mean of its class, robustly scaled.

    The logarithm of a mean square is nearly normal; the px are weighed by their usual spread.
    """
    out = np.zeros(len(centred))
    for bit in np.unique(label):
        own = label == bit
        mean = np.median(centred[own & use], axis=0)
        rest = centred[own] - mean
        usual = 1.4826 * np.median(np.abs(centred[own & use] - mean), axis=0) + 2e-3
        size = np.log(((rest / usual) ** 2) @ middle + 1e-9)
        known = size[use[own]]
        out[own] = (size - np.median(known)) / spread_of(known)
    return out
