"""How large dots are: their mean profile by distance from the middle, explained as a disc.

A dot is so small that blur mixes all of its outline, and its own light is seen nowhere: a profile
across its edge, taken for that of a straight one, puts it up to a px off. So the light around
all dots of a die is explained as that of a disc with a dark line along its edge,

    light(r) = (inside [r < R] + outside [r > R]) (1 - p exp(-(r - R)^2 / 2 w^2))  blurred by s,

where a disc of the radius R has the area of the dot. Blur of what is round is an integral over r
with a Bessel function (the radial part of a two-dimensional Gaussian).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.optimize
from numpy.typing import NDArray
from scipy.special import ive

__all__ = ["DotProfile", "RoundDot", "explain_dot"]

Array = NDArray[np.float64]
_REACH_PX = 9.0
_STEP_PX = 0.5
_GRID = np.arange(0.05, _REACH_PX + 5, 0.1)


@dataclass(frozen=True)
class RoundDot:
    """A disc that explains what is seen of dots.

    Parameters
    ----------
    radius_px, blur_px, line_px : float
    sides : (2,) float64
        Linear light outside and inside.
    taken : float
        Share of the light that the line takes.
    miss : float
        Root mean square of what is left, against the mean light.
    """

    radius_px: float
    blur_px: float
    line_px: float
    sides: Array
    taken: float
    miss: float

    def light(self, at_px: Array) -> Array:
        """Light (n,) at distances (n,) from the middle."""
        shapes = _rings(np.abs(at_px), self.radius_px, self.taken, self.line_px, self.blur_px)
        return np.asarray(shapes @ self.sides)


class DotProfile:
    """Mean light by distance from the middle of dots of one kind in one host."""

    def __init__(self) -> None:
        self.sums = np.zeros((2, int(_REACH_PX / _STEP_PX) + 1))
        self.radii: list[float] = []

    @property
    def labelled_px(self) -> float:
        """Median radius of the dots as they are labelled."""
        return float(np.median(self.radii))

    def add(self, light: Array, dot: NDArray[np.bool_], clear: NDArray[np.bool_]) -> None:
        """Take in a patch.

        Parameters
        ----------
        light : (H, W) float64
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
            self.sums[0] += np.bincount(row, light[cut][use], self.sums.shape[1])
            self.sums[1] += np.bincount(row, minlength=self.sums.shape[1])
            self.radii.append(float(np.sqrt(stats[n, cv2.CC_STAT_AREA] / np.pi)))


def explain_dot(
    profile: DotProfile, line_px: float, blur_px: float, *, least_dots: int = 5
) -> RoundDot | None:
    """Fit the disc; none where too few dots were seen.

    Parameters
    ----------
    profile : DotProfile
    line_px, blur_px : float
        w and, to a quarter, s of the outlines of the die.
    least_dots : int
    """
    total, count = profile.sums
    seen = count >= 4
    if len(profile.radii) < least_dots or seen.sum() < 12:
        return None
    at = _STEP_PX * np.flatnonzero(seen).astype(float)
    light = total[seen] / count[seen]
    weight = np.sqrt(np.minimum(count[seen] / count[seen].mean(), 1.0))
    labelled = profile.labelled_px

    def solve(p: Array) -> tuple[Array, Array]:
        radius, taken, blur = p
        design = _rings(at, radius, taken, line_px, blur)
        found, *_ = np.linalg.lstsq(design * weight[:, None], light * weight, rcond=None)
        return (design @ found - light) * weight / light.mean(), found

    low = [max(0.8, labelled - 2.5), -0.5, 0.75 * blur_px]
    high = [labelled + 2.5, 1.0, 1.25 * blur_px]
    fits = [
        scipy.optimize.least_squares(
            lambda p: solve(p)[0],
            [np.clip(labelled + off, low[0], high[0]), 0.4, blur_px],
            bounds=(low, high),
        )
        for off in (-1.0, 0.0, 1.0)
    ]
    best = min(fits, key=lambda fit: fit.cost)
    left, sides = solve(best.x)
    radius, taken, blur = (float(v) for v in best.x)
    return RoundDot(radius, blur, line_px, sides, taken, float(np.sqrt(np.mean(left**2))))


def _rings(at: Array, radius: float, taken: float, line_px: float, blur: float) -> Array:
    """(n, 2) what the outside and the inside of a disc give to the light at distances (n,)."""
    line = 1 - taken * np.exp(-0.5 * ((_GRID - radius) / line_px) ** 2)
    inside = np.clip((radius - _GRID) / 0.1 + 0.5, 0, 1)
    return np.asarray(_round_blur(at, blur) @ np.column_stack([(1 - inside) * line, inside * line]))


def _round_blur(at: Array, blur: float) -> Array:
    """(n, m) what each ring of the grid gives to the light at distances (n,) from the middle."""
    far = at[:, None] - _GRID
    kernel = np.exp(-0.5 * (far / blur) ** 2) * ive(0, at[:, None] * _GRID / blur**2) * _GRID
    return np.asarray(kernel / kernel.sum(1, keepdims=True))
