"""How large dots are: their mean profile by distance from the middle, explained as a disc.

A dot is so small that blur mixes all of its outline, and its own light is seen nowhere: a profile
across its edge, taken for that of a straight one, puts it up to a px off. So the luma around all
dots of a die is explained as that of a disc with a dark line along its edge,

    light(r) = (inside [r < R] + outside [r > R]) (1 - p exp(-(r - R)^2 / 2 w^2)),

blurred by the lens, encoded and smoothed, where a disc of the radius R has the area of the dot.
Blur of what is round is an integral over r with a Bessel function (the radial part of a
two-dimensional Gaussian). Corners, which a disc does not have, come out as more blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.optimize
from numpy.typing import NDArray
from scipy.special import ive

from maskdelta.images import srgb_curve, srgb_inverse
from maskdelta.segment._labeller import Labeller

__all__ = ["DotProfile", "RoundDot", "explain_dot"]

Array = NDArray[np.float64]
_REACH_PX = 9.0
_STEP_PX = 0.5
_RING_PX = 0.2
_GRID = np.arange(_RING_PX / 2, _REACH_PX + 5, _RING_PX)
_JITTER_PX = 0.3
"""Standard deviation of the middles of dots as labelled."""


@dataclass(frozen=True)
class RoundDot:
    """A disc that explains what is seen of dots.

    Parameters
    ----------
    radius_px, line_px, lens_px : float
    sides : (2,) float64
        Linear light outside and inside.
    taken : float
        Share of the light that the line takes.
    miss : float
        Root mean square of what is left, levels.
    """

    radius_px: float
    line_px: float
    lens_px: float
    sides: Array
    taken: float
    miss: float

    def luma(self, at_px: Array) -> Array:
        """Luma (n,), levels, at distances (n,) from the middle."""
        after = _smoothing(np.abs(at_px), 0.0)
        return after @ _encoded(self.radius_px, self.taken, self.line_px, self.lens_px, self.sides)


class DotProfile:
    """Mean luma by distance from the middle of dots of one kind in one host."""

    def __init__(self) -> None:
        self.sums: list[Array] = []
        self.radii: list[float] = []

    def usual(self, *, within: float = 0.15) -> NDArray[np.bool_]:
        """(n,) dots about as large as most: where half of a dot is lost, so is its middle."""
        radii = np.array(self.radii)
        return np.asarray(np.abs(radii - np.median(radii)) <= within * np.median(radii))

    @property
    def labelled_px(self) -> float:
        """Mean radius of the usual dots as they are labelled."""
        return float(np.array(self.radii)[self.usual()].mean())

    def add(
        self, luma: NDArray[np.float32], dot: NDArray[np.bool_], clear: NDArray[np.bool_]
    ) -> None:
        """Take in a patch.

        Parameters
        ----------
        luma : (H, W) float32
        dot : (H, W) bool
        clear : (H, W) bool
            Dots and their host, away from all else.
        """
        count, parts, stats, middles = cv2.connectedComponentsWithStats(
            dot.astype(np.uint8), connectivity=8
        )
        reach = int(_REACH_PX) + 1
        for n in range(1, count):
            x, y = middles[n]
            left, top = int(x) - reach, int(y) - reach
            if min(left, top) < 0 or left + 2 * reach + 2 > dot.shape[1]:
                continue
            if top + 2 * reach + 2 > dot.shape[0]:
                continue
            cut = (slice(top, top + 2 * reach + 2), slice(left, left + 2 * reach + 2))
            v, u = np.mgrid[cut]
            far = np.hypot(u - x, v - y)
            use = clear[cut] & (far <= _REACH_PX) & (~dot[cut] | (parts[cut] == n))
            row = np.rint(far[use] / _STEP_PX).astype(int)
            bins = int(_REACH_PX / _STEP_PX) + 1
            sums = [np.bincount(row, of, bins) for of in (luma[cut][use], None)]
            self.sums.append(np.array(sums))
            self.radii.append(float(np.sqrt(stats[n, cv2.CC_STAT_AREA] / np.pi)))

    def mean(self) -> tuple[Array, Array]:
        """Luma (n,) at distances k / 2 px, and of how many px; NaN where there are none."""
        total, count = np.sum(np.array(self.sums)[self.usual()], axis=0)
        with np.errstate(invalid="ignore"):
            return total / count, count


def explain_dot(
    profile: DotProfile, line_px: float, lens_px: float, *, least_dots: int = 5
) -> RoundDot | None:
    """Fit the disc; none where too few dots were seen.

    Parameters
    ----------
    profile : DotProfile
    line_px, lens_px : float
        w, and about the blur, of the outlines of the die. Corners add to the blur.
    least_dots : int
    """
    if len(profile.radii) < least_dots:
        return None
    luma, count = profile.mean()
    seen = count >= 4
    if seen.sum() < 12:
        return None
    at = _STEP_PX * np.flatnonzero(seen).astype(float)
    luma = luma[seen]
    weight = np.sqrt(np.minimum(count[seen] / count[seen].mean(), 1.0))
    labelled = profile.labelled_px
    after = _smoothing(at, _JITTER_PX)
    light = srgb_inverse(np.array([luma[-1], luma[0]]) / 255)

    def misses(p: Array) -> Array:
        radius, taken, lens, *sides = p
        return (after @ _encoded(radius, taken, line_px, lens, np.array(sides)) - luma) * weight

    low = [max(0.8, labelled - 2.5), -0.5, 0.75 * lens_px, 0.0, 0.0]
    high = [labelled + 2.5, 1.0, 1.75 * lens_px, 1.5, 1.5]
    fits = [
        scipy.optimize.least_squares(
            misses,
            [max(labelled + off, low[0]), 0.4, 1.2 * lens_px, *light],
            bounds=(low, high),
            x_scale=[0.5, 0.5, 0.5, 0.1, 0.1],
        )
        for off in (-1.0, 0.0, 1.0)
    ]
    best = min(fits, key=lambda fit: fit.cost)
    radius, taken, lens, *sides = (float(v) for v in best.x)
    miss = float(np.sqrt(np.mean(best.fun**2)))
    return RoundDot(radius, line_px, lens, np.array(sides), taken, miss)


def _encoded(radius: float, taken: float, line: float, lens: float, sides: Array) -> Array:
    """(m,) encoded light, levels, along the grid; light of the sides (2,) outside and inside."""
    inside = np.clip((radius - _GRID) / _RING_PX + 0.5, 0, 1)
    light = sides[0] * (1 - inside) + sides[1] * inside
    light *= 1 - taken * np.exp(-0.5 * ((_GRID - radius) / line) ** 2)
    return 255 * srgb_curve(np.clip(_round_blur(_GRID, lens) @ light, 0, None))


def _smoothing(at: Array, jitter_px: float) -> Array:
    """(n, m) from the grid to distances (n,), smoothed as pictures are."""
    return _round_blur(at, float(np.hypot(Labeller.SMOOTHING_PX, jitter_px)))


def _round_blur(at: Array, blur: float) -> Array:
    """(n, m) what each ring of the grid gives to the light at distances (n,) from the middle."""
    far = at[:, None] - _GRID
    kernel = np.exp(-0.5 * (far / blur) ** 2) * ive(0, at[:, None] * _GRID / blur**2) * _GRID
    return np.asarray(kernel / kernel.sum(1, keepdims=True))
