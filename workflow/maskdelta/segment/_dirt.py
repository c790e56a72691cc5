"""Colours that no stack has, and what of them is dirt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._distances import closed
from maskdelta.segment._parts import of_size
from maskdelta.segment._rules import EIGHTHS
from maskdelta.study import SegmentSettings

__all__ = ["debris", "dirt_inside", "unknown_colours"]


def unknown_colours(
    far: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    first: NDArray[np.uint8],
    dot: NDArray[np.bool_],
    settings: SegmentSettings,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a colour belongs to no stack: single px far off, or whole patches somewhat off.

    A px may lie a little off its stack by noise; the mean over a patch may not. Dirt is often
    told from the stack it imitates only so. Edges part the patches and take no part in the mean.
    What looks like a dot is smaller than such a patch, and is judged by its size and place.

    Returns
    -------
    doubtful : (H, W) bool
        Px that cannot be trusted to be of their stack.
    odd : (H, W) bool
        Those of them that may be dirt; the others are of a film that varies, or blends.
    """
    unknown = far > 4 * settings.unknown_sigma**2
    level = flat & ~unknown
    beyond = np.subtract(far, 4 * settings.patch_sigma**2, dtype=np.float32)
    beyond *= level
    off = level & (cv2.GaussianBlur(beyond, (0, 0), 2.0) > 0) & ~dot
    gradual, film = _films(off, far, first, level)
    return unknown | (off & ~gradual), unknown | (off & ~film)


def _films(
    off: NDArray[np.bool_],
    far: NDArray[np.uint8],
    first: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    *,
    least_gradual: float = 0.3,
    least_film: float = 0.6,
    around_px: int = 12,
    least_sigma: float = 3.3,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Px somewhat off in colour that go over into their stack, and that are of no dirt.

    Films vary from place to place, slowly; dirt has an outline, whose px are not flat. Of the px
    right beside such patches a share must be flat, of their stack and not off. The outline of the
    shape that a patch lies in tells nothing of dirt: beyond it lies another stack. Where no other
    rim is seen, a mean of `least_sigma` standard deviations is wanted of dirt. All is counted in
    the square that reaches `around_px` to every side, since a block may cut a patch.
    """
    beside, telling, smooth = (np.zeros(off.shape, np.uint8) for _ in range(3))
    grown = cv2.dilate(off.view(np.uint8), np.ones((3, 3), np.uint8))
    places = np.flatnonzero(grown.view(np.bool_) & ~off)
    beside.ravel()[places] = 1
    _rims(off, first, flat, places, telling.reshape(-1), smooth.reshape(-1))
    rim, outline, kin, count, whole = (
        _sum_around(v, around_px) for v in (beside, telling, smooth, off.view(np.uint8), far * off)
    )
    faint = whole <= 4 * least_sigma**2 * count
    film = np.where(outline > 0, kin >= least_film * outline, faint)
    return np.where(rim > 0, kin >= least_gradual * rim, film), film


def _sum_around(values: NDArray[np.uint8], around_px: int) -> NDArray[np.float32]:
    size = (2 * around_px + 1, 2 * around_px + 1)
    return cv2.boxFilter(values, cv2.CV_32F, size, normalize=False, borderType=cv2.BORDER_CONSTANT)


@compiled
def _rims(
    off: NDArray[np.bool_],
    first: NDArray[np.uint8],
    flat: NDArray[np.bool_],
    places: NDArray[np.intp],
    telling: NDArray[np.uint8],
    smooth: NDArray[np.uint8],
) -> None:
    """Mark px beside patches that tell something of them, and those that go over into them."""
    height, width = off.shape
    reach = 7
    for place in places:
        y, x = place // width, place % width
        own, kin = first[y, x], False
        for v in range(max(y - 1, 0), min(y + 2, height)):
            for u in range(max(x - 1, 0), min(x + 2, width)):
                if off[v, u]:
                    own = first[v, u]
                    kin |= own == first[y, x]
        if kin and flat[y, x]:
            telling[place], smooth[place] = 1, 1
            continue
        # every second px: what is narrower is seldom flat
        another = False
        for v in range(max(y - reach, 0), min(y + reach + 1, height), 2):
            for u in range(max(x - reach, 0), min(x + reach + 1, width), 2):
                another |= flat[v, u] and first[v, u] != own
            if another:
                break
        if not another:
            telling[place] = 1


def debris(
    unknown: NDArray[np.bool_], explained: NDArray[np.bool_], edge_px: int, debris_px: float
) -> NDArray[np.uint8]:
    """Patches of unknown colour too wide to be the rim of something known.

    Outlines and blends are unknown too, but lie near a trusted patch. What lies beyond is debris,
    damage or background; it takes back the rim that was explained away, and 2 px more for its
    shadow.
    """
    unknown = unknown.view(np.uint8)
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
