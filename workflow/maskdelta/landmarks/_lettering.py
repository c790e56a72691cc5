"""Lettering: strokes in a row on plain ground, with nothing around them and no repetition."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.images import Raster, eight_bits
from maskdelta.landmarks._levels import small_level, to_mosaic

__all__ = ["find_lettering"]

_LONGEST_PX = 3000
_TALL_FRAC = (0.006, 0.009, 0.0135, 0.02, 0.03)


def find_lettering(mosaic: Raster, coverage: Raster) -> list[shapely.Polygon]:
    """Outlines of what looks like lettering, mosaic frame, the largest first.

    On a reduced picture, strokes brighter or darker than what is around are joined over as much as
    a sign is tall, for several heights. What then is a rectangle, several times as long as a sign
    is tall, stands alone, is filled by strokes in part and is not like itself anywhere along the
    row, is lettering: rows of contacts, lines and cells repeat.

    Parameters
    ----------
    mosaic, coverage : Raster

    Returns
    -------
    list of shapely Polygon
        Rectangles, turned as the row is.
    """
    level, scale = small_level(mosaic, _LONGEST_PX)
    grey = cv2.cvtColor(eight_bits(mosaic.read_level(level)), cv2.COLOR_RGB2GRAY)
    seen = (coverage.read_level(level)[0] > 0).astype(np.uint8)
    longest = max(grey.shape)
    around = cv2.medianBlur(grey, int(0.04 * longest) | 1)
    drawn = (np.abs(grey.astype(np.int16) - around) > 20) & (cv2.erode(seen, np.ones((9, 9))) > 0)
    strokes = drawn.astype(np.uint8)
    rows = [
        rectangle
        for frac in _TALL_FRAC
        for level_row in (True, False)
        for rectangle in _rows(strokes, frac * longest, level=level_row)
    ]
    found: list[shapely.Polygon] = []
    for rectangle in sorted(rows, key=lambda rectangle: -rectangle.area):
        # words of one line belong together
        if all(not rectangle.intersects(other) for other in found):
            found.append(rectangle)
    return [shapely.transform(r, lambda xy: to_mosaic(mosaic, xy, scale)) for r in found]


def _rows(
    strokes: NDArray[np.uint8], tall_px: float, *, level: bool, least_signs: float = 3.0
) -> list[shapely.Polygon]:
    """Level or upright rows of signs about this tall as rectangles, px of the reduced picture."""
    side = int(1.1 * tall_px) | 1
    # what runs along above or below a row must not be joined to it
    kernel = np.ones((1, side) if level else (side, 1), np.uint8)
    # beyond the border there is nothing to be joined to
    joined = cv2.copyMakeBorder(strokes, side, side, side, side, cv2.BORDER_CONSTANT, value=0)
    for shape in (kernel, np.ones((5, 5), np.uint8)):
        joined = cv2.morphologyEx(joined, cv2.MORPH_CLOSE, shape)
    joined = np.ascontiguousarray(joined[side:-side, side:-side])
    _, parts, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    found = []
    for k in range(1, len(stats)):
        x, y, width, height, area = stats[k].tolist()
        if max(width, height) < least_signs * tall_px or min(width, height) < 0.6 * tall_px:
            continue
        part = (parts[y : y + height, x : x + width] == k).astype(np.uint8)
        contour, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        middle, sides, angle = cv2.minAreaRect(np.concatenate(contour))
        short, long = sorted(sides)
        if not 0.7 * tall_px <= short <= 1.6 * tall_px or long < least_signs * short:
            continue
        if area < 0.6 * short * long:
            continue
        own = strokes[y : y + height, x : x + width] * part
        if 0.12 < own.sum() / (short * long) < 0.6 and not _repeats(own, middle, sides, angle):
            corners = cv2.boxPoints((middle, sides, angle)) + [x, y]
            found.append(shapely.Polygon(corners))
    return found


def _repeats(
    strokes: NDArray[np.uint8],
    middle: tuple[float, float],
    sides: tuple[float, float],
    angle_deg: float,
    *,
    most: float = 0.55,
) -> bool:
    """Whether a row is like itself, moved along by half its height or more."""
    if sides[0] < sides[1]:
        sides, angle_deg = sides[::-1], angle_deg + 90
    width, height = (max(4, round(s)) for s in sides)
    turn = cv2.getRotationMatrix2D(middle, angle_deg, 1.0)
    turn[:, 2] += np.array([width / 2, height / 2]) - middle
    strip = cv2.warpAffine(strokes.astype(np.float32), turn, (width, height))
    strip -= strip.mean()
    for step in range(height // 2, width // 2):
        a, b = strip[:, :-step], strip[:, step:]
        if (a * b).sum() > most * np.sqrt((a * a).sum() * (b * b).sum() + 1e-6):
            return True
    return False
