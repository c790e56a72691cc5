"""Jumps of a registration along straight lines: seams in one of the two pictures.

Control points left and right of a line are fitted with one smooth surface (cubic across the line)
and a step at the line. What bends smoothly has no step; where an earlier joining was wrong there
is one, all along the line. Unlike what crosses a seam within one picture it tells both components
of the displacement, and so what was left out or is shown twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.study import Registration

__all__ = ["find_jumps"]

Array = NDArray[np.float64]

_BESIDE = 6.0  # points up to so many spacings from a line are fitted
_BAND = 5.0  # spacings along a line that are fitted at once
_LEAST = 8.0  # standard errors
_LEAST_PX = 0.1


@dataclass(frozen=True)
class _Line:
    """A step along an upright line of some frame, px."""

    at: float
    start: float
    end: float
    step: Array
    error: float
    strength: float


def find_jumps(
    residuals: Sequence[dict[str, Any]], registration: Registration, *, um_per_px: float
) -> list[dict[str, Any]]:
    """Look for jumps in the control points of two dies.

    Parameters
    ----------
    residuals : sequence of dict
        Rows of `residuals.csv`. Points of groups are left out: these are listed there.
    registration : Registration
        Trusted.
    um_per_px : float
        Scale of the mosaic before.

    Returns
    -------
    list of dict
        Rows of the table `jumps`: lines straight in the frame of either picture. Ends are known
        to about half a band of five spacings.
    """
    rows = [row for row in residuals if row["group"] == 0]
    points = np.array([[r["x_px"], r["y_px"]] for r in rows], float).reshape(-1, 2)
    if len(points) < 60 or not registration.trusted:
        return []
    moved = np.array([[r["dx_px"], r["dy_px"]] for r in rows], float)
    if not registration.fragments:
        # the warp has taken up a part of each step
        moved = moved + registration.chain.warp.at(points)
    found = [(line, turned, "before") for line, turned in _both_ways(points, moved)]
    if _askew(registration) > 0.3:
        there = registration.before_to_after(points)
        found += [(line, turned, "after") for line, turned in _both_ways(there, moved)]
    out = []
    for number, (line, turned, frame) in enumerate(found, start=1):
        ends = np.array([[line.at, line.start], [line.at, line.end]])
        ends = ends[:, ::-1] if turned else ends
        if frame == "after":
            ends = registration.after_to_before(ends)
        dx, dy = line.step
        out.append(
            {
                "jump": number,
                "picture": frame if _askew(registration) > 0.3 else "either",
                "x0_px": ends[0, 0],
                "y0_px": ends[0, 1],
                "x1_px": ends[1, 0],
                "y1_px": ends[1, 1],
                "dx_px": dx,
                "dy_px": dy,
                "error_px": line.error,
                "jump_um": float(np.hypot(dx, dy)) * um_per_px,
                "strength": line.strength,
            }
        )
    return out


def _askew(registration: Registration) -> float:
    """Degrees between the axes of the two pictures."""
    a = registration.affine_after_to_before
    angle = float(np.degrees(np.arctan2(a[1, 0], a[0, 0]))) % 90
    return min(angle, 90 - angle)


def _both_ways(points: Array, moved: Array) -> list[tuple[_Line, bool]]:
    """Upright and level lines, and whether x and y were exchanged for them."""
    lines = [(line, False) for line in _upright(points, moved)]
    return lines + [(line, True) for line in _upright(points[:, ::-1], moved)]


def _upright(points: Array, moved: Array) -> list[_Line]:
    low, high = points.min(0), points.max(0)
    spacing = float(np.sqrt(np.prod(high - low) / len(points)))
    places = np.arange(low[0] + 2 * spacing, high[0] - 2 * spacing, spacing / 4)
    count = max(1, round((high[1] - low[1]) / (_BAND * spacing)))
    borders = np.linspace(low[1], high[1] + 1e-6, count + 1)
    steps = np.zeros((count, len(places), 2))
    errors = np.full((count, len(places)), np.inf)
    for band in range(count):
        inside = (points[:, 1] >= borders[band]) & (points[:, 1] < borders[band + 1])
        for k, x in enumerate(places):
            near = inside & (np.abs(points[:, 0] - x) < _BESIDE * spacing)
            near &= np.abs(points[:, 0] - x) > 0.3 * spacing
            steps[band, k], errors[band, k] = _step_at(points[near], moved[near], x, spacing)
    return _lines(places, borders, steps, errors, spacing)


def _step_at(points: Array, moved: Array, x: float, spacing: float) -> tuple[Array, float]:
    """Step (2,) at an upright line and its standard error, beside what is smooth."""
    side = np.sign(points[:, 0] - x) / 2
    if min((side > 0).sum(), (side < 0).sum()) < 10:
        return np.zeros(2), np.inf
    offset = (points - [x, points[:, 1].mean()]) / spacing
    x_off, y_off = (offset / _BESIDE).T
    smooth = (np.ones(len(points)), x_off, y_off, x_off**2, x_off * y_off, y_off**2, x_off**3)
    design = np.column_stack([side, *smooth])
    weight = np.ones(len(points))
    for _ in range(6):
        root = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(design * root, moved * root, rcond=None)[0]
        miss = np.hypot(*(moved - design @ fit).T)
        scale = max(float(np.median(miss)) / 1.1774, 0.01)
        # Tukey's biweight
        weight = np.where(miss < 4.685 * scale, (1 - (miss / (4.685 * scale)) ** 2) ** 2, 0.0)
    kept = weight > 0
    if min((side[kept] > 0).sum(), (side[kept] < 0).sum()) < 10:
        return np.zeros(2), np.inf
    normal = np.linalg.inv((design * weight[:, None]).T @ design)
    return fit[0], scale * float(np.sqrt(normal[0, 0]))


def _lines(
    places: Array, borders: Array, steps: Array, errors: Array, spacing: float
) -> list[_Line]:
    """Runs of bands whose steps are one, strongest first; a weaker one near it is its shadow."""
    count = len(errors)
    weight = np.where(np.isfinite(errors), 1 / np.square(np.maximum(errors, 1e-3)), 0.0)
    total = np.concatenate(
        [np.zeros((1, len(places), 2)), np.cumsum(steps * weight[..., None], axis=0)]
    )
    sums = np.concatenate([np.zeros((1, len(places))), np.cumsum(weight, axis=0)])
    runs: list[tuple[float, int, int, int]] = []
    for first in range(count):
        for last in range(min(first + 2, count), count + 1):
            known = np.maximum(sums[last] - sums[first], 1e-12)
            mean = (total[last] - total[first]) / known[:, None]
            strength = np.hypot(*mean.T) * np.sqrt(known)
            for k in np.flatnonzero(strength >= _LEAST).tolist():
                runs.append((float(strength[k]), k, first, last))
    runs.sort(key=lambda run: (-round(run[0], 6), run[1], run[2]))
    kept: list[_Line] = []
    for strength, k, first, last in runs:
        known = sums[last, k] - sums[first, k]
        step = (total[last, k] - total[first, k]) / known
        line = _Line(
            float(places[k]),
            float(borders[first]),
            float(borders[last]),
            step,
            float(1 / np.sqrt(known)),
            strength,
        )
        if any(
            abs(line.at - old.at) < 2 * _BESIDE * spacing
            and min(line.end, old.end) > max(line.start, old.start)
            for old in kept
        ):
            continue
        kept.append(line)
    return [
        line
        for line in kept
        if np.hypot(*line.step) >= _LEAST_PX and _one_step(line, places, borders, steps, errors)
    ]


def _one_step(line: _Line, places: Array, borders: Array, steps: Array, errors: Array) -> bool:
    """Whether three of four bands along a line show its step by themselves."""
    k = int(np.abs(places - line.at).argmin())
    inside = (borders[:-1] >= line.start - 1e-6) & (borders[1:] <= line.end + 1e-6)
    told = inside & np.isfinite(errors[:, k])
    miss = np.hypot(*(steps[told, k] - line.step).T)
    own = float(np.hypot(*line.step))
    agree = miss <= np.minimum(0.35 * own + 2.5 * errors[told, k], 0.8 * own)
    return bool(agree.mean() >= 0.75) if len(agree) else False
