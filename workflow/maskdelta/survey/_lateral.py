"""Lateral colour: the microscope shows red and blue a little larger or smaller than green.

In each patch of a tile the shift of red, or blue, against green follows from the tile alone. Over
the field of view it grows from the middle, whatever the die shows there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import full_scale

__all__ = ["LateralColour", "estimate_lateral", "shifts_of_colours"]

Array = NDArray[np.float64]
_PATCH_PX = 88


@dataclass(frozen=True)
class LateralColour:
    """How much larger than green a microscope shows red and blue.

    Attributes
    ----------
    red, blue : float
        Shares: a point at p from the middle of the tile, in green, lies at p (1 + red) in red.
        0 where they are not significant.
    red_px, blue_px, red_sd_px, blue_sd_px : float
        Displacement in the corner of a tile and its standard deviation, as measured.
    red_offset_px, blue_offset_px : (float, float)
        Displacement in the middle, x and y; told, not taken out, since light from one side, which
        the outlines of the die cast shadows in, shows as one too.
    patches : int
        That it was measured in.
    """

    red: float = 0.0
    blue: float = 0.0
    red_px: float = 0.0
    blue_px: float = 0.0
    red_sd_px: float = 0.0
    blue_sd_px: float = 0.0
    red_offset_px: tuple[float, float] = (0.0, 0.0)
    blue_offset_px: tuple[float, float] = (0.0, 0.0)
    patches: int = 0

    def to_mapping(self) -> dict[str, Any]:
        """Plain values, as they are written."""
        offsets = {k: list(getattr(self, k)) for k in ("red_offset_px", "blue_offset_px")}
        return {**vars(self), **offsets}

    @classmethod
    def from_mapping(cls, data: dict[str, Any]) -> LateralColour:
        """The inverse of `to_mapping`."""
        offsets = {k: tuple(data[k]) for k in ("red_offset_px", "blue_offset_px")}
        return cls(**{**data, **offsets})


def shifts_of_colours(image: NDArray[np.uint8] | NDArray[np.uint16], *, across: int = 3) -> Array:
    """Shifts of red and of blue against green in `across` x `across` patches of a tile.

    Red is taken for a stretched green that is displaced by a little: to first order, with offset
    and contrast free in each patch, that is one linear least squares (Lucas & Kanade, IJCAI 1981).
    Where outlines differ in colour the contrast is not one; what that leaves is odd about an
    outline and a displacement even, so that it adds noise and no bias. Noise of green makes shifts
    5 to 15 % too small, and JPEG, which keeps colour at half the resolution, up to 30 %: there the
    fine detail of red is that of all channels, and lies where they lie.

    Returns
    -------
    (n, 8) float64
        x, y of the patch from the middle of the tile; x, y of the shift of red and its standard
        deviation; the same for blue, px.
    """
    height, width = image.shape[:2]
    side = min(_PATCH_PX, width // across, height // across)
    if side < 24:
        return np.zeros((0, 8))
    rows = []
    scale = np.float32(255 / full_scale(image.dtype))
    for y in np.linspace(0, height - side, across).astype(int).tolist():
        for x in np.linspace(0, width - side, across).astype(int).tolist():
            patch = image[y : y + side, x : x + side].astype(np.float32) * scale
            red, green, blue = cv2.split(cv2.GaussianBlur(patch, (0, 0), 2.0))
            found = [_shift(red, green), _shift(blue, green)]
            middle = [x + (side - width) / 2, y + (side - height) / 2]
            rows.append([*middle, *found[0], *found[1]])
    return np.array(rows)


def _shift(plane: NDArray[np.float32], green: NDArray[np.float32]) -> tuple[float, float, float]:
    """Shift of a plane against green, and its standard deviation, infinite where nothing tells."""
    design = _slopes(green)
    values = plane[4:-4, 4:-4].ravel() - plane[4:-4, 4:-4].mean()
    normal, right = ((design @ v).astype(float) for v in (design.T, values))
    if np.linalg.cond(normal) > 1e8:
        return 0.0, 0.0, np.inf
    solution = np.linalg.solve(normal, right)
    contrast = float(solution[0])
    shift = -solution[1:] / contrast if abs(contrast) > 0.1 else np.full(2, np.inf)
    if np.abs(shift).max() > 3:
        return 0.0, 0.0, np.inf
    left = max(float(values @ values - right @ solution), 1.0)
    # what is left is as wide as an outline, about ten px that count as one
    variance = 10 * left / len(values) * np.linalg.inv(normal)
    sd = float(np.sqrt(max(variance[1, 1], variance[2, 2]))) / abs(contrast)
    return float(shift[0]), float(shift[1]), sd


def _slopes(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """Level and slopes along x and y of the inner px, each less its mean, (3, n)."""
    across = (plane[4:-4, 5:-3] - plane[4:-4, 3:-5]) / 2
    down = (plane[5:-3, 4:-4] - plane[3:-5, 4:-4]) / 2
    rows = np.stack([plane[4:-4, 4:-4].ravel(), across.ravel(), down.ravel()])
    return np.asarray(rows - rows.mean(1, keepdims=True))


def estimate_lateral(
    shifts: Sequence[Array],
    half_diagonal_px: float,
    *,
    significant: float = 5.0,
    least_px: float = 0.1,
) -> LateralColour:
    """Lateral colour of a microscope from the patches of all its tiles, robustly.

    Parameters
    ----------
    shifts : sequence of (n, 8) float64
        Of `shifts_of_colours`, a tile each.
    half_diagonal_px : float
        Of a tile.
    significant, least_px : float
        A channel is left as it is unless its displacement in the corner is so many standard
        deviations, and so many px.
    """
    rows = np.concatenate([np.zeros((0, 8)), *shifts])
    fits = [_fit(rows[:, :2], rows[:, k : k + 2], rows[:, k + 2]) for k in (2, 5)]
    values: dict[str, Any] = {"patches": len(rows)}
    for name, (stretch, sd, offset) in zip(("red", "blue"), fits, strict=True):
        px, sd_px = stretch * half_diagonal_px, sd * half_diagonal_px
        firm = sd_px > 0 and abs(px) >= max(significant * sd_px, least_px)
        values[name] = round(float(stretch), 7) if firm else 0.0
        values |= {f"{name}_px": round(float(px), 3), f"{name}_sd_px": round(float(sd_px), 4)}
        values[f"{name}_offset_px"] = tuple(round(float(v), 3) for v in offset)
    return LateralColour(**values)


def _fit(places: Array, shifts: Array, sds: Array) -> tuple[float, float, Array]:
    """Stretch, its standard deviation, and offset: least squares with Tukey's weights."""
    good = np.isfinite(sds)
    if good.sum() < 12:
        return 0.0, 0.0, np.zeros(2)
    p, d = places[good], shifts[good]
    base = 1 / (sds[good] ** 2 + 0.05**2)
    weight, stretch, offset, sd = base, 0.0, np.zeros(2), 0.0
    for _ in range(12):
        share = weight[:, None] / weight.sum()
        mean_p, mean_d = (share * p).sum(0), (share * d).sum(0)
        q, e = p - mean_p, d - mean_d
        information = float((weight[:, None] * q * q).sum())
        stretch = float((weight[:, None] * q * e).sum()) / information
        offset = mean_d - stretch * mean_p
        miss = np.hypot(*(e - stretch * q).T) * np.sqrt(base)
        scale = max(float(np.median(miss)) / 1.177, 0.1)  # of two axes each
        weight = base * np.clip(1 - (miss / (4.685 * scale)) ** 2, 0, 1) ** 2
        left = weight[:, None] * (e - stretch * q)
        # scatter of the patches themselves (sandwich estimate)
        sd = float(np.sqrt((left**2 * q**2).sum())) / information
    return stretch, sd, offset
