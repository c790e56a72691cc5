"""What changes abruptly across a straight line of px: place and brightness.

A die is full of straight lines, so that a line seen in the picture says nothing. What tells a seam
is what *crosses* it. A strip of px left of the line is held against one right of it, chunk by
chunk of 16 rows: how far the shapes that run across are displaced along the line, and how the
brightness of one and the same shape differs. An outline that lies on the line
changes the brightness where it lies, and not of what crosses it; a jog displaces some shapes, and
not most. So medians over the chunks of a piece of 512 px are taken, and brightness must change
alike in what is bright and in what is dark.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import grey, srgb_to_linear

__all__ = [
    "HALO_PX",
    "KINDS",
    "PIECE_PX",
    "TURNS_PX",
    "Chunks",
    "chunks_of",
    "displacement",
    "look_across",
    "middle",
    "step",
]

Image = NDArray[np.float32]

KINDS = ("offset", "brightness")
"""What is looked at, in the order of the arrays."""
PIECE_PX = 512
"""Length of the pieces along a line that are looked at by themselves."""
TURNS_PX = (-6, -4, -2, 0, 2, 4, 6)
"""By how much lines may run askew: px across a piece."""
HALO_PX = 8
"""Columns that a look needs on either side of a line."""

CHUNK_PX = 16
_DARK = 0.004
_FARTHEST_PX = 12
_FAR = 0.25


@dataclass(frozen=True)
class Chunks:
    """What each chunk says of each line.

    Parameters
    ----------
    values : (3, n, W) float32
        Displacement of outlines that rise and that fall (px), and step of brightness, as
        `look_across` has them.
    valid : (3, n, W) bool
    left, right : (n, W) float32
        Log of the brightness on either side.
    """

    values: Image
    valid: NDArray[np.bool_]
    left: Image
    right: Image

    def leaning(self, turn_px: float) -> Chunks:
        """The same along lines that run to the right by so many px from end to end."""
        if not turn_px:
            return self
        count = self.left.shape[0]
        moves = np.rint(turn_px * ((np.arange(count) + 0.5) / count - 0.5)).astype(int)

        def moved(planes: NDArray[Any]) -> NDArray[Any]:
            rows = [np.roll(planes[..., n, :], -moves[n], axis=-1) for n in range(count)]
            return np.stack(rows, axis=-2)

        return Chunks(moved(self.values), moved(self.valid), moved(self.left), moved(self.right))

    def inner(self, halo_px: int) -> Chunks:
        """Without the outermost columns."""
        part = np.s_[..., halo_px:-halo_px]
        return Chunks(self.values[part], self.valid[part], self.left[part], self.right[part])

    @classmethod
    def joined(cls, parts: Sequence[Chunks]) -> Chunks:
        """Chunks of pieces that follow one another."""
        return cls(
            np.concatenate([part.values for part in parts], axis=1),
            np.concatenate([part.valid for part in parts], axis=1),
            np.concatenate([part.left for part in parts]),
            np.concatenate([part.right for part in parts]),
        )


def look_across(
    picture: NDArray[np.uint8] | NDArray[np.uint16],
    seen: NDArray[np.bool_],
    *,
    turns_px: Sequence[int] = TURNS_PX,
) -> tuple[Image, Image]:
    """Hold both sides of every upright line of one piece against one another.

    Parameters
    ----------
    picture : (512, W, 3) uint8 or uint16
    seen : (512, W) bool
        Where something was photographed.
    turns_px : sequence of int
        By how much the lines run to the right over the piece.

    Returns
    -------
    values, errors : (turns, 2, W) float32
        A line lies left of the px of its column, amid the piece. Displacement of what lies right
        of it (px, down), and log of its brightness (linear light); and their standard errors by
        the scatter of the chunks, infinite where too little crosses the line to tell.
    """
    chunks = chunks_of(picture, seen)
    width = picture.shape[1]
    values = np.zeros((len(turns_px), len(KINDS), width), np.float32)
    errors = np.full_like(values, np.inf)
    for k, turn in enumerate(turns_px):
        leaning = chunks.leaning(turn)
        for kind, (value, error) in enumerate((displacement(leaning), step(leaning))):
            values[k, kind], errors[k, kind] = value, error
    return values, errors


def chunks_of(
    picture: NDArray[np.uint8] | NDArray[np.uint16],
    seen: NDArray[np.bool_],
    *,
    chunk_px: int = CHUNK_PX,
    back_px: int = 0,
) -> Chunks:
    """What each chunk of rows says of every upright line; a line lies left of its column's px.

    Parameters
    ----------
    picture : (H, W, 3) uint8 or uint16
    seen : (H, W) bool
    chunk_px : int
        Rows a chunk.
    back_px : int
        What lies right of a line is moved up by so much first; displacements tell what is left.
    """
    height, width = seen.shape
    count = height // chunk_px
    light = srgb_to_linear(picture)
    luma = cv2.transform(light, np.full((1, 3), 1 / 3, np.float32))
    coded = grey(picture)
    tone = np.log(np.maximum(luma, _DARK))

    def per_chunk(rows: Image) -> Image:
        by_chunk = rows[: count * chunk_px].reshape(count, chunk_px, width)
        total: Image = by_chunk.sum(1, dtype=np.float32)
        return total

    # two columns on each side, the two px at the line itself left out: a line may lean by a px
    pair = np.stack([_mean_of_two(plane) for plane in (coded, tone)])
    left, right = _shift(pair, 3), np.roll(_shift(pair, -1), -back_px, axis=1)
    # brightness is evened out first, since a step of it moves rising and falling outlines apart
    means = [np.maximum(per_chunk(side[0]), 1.0) for side in (left, right)]
    even = np.median(means[1] / means[0], axis=0) if count else np.ones(width)
    smooth_left = cv2.blur(left[0], (1, 3))
    smooth_right = cv2.blur(right[0], (1, 3)) / even.astype(np.float32)
    slope = np.zeros_like(smooth_left)
    mean = (smooth_left + smooth_right) / 2
    slope[1:-1] = (mean[2:] - mean[:-2]) / 2
    second = np.zeros_like(coded)
    second[1:-1] = coded[2:] - 2 * coded[1:-1] + coded[:-2]
    noise = float(np.median(np.abs(second[:, ::7]))) / 0.6745 / np.sqrt(6) + 0.3

    share = np.float32(1 / chunk_px)
    tone_left, tone_right = (per_chunk(side[1]) * share for side in (left, right))
    covered = per_chunk(cv2.erode(seen.astype(np.uint8), np.ones((1, 2 * HALO_PX + 1), np.uint8)))
    whole = covered == chunk_px
    whole[:, :HALO_PX] = whole[:, width - HALO_PX :] = False
    apart = smooth_left - smooth_right
    moved = [
        _displaced(np.where(way, slope, 0), np.where(way, apart, 0), noise, per_chunk)
        for way in (slope > 0, slope < 0)
    ]
    steps = tone_right - tone_left
    values = np.stack([moved[0][0], moved[1][0], steps])
    # where the two sides are far apart they show different shapes
    valid = np.stack([moved[0][1] & whole, moved[1][1] & whole, whole & (np.abs(steps) < _FAR)])
    return Chunks(values.astype(np.float32), valid, tone_left, tone_right)


def _displaced(
    slope: Image, apart: Image, noise: float, per_chunk: Callable[[Image], Image]
) -> tuple[Image, NDArray[np.bool_]]:
    """Displacement of the outlines in each chunk, px, and whether a displacement is what is seen.

    Least squares of the difference of both sides on the slope along the line.
    """
    energy, across = per_chunk(slope * slope), per_chunk(slope * apart)
    differing = per_chunk(apart * apart)
    value = (across / np.maximum(energy, 1e-6)).astype(np.float32)
    explained = across**2 > 0.5 * energy * differing
    crossing = (energy > 6 * noise**2) & (explained | (differing < energy))
    return value, crossing & (np.abs(value) < _FARTHEST_PX)


def _mean_of_two(plane: Image) -> Image:
    out = plane.copy()
    out[:, :-1] = (plane[:, :-1] + plane[:, 1:]) / 2
    return out


def _shift(planes: Image, columns: int) -> Image:
    """Move columns to the right; what enters repeats the other end and is never valid."""
    return np.roll(planes, columns, axis=-1)


def middle(values: Image, valid: NDArray[np.bool_], least: int = 6) -> tuple[Image, Image]:
    """Median of the valid values of each column, and its standard error by their quartiles."""
    count = valid.sum(0)
    ranked = np.sort(np.where(valid, values, np.inf), axis=0)

    def at(share: float) -> Image:
        index = np.clip(np.rint(share * (count - 1)), 0, len(values) - 1).astype(int)
        return np.take_along_axis(ranked, index[None], axis=0)[0]

    enough = count >= least
    low, centre, high = at(0.25), at(0.5), at(0.75)
    with np.errstate(invalid="ignore"):
        error = 1.253 * (high - low) / 1.349 / np.sqrt(np.maximum(count, 1))
    return (
        np.where(enough, centre, 0).astype(np.float32),
        np.where(enough, error, np.inf).astype(np.float32),
    )


def displacement(chunks: Chunks) -> tuple[Image, Image]:
    """Displacement, px, that rising and falling outlines have in common, 0 where they contradict.

    A shape that widens at the line moves one of its outlines; a seam moves both.
    """
    (a, error_a), (b, error_b) = (
        middle(chunks.values[k], chunks.valid[k], least=4) for k in (0, 1)
    )
    value, error = middle(
        np.concatenate([chunks.values[0], chunks.values[1]]),
        np.concatenate([chunks.valid[0], chunks.valid[1]]),
    )
    told = np.isfinite(error_a) & np.isfinite(error_b)
    with np.errstate(invalid="ignore"):
        larger = np.maximum(np.abs(a), np.abs(b))
        alike = (a * b > 0) & (np.abs(a - b) < 0.4 * larger + 2 * np.hypot(error_a, error_b))
    return np.where(alike | ~told, value, 0).astype(np.float32), error


def step(
    chunks: Chunks, *, borders: Sequence[float] = (0.5,), slack: float = 0.3, range_of: float = 1.0
) -> tuple[Image, Image]:
    """Step of brightness that what is bright and what is dark have in common.

    The smallest of all classes of tone, and 0 where they contradict one another or where all is
    of one tone.

    Parameters
    ----------
    chunks : Chunks
    borders : sequence of float
        Shares of the chunks, by tone, at which a new class begins.
    slack : float
        Share by which the classes' steps may differ besides their errors.
    range_of : float
        How many steps the darkest and the brightest class must be apart, on either side.

    Returns
    -------
    value, error : (W,) float32
    """
    values, valid = chunks.values[2], chunks.valid[2]
    tone = np.where(valid, (chunks.left + chunks.right) / 2, np.inf)
    rank = np.argsort(np.argsort(tone, axis=0, kind="stable"), axis=0, kind="stable")
    share = (rank + 0.5) / np.maximum(valid.sum(0), 1)
    member = np.where(valid, np.searchsorted(borders, share), -1)
    found = [middle(values, member == k) for k in range(len(borders) + 1)]
    steps, errors = (np.stack(planes) for planes in zip(*found, strict=True))
    nearest = np.abs(steps).argmin(0)[None]
    value = np.take_along_axis(steps, nearest, axis=0)[0]
    larger, error = np.abs(steps).max(0), errors.max(0)
    with np.errstate(invalid="ignore"):
        alike = (np.abs(steps.sum(0)) >= 0.999 * np.abs(steps).sum(0)) & (
            larger - np.abs(value) < slack * larger + 2.5 * error
        )
        for side in (chunks.left, chunks.right):
            ends = [middle(side, member == k)[0] for k in (0, len(borders))]
            alike &= ends[1] - ends[0] > range_of * larger
    enough = np.isfinite(error)
    return (
        np.where(alike & enough, value, 0).astype(np.float32),
        np.where(enough, errors.min(0), np.inf).astype(np.float32),
    )
