"""Colours that no stack has, and what of them is dirt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._islands import of_size
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
    distance2 = far.astype(np.float32) / 4
    unknown = distance2 > settings.unknown_sigma**2
    level = (flat & ~unknown).astype(np.float32)
    weight = cv2.GaussianBlur(level, (0, 0), 2.0)
    mean = cv2.GaussianBlur(distance2 * level, (0, 0), 2.0)
    off = (level > 0) & (mean > settings.patch_sigma**2 * weight) & ~dot
    off &= ~_blotches(off, first, flat & ~unknown)
    return (unknown | off).astype(np.uint8)


def _blotches(
    off: NDArray[np.bool_], first: NDArray[np.uint8], flat: NDArray[np.bool_], *, least: float = 0.3
) -> NDArray[np.bool_]:
    """Patches somewhat off in colour that go over into their own stack without an edge.

    Films vary from place to place, slowly; dirt has an outline, whose px are not flat. Of the px
    right beside such a patch a share of `least` must be flat, of its stack and not off.
    """
    count, parts = cv2.connectedComponents(off.astype(np.uint8), connectivity=4)
    if count == 1:
        return np.zeros(off.shape, bool)
    square = np.ones((3, 3), np.uint8)
    grown = cv2.dilate(parts.astype(np.float32), square)
    place = np.flatnonzero((grown > 0) & ~off)
    patch = grown.ravel()[place].astype(np.int32)
    own = np.zeros(count, np.uint8)
    inside = np.flatnonzero(off)
    own[parts.ravel()[inside]] = first.ravel()[inside]
    smooth = flat.ravel()[place] & (first.ravel()[place] == own[patch])
    share = np.bincount(patch, smooth, count) / np.maximum(np.bincount(patch, minlength=count), 1)
    share[0] = 0
    return np.asarray((share >= least)[parts])


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
    bridge_px: int = 31,
    least_px: int = 16,
) -> NDArray[np.uint8]:
    """Unknown colour inside one stack: scratches, hairs, specks.

    An outline parts two stacks; unknown colour with only one stack far around is dirt. Where dirt
    goes on at the other side of a line, the part between is spoiled too.
    """
    alone = (unknown & (second > EIGHTHS * (edge_px + 7))).astype(np.uint8)
    alone = cv2.morphologyEx(alone, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    kept = of_size(alone > 0, least_px).astype(np.uint8)
    bridge = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (bridge_px, bridge_px))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    return cv2.dilate(cv2.morphologyEx(kept, cv2.MORPH_CLOSE, bridge), rim)
