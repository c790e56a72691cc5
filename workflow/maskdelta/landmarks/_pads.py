"""Pads: bright, plain rectangles of one size, several of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.images import Raster, colour_slope, eight_bits
from maskdelta.landmarks._levels import small_level, to_mosaic

__all__ = ["find_pads"]

_LONGEST_PX = 2400


@dataclass(frozen=True)
class _Plain:
    """Plain shapes of a reduced picture.

    Parameters
    ----------
    outline : list of (4, 2) float32
        The smallest rectangle around each, turned as it is.
    area : (n,) float64
    side : (n, 2) float64
        Of the rectangle, the shorter first.
    colour : (n, 3) float64
    """

    outline: list[NDArray[np.float32]]
    area: NDArray[np.float64]
    side: NDArray[np.float64]
    colour: NDArray[np.float64]


def find_pads(
    mosaic: Raster, coverage: Raster, *, least: int = 4, least_side_frac: float = 0.012
) -> list[shapely.Polygon]:
    """Outlines of what look like pads, mosaic frame, clockwise from the left upper corner.

    On a picture reduced to 2,400 px a side, shapes without an edge in them that fill their
    rectangle are sorted into kinds of one size and colour. The brightest kind with at least `least`
    members is taken for the pads.

    Parameters
    ----------
    mosaic, coverage : Raster
    least : int
        Fewer alike are no pads.
    least_side_frac : float
        Shortest side of a pad, of the longer side of the mosaic.

    Returns
    -------
    list of shapely Polygon
        Empty where nothing of the kind is seen.
    """
    level, scale = small_level(mosaic, _LONGEST_PX)
    picture = eight_bits(mosaic.read_level(level))
    seen = coverage.read_level(level)[0] > 0
    plain = _plain(picture, seen, least_side_frac * max(picture.shape[:2]))
    kind = _brightest_kind(plain, least)
    if not kind:
        return []
    found = [shapely.Polygon(to_mosaic(mosaic, plain.outline[k], scale)) for k in kind]
    middle = np.mean([p.centroid.coords[0] for p in found], axis=0)

    def clockwise(pad: shapely.Polygon) -> float:
        x, y = np.array(pad.centroid.coords[0]) - middle
        return float(np.arctan2(y, x))

    found.sort(key=clockwise)
    first = min(range(len(found)), key=lambda k: sum(found[k].centroid.coords[0]))
    return found[first:] + found[:first]


def _plain(picture: NDArray[np.uint8], seen: NDArray[np.bool_], side_px: float) -> _Plain:
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    slope = colour_slope(smooth.astype(np.float32))
    flat = seen & (slope < max(4.0, 3.0 * float(np.median(slope[seen]))))
    mask = cv2.morphologyEx(flat.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, parts, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    rows = []
    for k in range(1, count):
        x, y, width, height, area = stats[k].tolist()
        if min(width, height) < side_px:
            continue
        part = (parts[y : y + height, x : x + width] == k).astype(np.uint8)
        around, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        rectangle = cv2.minAreaRect(np.concatenate(around))
        sides = np.sort(np.array(rectangle[1]) + 1)
        if sides[0] < side_px or sides[1] > 2.2 * sides[0] or area < 0.75 * sides.prod():
            continue
        inside = picture[y : y + height, x : x + width][part > 0]
        rows.append((cv2.boxPoints(rectangle) + [x, y], area, sides, inside.mean(0)))
    if not rows:
        return _Plain([], np.zeros(0), np.zeros((0, 2)), np.zeros((0, 3)))
    outline, area, side, colour = zip(*rows, strict=True)
    return _Plain(list(outline), np.array(area, float), np.array(side), np.array(colour))


def _brightest_kind(
    plain: _Plain, least: int, *, size: float = 1.3, level: float = 30.0
) -> list[int]:
    """Numbers of the shapes of the brightest kind of one size and colour."""
    best: list[int] = []
    brightest = -1.0
    for k in range(len(plain.area)):
        ratio = plain.side / plain.side[k]
        alike = (np.maximum(ratio, 1 / ratio) < size).all(1)
        alike &= np.abs(plain.colour - plain.colour[k]).max(1) < level
        bright = float(plain.colour[alike].mean())
        if alike.sum() >= least and (bright, alike.sum()) > (brightest, len(best)):
            best, brightest = np.flatnonzero(alike).tolist(), bright
    return best
