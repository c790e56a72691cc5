"""Outlines of dots where something else lies too near for the picture to be asked.

The strip of metal between a contact and the rim of its line is two or three px wide and darkened by
both outlines: read by itself it goes to the contact, which comes out too large and too near the
rim. Masks draw dots round, or as squares that the process rounds. So a disc is laid through what is
known of a dot's outline on its clear sides (least squares on the distance from the middle, Gauss
and Newton's method), and the other sides are where the disc puts them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._outlines import JITTER_PX, REACH_PX, TOLD_PX, Moved
from maskdelta.segment._parts import Parts
from maskdelta.segment._rules import UNKNOWN

__all__ = ["round_dots"]

Array = NDArray[np.float64]
_Px = tuple[NDArray[np.intp], NDArray[np.int64]]
"""Flat indices of px, and the shape of each."""


@dataclass(frozen=True)
class _Discs:
    """Middles (n, 2), from the first px of each dot, and radii (n,), px; which of them hold."""

    middle: Array
    radius: Array
    good: NDArray[np.bool_]


def round_dots(found: Moved, label: NDArray[np.uint8], seats: Sequence[tuple[int, int]]) -> Moved:
    """What is known of px along outlines, with those of dots completed by discs.

    Parameters
    ----------
    found : Moved
    label : (H, W) uint8
        The labels that `found` is about.
    seats : sequence of (int, int)
        Each dot with each of the stacks that it may sit in.

    Returns
    -------
    Moved
    """
    # nobody looks at the rim of the picture
    inner = np.full(label.shape, UNKNOWN, np.uint8)
    amid = (slice(REACH_PX, -REACH_PX),) * 2
    inner[amid] = label[amid]
    own = inner.reshape(-1)
    for dot, host in seats:
        parts = Parts.of(label == dot)
        if not len(parts):
            continue
        inside = parts.places(np.ones(len(parts), bool))
        place, part = _with_px_near(parts, inside)
        told = _told(found, own, (dot, host))
        discs = _fit(parts, inside, (place, part), told)
        ours = discs.good[part] & ((own[place] == dot) | (own[place] == host))
        ours &= ~np.isin(place, told.place)
        place, part = place[ours], part[ours]
        away = np.hypot(*(_offsets(parts, place, part) - discs.middle[part]).T)
        depth = np.where(own[place] == dot, 1, -1) * (discs.radius[part] - away)
        near = depth < TOLD_PX
        found = found.replaced(
            place[near],
            np.where(own[place[near]] == dot, host, dot).astype(np.uint8),
            depth[near].astype(np.float32),
            JITTER_PX,
        )
    return found


def _told(
    found: Moved, own: NDArray[np.uint8], pair: tuple[int, int], *, near_px: float = 0.6
) -> Moved:
    """Px on the outlines between two stacks, of which the picture was asked; + inside the first.

    What the picture tells is right near the edge, and too little farther away.
    """
    dot, host = pair
    first = own[found.place] == dot
    chosen = found.asked & (np.abs(found.inside_px) < near_px)
    chosen &= np.where(
        first, found.other == host, (own[found.place] == host) & (found.other == dot)
    )
    told = found.only(chosen)
    return replace(told, inside_px=np.where(first[chosen], 1, -1) * told.inside_px)


def _with_px_near(parts: Parts, inside: _Px) -> _Px:
    """Px of all shapes and near them, in order."""
    inner, its = inside
    outer, beside = parts.around(REACH_PX)
    place, part = np.concatenate([inner, outer]), np.concatenate([its, beside])
    order = np.argsort(place)
    return place[order], part[order]


def _offsets(parts: Parts, place: NDArray[np.intp], part: NDArray[np.int64]) -> Array:
    """(n, 2) x, y from the first px of the shape: whole numbers wherever a block begins."""
    width = parts.shape[1]
    first = parts.start[np.unique(parts.part, return_index=True)[1]][part]
    return np.column_stack([place % width - first % width, place // width - first // width]).astype(
        float
    )


def _fit(
    parts: Parts,
    inside: _Px,
    near: _Px,
    told: Moved,
    *,
    least_px: int = 8,
    most_off_px: float = 0.6,
    middle_sd_px: float = 1.0,
    radius_sd_px: float = 0.5,
    error_px: float = 0.3,
) -> _Discs:
    """Discs through the outlines told, near the middle and area of the px `inside` a shape.

    A disc holds where its outline is told at `least_px` px and lies no farther than `most_off_px`
    (root mean square) from them: other shapes than dots stay as they are.
    """
    count = len(parts)
    (inner, its), (place, part) = inside, near
    at = _offsets(parts, inner, its)
    start = np.column_stack([np.bincount(its, axis, count) for axis in at.T]) / parts.area[:, None]
    first = np.sqrt(parts.area / np.pi)
    row = np.searchsorted(place, told.place)
    row[row == len(place)] = 0
    known = place[row] == told.place
    k, depth = part[row[known]], told.inside_px[known].astype(float)
    xy = _offsets(parts, told.place[known], k)
    middle, radius = start.copy(), first.copy()
    prior = (error_px / np.array([middle_sd_px, middle_sd_px, radius_sd_px])) ** 2
    for _ in range(4):
        off = xy - middle[k]
        away = np.maximum(np.hypot(*off.T), 0.5)
        design = np.column_stack([off / away[:, None], np.ones(len(k))])
        miss = away + depth - radius[k]
        normal = np.zeros((count, 3, 3)) + np.diag(prior)
        wanted = prior * np.column_stack([start - middle, first - radius])
        for i in range(3):
            wanted[:, i] += np.bincount(k, design[:, i] * miss, count)
            for j in range(3):
                normal[:, i, j] += np.bincount(k, design[:, i] * design[:, j], count)
        step = np.linalg.solve(normal, wanted[..., None])[..., 0]
        middle, radius = middle + step[:, :2], radius + step[:, 2]
    miss = np.hypot(*(xy - middle[k]).T) + depth - radius[k]
    px = np.bincount(k, minlength=count)
    spread = np.sqrt(np.bincount(k, miss**2, count) / np.maximum(px, 1))
    good = (px >= least_px) & (spread <= most_off_px)
    good &= np.hypot(*(middle - start).T) < 2 * middle_sd_px
    return _Discs(middle, radius, good)
