"""Drawing changes into real pictures: colours, outlines, softness and noise are those of the place.

The colour of a planted square is that which its stack has in the patch around. Its edges are as
soft as those that the same two stacks have elsewhere in the picture, with the same outline (edges
are often darker, or tinted, where films bend): both are measured across labelled outlines, as a
blurred step and whatever the picture adds to it. So a size is that which the labels would show.
Its corners are as round as those of its stack.
Noise is cut out of the picture where one stack fills a patch.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.optimize
from numpy.typing import NDArray
from scipy.special import ndtr

from maskdelta.difference._corners import missing_at_corners, radius_px
from maskdelta.difference._plants import Plant
from maskdelta.images import distance_to
from maskdelta.segment import UNKNOWN, Labeller

__all__ = ["Outline", "OutlineSamples", "draw_plant", "stack_colours"]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
_REACH_PX = 6
_BINS = np.arange(-_REACH_PX, _REACH_PX + 0.5, 0.5)
_LEAST_PX = 15  # a bin with fewer px says nothing
_OVER_PX = 3.0  # how far a square reaches into the shape on whose edge it lies


@dataclass(frozen=True)
class Outline:
    """How the picture goes from one stack to another.

    Parameters
    ----------
    sigma_px : float
        Softness of the step, px of the picture.
    line : (25, 3) float64
        What the picture adds to a blurred step, levels, every half px from 6 px inside to 6 px
        outside the labelled edge.
    corner_px: float
        Radius of the corners before the blur.
    """

    sigma_px: float
    line: Array
    corner_px: float = 0.0

    def added(self, outside_px: Picture) -> Array:
        """(..., 3) levels to add by the distance from the edge."""
        flat = [np.interp(outside_px.ravel(), _BINS, self.line[:, c], right=0.0) for c in range(3)]
        return np.stack(flat, -1).reshape(*outside_px.shape, 3)


class OutlineSamples:
    """Mean colours by distance from the outline, for pairs of stacks of one die.

    Parameters
    ----------
    pairs : iterable of (stack, ground)
    """

    def __init__(self, pairs: Iterable[tuple[int, int]]) -> None:
        self._sums = {pair: np.zeros((len(_BINS), 4)) for pair in pairs}
        self._corners = {stack: [np.zeros(0)] for stack, _ in self._sums}

    def add(self, picture: NDArray[np.uint8], labels: NDArray[np.uint8]) -> None:
        """Take in a patch: (H, W, 3) picture and (H, W) labels."""
        numbers = [k for k in np.unique(labels).tolist() if k < UNKNOWN]
        near = {k: distance_to(labels == k) for k in numbers}
        odd = distance_to(labels >= UNKNOWN)
        corners = {k: missing_at_corners(labels == k) for k in numbers if k in self._corners}
        for (stack, ground), sums in self._sums.items():
            if stack not in near or ground not in near:
                continue
            signed = np.where(labels == stack, 0.5 - near[ground], near[stack] - 0.5)
            others = [near[k] for k in numbers if k not in (stack, ground)]
            clear = np.minimum.reduce([odd, *others]) > _REACH_PX
            use = clear & np.isin(labels, (stack, ground)) & (np.abs(signed) <= _REACH_PX)
            place = np.rint((signed[use] + _REACH_PX) * 2).astype(int)
            np.add.at(sums, place, np.column_stack([picture[use], np.ones(int(use.sum()))]))
            where, missing = corners[stack]
            self._corners[stack].append(missing[_lie_in(clear & (near[ground] < 3), where)])

    def outlines(self) -> dict[tuple[int, int], Outline]:
        """The outline of each pair, all equally soft; pairs hardly seen get a bare step.

        Corners are those of the stack, or of all stacks where it shows too few.
        """
        fits = [sigma for sums in self._sums.values() if (sigma := _softness(sums)) is not None]
        sigma = float(np.median(fits)) if fits else 1.0
        labelled_px = float(np.hypot(sigma, Labeller.SMOOTHING_PX))
        missing = {stack: np.concatenate(found) for stack, found in self._corners.items()}
        usual = radius_px(np.concatenate([*missing.values(), np.zeros(0)]), labelled_px, 0.0)
        corner = {s: radius_px(found, labelled_px, usual) for s, found in missing.items()}
        return {
            pair: Outline(sigma, _line(sums, sigma), corner[pair[0]])
            for pair, sums in self._sums.items()
        }


def _lie_in(mask: NDArray[np.bool_], points: Array, *, rim_px: int = 3) -> NDArray[np.bool_]:
    """(n,) which points lie in a mask, off its border, where shapes are cut."""
    x, y = np.rint(points).astype(int).T
    height, width = mask.shape
    inside = (np.minimum(x, y) >= rim_px) & (x < width - rim_px) & (y < height - rim_px)
    inside[inside] = mask[y[inside], x[inside]]
    return np.asarray(inside)


def _profile(sums: Array) -> tuple[Array, Array, Array] | None:
    """Distances, colours less those of the ground, and the whole step; none where hardly seen."""
    seen = sums[:, 3] >= _LEAST_PX
    if seen.sum() < 8 or not (seen[_BINS < -1].any() and seen[_BINS > 1].any()):
        return None
    at, colour = _BINS[seen], sums[seen, :3] / sums[seen, 3:]
    ground = colour[at >= at[-1] - 1].mean(0)
    return at, colour - ground, colour[at <= at[0] + 1].mean(0) - ground


def _softness(sums: Array) -> float | None:
    """Standard deviation of the blur that explains the step along a profile."""
    profile = _profile(sums)
    if profile is None:
        return None
    at, colour, step = profile
    along = colour @ step / (step @ step)

    def miss(p: Array) -> Array:
        return np.asarray(ndtr((p[0] - at) / p[1]) - along)

    # the edge may lie off its label, and a line along it looks as if it did
    fit = scipy.optimize.least_squares(miss, [0.0, 1.0], bounds=([-2, 0.4], [2, 4]))
    return float(fit.x[1])


def _line(sums: Array, sigma_px: float) -> Array:
    """What a profile adds to a step of some softness."""
    profile = _profile(sums)
    if profile is None:
        return np.zeros((len(_BINS), 3))
    at, colour, step = profile
    left = colour - np.outer(ndtr(-at / sigma_px), step)
    return np.column_stack([np.interp(_BINS, at, left[:, c]) for c in range(3)])


def draw_plant(
    picture: Picture,
    source: NDArray[np.uint8],
    labels: NDArray[np.uint8],
    x: Picture,
    y: Picture,
    plant: Plant,
    outline: Outline,
    *,
    px_per_host_px: float,
    colour: Array,
    carried: NDArray[np.bool_],
    rng: np.random.Generator,
) -> None:
    """Draw one change into a picture; changes `picture`.

    Parameters
    ----------
    picture : (H, W, 3) float32
        Of the die it is planted in, 0..255.
    source : (H, W, 3) uint8
        The picture before anything was planted: noise comes from there.
    labels : (H, W) uint8
        What the source shows.
    x, y : (H, W) float32
        Where each px lies in the mosaic before.
    plant : Plant
    outline : Outline
        Of its stack on its ground.
    px_per_host_px : float
        Size of a px of the picture in px of the mosaic before.
    colour : (3,) float64
        Of its stack around here.
    carried : (H, W) bool
        Where the layer already is.
    rng : numpy.random.Generator
    """
    half, (dx, dy) = plant.side_px / 2, plant.grown_on
    left, right = (half + _OVER_PX * (dx == side) for side in (-1, 1))
    top, bottom = (half + _OVER_PX * (dy == side) for side in (-1, 1))
    x0, x1, y0, y1 = plant.x - left, plant.x + right, plant.y - top, plant.y + bottom
    reach = _REACH_PX * px_per_host_px
    cut = _around(x, y, (x0, y0, x1, y1), reach, px_per_host_px)
    u, v, place = x[cut], y[cut], picture[cut]
    if not place.size:
        return
    outside = _outside(u, v, (x0, y0, x1, y1), outline.corner_px * px_per_host_px)
    hard = np.clip(0.5 - outside / px_per_host_px, 0, 1).astype(np.float32)
    # a px that the edge crosses is as good as blurred by a box of 1 px
    cover = cv2.GaussianBlur(hard, (0, 0), float(np.sqrt(outline.sigma_px**2 - 1 / 12)))
    bare = 1 - cv2.GaussianBlur(carried[cut].astype(np.float32), (0, 0), 1.0)
    ink = colour + _noise(source, labels, place.shape[:2], rng)
    place += cover[..., None] * (ink - place)
    place += outline.added(outside / px_per_host_px) * bare[..., None]


def _outside(
    u: Picture, v: Picture, box: tuple[float, float, float, float], radius: float
) -> Picture:
    """Distance from a box with round corners, negative inside it."""
    x0, y0, x1, y1 = box
    radius = min(radius, (x1 - x0) / 2, (y1 - y0) / 2)
    across = np.abs(u - (x0 + x1) / 2) - ((x1 - x0) / 2 - radius)
    down = np.abs(v - (y0 + y1) / 2) - ((y1 - y0) / 2 - radius)
    away = np.hypot(np.maximum(across, 0), np.maximum(down, 0))
    return np.asarray(away + np.minimum(np.maximum(across, down), 0) - radius, np.float32)


def stack_colours(
    source: NDArray[np.uint8], labels: NDArray[np.uint8], usual: Array, *, least_px: int = 100
) -> Array:
    """(K, 3) median colour of each stack off its outlines in a picture; the usual one where rare.

    Parameters
    ----------
    source : (H, W, 3) uint8
    labels : (H, W) uint8
    usual : (K, 3) float64
    least_px : int
        Px that make a median.
    """
    found = usual.copy()
    for k in range(len(usual)):
        inner = cv2.erode((labels == k).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        if inner.sum() >= least_px:
            found[k] = np.median(source[inner], axis=0)
    return found


def _noise(
    source: NDArray[np.uint8],
    labels: NDArray[np.uint8],
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    tries: int = 300,
) -> Picture:
    """Deviations from the mean in a patch of one stack, drawn at random; 0 where none is met."""
    height, width = shape
    rows = rng.integers(0, max(labels.shape[0] - height, 1), tries)
    columns = rng.integers(0, max(labels.shape[1] - width, 1), tries)
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        cut = (slice(row, row + height), slice(column, column + width))
        label = labels[cut]
        if label.shape == shape and label[0, 0] < UNKNOWN and (label == label[0, 0]).all():
            return source[cut] - source[cut].mean((0, 1), dtype=np.float32)
    return np.zeros((*shape, 3), np.float32)


def _around(
    x: Picture, y: Picture, box: tuple[float, float, float, float], reach: float, pitch: float
) -> tuple[slice, slice]:
    """Rows and columns of the px within reach of a box; `pitch` is the distance between px."""
    x0, y0, x1, y1 = box
    rows, columns = slice(0, x.shape[0]), slice(0, x.shape[1])
    for step in (8, 1):  # every eighth px first: pictures are large, squares small
        u, v = x[rows, columns][::step, ::step], y[rows, columns][::step, ::step]
        far = reach + 1.5 * (step - 1) * pitch
        near = (u > x0 - far) & (u < x1 + far) & (v > y0 - far) & (v < y1 + far)
        found = np.nonzero(near)
        if not len(found[0]):
            return slice(0, 0), slice(0, 0)
        rows, columns = (
            slice(part.start + int(k.min()) * step, part.start + (int(k.max()) + 1) * step)
            for part, k in zip((rows, columns), found, strict=True)
        )
    return rows, columns
