"""Patches of two dies laid over each other, to learn from what did not change."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, blocks_of, eight_bits, map_block
from maskdelta.study import Registration

__all__ = ["PatchPair", "both_pictures", "patch_pairs", "smoothed"]


@dataclass(frozen=True)
class PatchPair:
    """One place in both dies, in the frame of the die before.

    Parameters
    ----------
    before, after : (h, w, 3) uint8
    member_before, member_after : (planes, h, w) uint8
        Membership of the layers.
    seen : (h, w) bool
        Photographed in both.
    """

    before: NDArray[np.uint8]
    after: NDArray[np.uint8]
    member_before: NDArray[np.uint8]
    member_after: NDArray[np.uint8]
    seen: NDArray[np.bool_]


def patch_pairs(
    mosaics: tuple[Raster, Raster],
    coverages: tuple[Raster, Raster],
    members: tuple[Raster, Raster],
    registration: Registration,
    *,
    most: int = 400,
    side_px: int = 96,
) -> Iterator[PatchPair]:
    """Patches spread evenly over the overlap of two dies.

    Parameters
    ----------
    mosaics, coverages, members : (Raster, Raster)
        Of the dies before and after: colour, tile numbers with 0 where nothing was photographed,
        and membership of the layers.
    registration : Registration
    most, side_px : int
        Patches looked at and their side.
    """
    boxes = blocks_of(mosaics[0].shape, side_px)
    stride = max(1, len(boxes) // most)
    ox, oy = mosaics[0].origin
    for box in boxes[stride // 2 :: stride]:
        place = Box(box.x0 + ox, box.y0 + oy, box.x1 + ox, box.y1 + oy)
        seen = coverages[0].read_mosaic(place)[0] > 0
        block = map_block(place, registration.before_to_after)
        seen &= block.resample(block.fetch(coverages[1])[0], nearest=True) > 0
        if not seen.any():
            continue
        yield PatchPair(
            eight_bits(mosaics[0].read_mosaic(place)),
            block.resample(np.ascontiguousarray(eight_bits(block.fetch(mosaics[1])))),
            members[0].read_mosaic(place),
            np.stack([block.resample(plane) for plane in block.fetch(members[1])]),
            seen,
        )


def both_pictures(
    before: Raster,
    after: Raster,
    before_to_after: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    box: Box,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Both photographs of a box of the mosaic before, in its frame."""
    block = map_block(box, before_to_after)
    there = np.ascontiguousarray(eight_bits(block.fetch(after)))
    return np.ascontiguousarray(eight_bits(before.read_mosaic(box))), block.resample(there)


def smoothed(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A picture freed from grain."""
    return cv2.GaussianBlur(image, (0, 0), 1.0)
