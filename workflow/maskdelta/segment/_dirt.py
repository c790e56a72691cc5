"""Colours that no stack has, and what of them is dirt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._distances import closed
from maskdelta.segment._parts import Parts, of_size
from maskdelta.segment._rules import EIGHTHS
from maskdelta.study import SegmentSettings

__all__ = ["debris", "dirt_inside", "unknown_colours"]


def unknown_colours(
    far: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    first: NDArray[np.uint8],
    dot: NDArray[np.bool_],
    settings: SegmentSettings,
) -> NDArray[np.uint8]:
    """1 where a colour belongs to no stack: single px far off, or whole patches somewhat off.

    A px may lie a little off its stack by noise; the mean over a patch may not. Dirt is often
    told from the stack it imitates only so. Edges part the patches and take no part in the mean.
    What looks like a dot is smaller than such a patch, and is judged by its size and place.
    """
    unknown = far > 4 * settings.unknown_sigma**2
    level = flat & ~unknown
    beyond = np.subtract(far, 4 * settings.patch_sigma**2, dtype=np.float32)
    beyond *= level
    off = level & (cv2.GaussianBlur(beyond, (0, 0), 2.0) > 0) & ~dot
    off &= ~_blotches(off, first, level)
    return (unknown | off).astype(np.uint8)


def _blotches(
    off: NDArray[np.bool_],
    first: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    *,
    least: float = 0.3,
    whole_px: int = 48,
    around_px: int = 24,
) -> NDArray[np.bool_]:
    """Patches somewhat off in colour that go over into their own stack without an edge.

    Films vary from place to place, slowly; dirt has an outline, whose px are not flat. Of the px
    right beside such a patch a share of `least` must be flat, of its stack and not off.

    A patch longer than `whole_px` may be cut by the block. Of it each px is judged by what lies
    beside such patches in the square that reaches `around_px` to every side; where nothing does, a
    film varies, since hardly any dirt is that wide.
    """
    parts = Parts.of(off, corners=False)
    long = parts.longest > whole_px
    inside, patch = parts.places(~long)
    own = np.zeros(len(parts), np.uint8)
    own[patch] = first.ravel()[inside]
    place, patch = parts.around(1, ~long)
    smooth = flat.ravel()[place] & (first.ravel()[place] == own[patch])
    count = np.bincount(patch, minlength=len(parts))
    share = np.bincount(patch, smooth, len(parts)) / np.maximum(count, 1)
    out = parts.drawn(~long & (share >= least))
    if long.any():
        place, _ = parts.around(1, long)
        beside, smooth = (np.zeros(off.shape, np.uint8) for _ in range(2))
        beside.ravel()[place] = 1
        kin = _kin_beside(off, first, place)
        smooth.ravel()[place] = flat.ravel()[place] & kin
        size = (2 * around_px + 1, 2 * around_px + 1)
        whole, part = (
            cv2.boxFilter(v, cv2.CV_16U, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
            for v in (beside, smooth)
        )
        out |= parts.drawn(long) & (part >= least * whole)
    return out


@compiled
def _kin_beside(
    off: NDArray[np.bool_], first: NDArray[np.uint8], places: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """(n,) whether a px that is off, of the same stack, lies right beside px `places`."""
    height, width = off.shape
    out = np.zeros(len(places), np.bool_)
    for n in range(len(places)):
        y, x = places[n] // width, places[n] % width
        for v in range(max(y - 1, 0), min(y + 2, height)):
            for u in range(max(x - 1, 0), min(x + 2, width)):
                out[n] |= off[v, u] and first[v, u] == first[y, x]
    return out


def debris(
    unknown: NDArray[np.uint8], explained: NDArray[np.bool_], edge_px: int, debris_px: float
) -> NDArray[np.uint8]:
    """Patches of unknown colour too wide to be the rim of something known.

    Outlines and blends are unknown too, but lie near a trusted patch. What lies beyond is debris,
    damage or background; it takes back the rim that was explained away, and 2 px more for its
    shadow.
    """
    core = unknown & ~explained
    size = max(1, round(debris_px))
    core = cv2.morphologyEx(core, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (4 * edge_px + 5, 4 * edge_px + 5))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    return cv2.dilate(cv2.dilate(core, reach) & (unknown | core), rim)


def dirt_inside(
    unknown: NDArray[np.bool_],
    second: NDArray[np.uint8],
    edge_px: int,
    *,
    bridge_px: int = 15,
    least_px: int = 16,
) -> NDArray[np.uint8]:
    """Unknown colour inside one stack: scratches, hairs, specks.

    An outline parts two stacks; unknown colour with only one stack far around is dirt. Where dirt
    goes on at the other side of a line, the part between is spoiled too.
    """
    alone = (unknown & (second > EIGHTHS * (edge_px + 7))).astype(np.uint8)
    alone = cv2.morphologyEx(alone, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    kept = of_size(alone > 0, least_px)
    if not kept.any():
        return kept.view(np.uint8)
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    return cv2.dilate(closed(kept, bridge_px).view(np.uint8), rim)
