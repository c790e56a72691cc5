"""Which of two tiles gives the px of their overlap: seams led along low difference.

The seam between two tiles is found for this pair alone, in cells of the survey's small pictures.
It depends on nothing but the two, so that a tile added later changes nothing between earlier ones,
and blocks do not show. Where three or more tiles overlap, the one that wins against each of the
others gives the px (`_compose.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import BoundedCache, Box
from maskdelta.study import Pose, Poses, write_table
from maskdelta.survey import FlatField, SmallPictures

__all__ = ["Cut", "Seams", "lead_seams"]

Image = NDArray[np.float32]
_REACH = 2  # cells that a seam may move aside from one line to the next
_DIFFERS = 1.0  # cost of a square grey level by which two tiles differ; 1 is that of a step
_DETAIL = 0.1  # cost of a grey level of the Laplacian


@dataclass(frozen=True)
class Cut:
    """How the overlap of two tiles is divided.

    Attributes
    ----------
    low, high : int
        Numbers of the tiles, as in `mosaic_tiles.tif`.
    common : Box
        Px of the mosaic that both may cover.
    cells : Box
        Of the mosaic, in cells; it holds `common`.
    to_high : (h, w) bool
        Cells that the tile `high` gives; `low` gives the others.
    step, all_over : float
        Mean difference between the two along the seam, and in the whole overlap, grey levels of
        255.
    """

    low: int
    high: int
    common: Box
    cells: Box
    to_high: NDArray[np.bool_]
    step: float
    all_over: float


@dataclass(frozen=True)
class Seams:
    """The seams of a view; without any, each px is given by the tile that shows it most centrally.

    Attributes
    ----------
    cell_px : int
        Side of a cell, px of the mosaic; cells begin at whole multiples of it.
    cuts : tuple of Cut
    """

    cell_px: int = 1
    cuts: tuple[Cut, ...] = field(default_factory=tuple)

    def write(self, path: str | Path, poses: Poses) -> None:
        """Write `mosaic_seams.csv`."""
        names = [pose.file for pose in poses]
        rows = []
        for cut in self.cuts:
            x, y = cut.common.middle
            rows.append(
                {
                    "file_a": names[cut.low - 1],
                    "file_b": names[cut.high - 1],
                    "x_px": x,
                    "y_px": y,
                    "step_levels": cut.step,
                    "overlap_levels": cut.all_over,
                }
            )
        write_table(path, "mosaic_seams", rows)

    @cached_property
    def _by_tile(self) -> dict[int, list[Cut]]:
        found: dict[int, list[Cut]] = {}
        for cut in self.cuts:
            found.setdefault(cut.low, []).append(cut)
            found.setdefault(cut.high, []).append(cut)
        return found

    def lost(self, number: int, part: Box, among: frozenset[int]) -> NDArray[np.bool_] | None:
        """Px of a part of the mosaic that a tile leaves to one of the tiles `among`."""
        out = None
        for cut in self._by_tile.get(number, ()):
            other = cut.low if number == cut.high else cut.high
            common = cut.common.clipped(part)
            if other not in among or common.empty:
                continue
            rows = np.arange(common.y0, common.y1) // self.cell_px - cut.cells.y0
            columns = np.arange(common.x0, common.x1) // self.cell_px - cut.cells.x0
            lost = cut.to_high[rows[0] : rows[-1] + 1] == (number == cut.low)
            if not lost.any():
                continue
            if out is None:
                out = np.zeros(part.shape, bool)
            inside = common.moved(-part.x0, -part.y0)
            out[inside.y0 : inside.y1, inside.x0 : inside.x1] |= lost[:, columns][rows - rows[0]]
        return out


def lead_seams(poses: Poses, flat_field: FlatField, small: SmallPictures) -> Seams:
    """Divide the overlap of every two tiles where they differ least, away from edges.

    Along the overlap, line of cells by line of cells, the cheapest path is found by dynamic
    programming (Davis, CVPR 1998, for seams as shortest paths; Efros & Freeman, SIGGRAPH 2001, for
    the recursion). A cell costs what the two tiles differ in it and how much detail it holds.
    Cells on the wrong side of the path cost too: those that one tile shows clipped, or less sharply
    than the other, and all of a tile that is known only up to whole pitches.

    Parameters
    ----------
    poses : Poses
    flat_field : FlatField
    small : SmallPictures

    Returns
    -------
    Seams
    """
    if not small.cell_px:
        return Seams()
    evened: BoundedCache[int, tuple[Image, Image]] = BoundedCache(
        lambda number: _even(poses.tiles[number - 1], flat_field, small), budget_bytes=64 * 2**20
    )
    cuts = []
    for a, b, box in _overlapping(poses, small.cell_px):
        cells = [_laid(poses.tiles[k - 1], evened.get(k), box, small.cell_px) for k in (a, b)]
        cuts.append(_cut(a, b, box, cells, [poses.tiles[k - 1] for k in (a, b)], small.cell_px))
    return Seams(small.cell_px, tuple(cuts))


def _even(pose: Pose, flat_field: FlatField, small: SmallPictures) -> tuple[Image, Image]:
    """Small picture of a tile: its grey levels, (h, w, 3), and its sharpness and use, (h, w, 2)."""
    picture = small.of_tile(pose.file)
    light = picture.linear * np.float32(1 / pose.exposure)
    if not flat_field.changes_nothing:
        light *= flat_field.gain(light.shape[:2])
    # the root is near enough to the sRGB curve
    levels = np.float32(255) * np.sqrt(np.maximum(light, 0))
    return levels, np.dstack([picture.sharpness, picture.usable.astype(np.float32)])


def _overlapping(poses: Poses, cell_px: int, *, least: int = 2) -> list[tuple[int, int, Box]]:
    """Pairs of placed tiles (by number), and the whole cells that both cover."""
    numbers = [k + 1 for k, pose in enumerate(poses.tiles) if pose.placed]
    boxes = np.array([poses.tiles[k - 1].box() for k in numbers]).reshape(-1, 4)
    found = []
    for i, a in enumerate(numbers):
        low = np.ceil((np.maximum(boxes[i, :2], boxes[i + 1 :, :2]) + 0.5) / cell_px).astype(int)
        high = np.floor((np.minimum(boxes[i, 2:], boxes[i + 1 :, 2:]) + 0.5) / cell_px).astype(int)
        for k in np.flatnonzero((high - low >= least).all(1)).tolist():
            found.append((a, numbers[i + 1 + k], Box(*low[k].tolist(), *high[k].tolist())))
    return found


def _laid(pose: Pose, evened: tuple[Image, Image], box: Box, cell_px: int) -> tuple[Image, Image]:
    """What a tile shows in cells of the mosaic; the lens moves less than a cell."""
    middle = np.array([box.x0, box.y0]) * cell_px + (cell_px - 1) / 2
    corner, right, below = (
        (replace(pose, lens=0.0).to_tile([middle + step])[0] + 0.5) / cell_px - 0.5
        for step in ([0, 0], [cell_px, 0], [0, cell_px])
    )
    across, down = np.arange(box.width), np.arange(box.height)
    x, y = (
        np.add.outer((below - corner)[k] * down, corner[k] + (right - corner)[k] * across).astype(
            np.float32
        )
        for k in (0, 1)
    )
    levels, quality = (
        cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for image in evened
    )
    return levels, quality


def _cut(
    a: int,
    b: int,
    box: Box,
    cells: Sequence[tuple[Image, Image]],
    poses: Sequence[Pose],
    cell_px: int,
) -> Cut:
    """Divide the cells that two tiles cover; those on the outlines go with the cells beside."""
    centres = np.array([[pose.centre_x_px, pose.centre_y_px] for pose in poses], float)
    upright = box.height >= box.width
    across, along = (0, 1) if upright else (1, 0)
    if centres[0, across] > centres[1, across]:
        a, b, cells, poses = b, a, cells[::-1], poses[::-1]
    # line by line along the longer side: lines become rows
    (levels_a, quality_a), (levels_b, quality_b) = (
        tuple(plane if upright else plane.swapaxes(0, 1) for plane in pair) for pair in cells
    )
    apart = np.abs(levels_a - levels_b).max(2)
    detail = np.maximum(quality_a[..., 0], quality_b[..., 0])
    outlines = np.array([pose.box() for pose in poses])
    place = _cheapest(
        _DIFFERS * apart**2 + _DETAIL * detail,
        _worse(quality_a, quality_b) + (poses[0].modulo_pitch and not poses[1].modulo_pitch),
        _worse(quality_b, quality_a) + (poses[1].modulo_pitch and not poses[0].modulo_pitch),
        starts_late=(outlines[1, along] - outlines[0, along]) / cell_px,
        stops_early=(outlines[0, 2 + along] - outlines[1, 2 + along]) / cell_px,
    )
    to_high = np.arange(apart.shape[1]) >= place[:, None]
    step = apart[np.arange(len(place)), np.minimum(place, apart.shape[1] - 1)].mean()
    grown = np.pad(to_high if upright else to_high.T, 1, mode="edge")
    cells_box = box.grown(1)
    common = _px_between(outlines).clipped(Box(*(v * cell_px for v in cells_box)))
    return Cut(a, b, common, cells_box, grown, float(step), float(apart.mean()))


def _px_between(outlines: NDArray[np.float64]) -> Box:
    """Px that may lie inside all of some outlines, (n, 4)."""
    low = np.floor(outlines[:, :2].max(0)).astype(int)
    high = np.ceil(outlines[:, 2:].min(0)).astype(int) + 1
    return Box(*low.tolist(), *high.tolist())


def _worse(mine: Image, other: Image) -> Image:
    """What it costs to take a cell from a tile where the other shows it better.

    Logarithms of the sharpness are compared, over 15 x 15 cells that neither shows clipped: a
    speck has sharp edges too, but it is small.
    """
    (sharp, usable), (sharper, other_usable) = (
        (tile[..., 0], (tile[..., 1] >= 0.5).astype(np.float32)) for tile in (mine, other)
    )
    both = cv2.erode(usable * other_usable, np.ones((3, 3), np.uint8))
    lag = np.clip(np.log((sharper + 1) / (sharp + 1)), -1, 1)
    mean = cv2.blur(lag * both, (15, 15)) / np.maximum(cv2.blur(both, (15, 15)), 1e-3)
    return 2 * other_usable * (1 - usable) + (mean > 0.3)


def _cheapest(
    cost: Image, bad_low: Image, bad_high: Image, starts_late: float, stops_early: float
) -> NDArray[np.int_]:
    """Place of the seam in each line: cells before it go to the low tile.

    Parameters
    ----------
    cost : (m, n) float32
        Of a seam through a cell.
    bad_low, bad_high : (m, n) float32
        Of taking a cell from that tile.
    starts_late, stops_early : float
        By how many cells the high tile begins after the low one, along the seam, and ends before
        it. Where the border of one is crossed, the other has all: the way there along the border
        is part of the seam.

    Returns
    -------
    (m,) int, 0..n
    """
    lines, n = cost.shape
    # a place between two cells costs the mean of both; near the borders of the tiles it costs more
    padded = np.pad(cost + 1, ((0, 0), (1, 1)), mode="edge").astype(float)
    between = (padded[:, :-1] + padded[:, 1:]) / 2
    places = np.arange(n + 1)
    rim = np.minimum(places, n - places)
    between *= 1 + 3 * np.exp(-rim / 2) + 0.5 * (2 * places / n - 1) ** 2
    total = between.copy()
    total[:, 1:] += np.cumsum(bad_low, axis=1)
    total[:, :-1] += np.cumsum(bad_high[:, ::-1], axis=1)[:, ::-1]
    steps = np.array(sorted(range(-_REACH, _REACH + 1), key=lambda step: (abs(step), step)))
    from_where = places + steps[:, None] + _REACH
    aside = 0.5 * np.abs(steps)[:, None]
    reached = np.full(n + 1 + 2 * _REACH, np.inf)
    best = reached[_REACH:-_REACH]
    best[:] = total[0] + _along_border(between[0], starts_late)
    picks = np.zeros((lines, n + 1), np.int8)
    for line in range(1, lines):
        ways = reached[from_where] + aside * between[line]
        picks[line] = ways.argmin(0)
        best[:] = ways.min(0) + total[line]
    out = np.empty(lines, int)
    out[-1] = int(np.argmin(best + _along_border(between[-1], stops_early)))
    for line in range(lines - 1, 0, -1):
        out[line - 1] = out[line] + steps[picks[line, out[line]]]
    return out


def _along_border(between: NDArray[np.float64], beyond: float) -> NDArray[np.float64]:
    """Cost of the way along a border to each place, from the corner where both outlines cross."""
    if abs(beyond) < 1:
        return np.zeros(len(between))
    if beyond > 0:  # beyond the border there is only the low tile
        return between[::-1].cumsum()[::-1] - between
    return between.cumsum() - between
