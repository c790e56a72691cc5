"""Colours that no stack has, and what of them is dirt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

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
    off: NDArray[np.bool_], first: NDArray[np.uint8], flat: NDArray[np.bool_], *, least: float = 0.3
) -> NDArray[np.bool_]:
    """Patches somewhat off in colour that go over into their own stack without an edge.

    Films vary from place to place, slowly; dirt has an outline, whose px are not flat. Of the px
    right beside such a patch a share of `least` must be flat, of its stack and not off.
    """
    parts = Parts.of(off, corners=False)
    inside, patch = parts.places(np.ones(len(parts), bool))
    own = np.zeros(len(parts), np.uint8)
    own[patch] = first.ravel()[inside]
    place, patch = parts.around(1)
    smooth = flat.ravel()[place] & (first.ravel()[place] == own[patch])
    count = np.bincount(patch, minlength=len(parts))
    share = np.bincount(patch, smooth, len(parts)) / np.maximum(count, 1)
    return parts.drawn(share >= least)


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
