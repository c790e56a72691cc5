"""The evidence mosaic: every pixel from one tile, resampled once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.images import (
    BoundedCache,
    Box,
    Output,
    linear_to_srgb,
    probe_picture,
    read_picture,
    srgb_to_linear,
    write_rasters,
)
from maskdelta.stitch._coordinates import depth_inside, tile_coordinates
from maskdelta.stitch._seams import Seams
from maskdelta.stitch._tiles import paths_by_name
from maskdelta.study import Pose, Poses
from maskdelta.survey import FlatField

__all__ = ["compose"]

Image = NDArray[np.float32]

_ROWS = 128


def compose(
    files: Sequence[str | Path],
    poses: Poses,
    flat_field: FlatField,
    *,
    mosaic_path: str | Path,
    tiles_path: str | Path,
    um_per_px: float | None,
    seams: Seams | None = None,
    blur_limit: float = 0.0,
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Write the mosaic of a view, and which tile each of its pixels came from.

    Parameters
    ----------
    files : sequence of path
    poses : Poses
    flat_field : FlatField
    mosaic_path : path
        RGB in the depth of the tiles, sRGB-encoded; black where no tile lies.
    tiles_path : path
        uint16, 1 + number of the tile in `poses`, 0 where none.
    um_per_px : float or None
    seams : Seams, optional
        Without them each px is given by the tile that shows it most centrally.
    blur_limit : float
        Tiles whose focus is below it give their pixels only where no other tile lies.
    block_px : int
        The rasters begin at a whole multiple of this, so that a tile added on the left moves
        nothing.
    threads : int
        The result does not depend on it.

    Raises
    ------
    StitchError
        When no tile is placed, a placed tile's file is missing, or there are too many.
    """
    scene = _Scene.of(files, poses, flat_field, seams or Seams(), blur_limit, block_px)
    origin = (scene.box.x0, scene.box.y0)
    write_rasters(
        [
            Output(mosaic_path, scene.dtype),
            Output(tiles_path, np.uint16, planes=("tile",), reduce="nearest"),
        ],
        lambda box: scene.render(_moved(box, origin)),
        shape=scene.box.shape,
        origin=origin,
        um_per_px=um_per_px,
        block_px=block_px,
        threads=threads,
    )


def _moved(box: Box, by: tuple[int, int]) -> Box:
    return Box(box.x0 + by[0], box.y0 + by[1], box.x1 + by[0], box.y1 + by[1])


_Placed = tuple[int, Pose, Box]
"""Number of a tile, its pose, and a box of the mosaic that it may fill."""


def _fills(number: int, pose: Pose) -> _Placed:
    x0, y0, x1, y1 = pose.box()
    low, high = np.floor([x0, y0]).astype(int), np.ceil([x1, y1]).astype(int) + 1
    return number, pose, Box(*low.tolist(), *high.tolist())


def _touching(tiles: Sequence[_Placed], box: Box) -> list[_Placed]:
    """Tiles that touch a box, each with the part of the box that it may fill."""
    parts = [(number, pose, part.clipped(box)) for number, pose, part in tiles]
    return [placed for placed in parts if not placed[2].empty]


def _inside(part: Box, box: Box) -> tuple[slice, slice]:
    """A part as indices of an array that covers a box."""
    return np.s_[part.y0 - box.y0 : part.y1 - box.y0, part.x0 - box.x0 : part.x1 - box.x0]


@dataclass(frozen=True)
class _Scene:
    """The placed tiles, ready to be drawn."""

    tiles: list[_Placed]
    seams: Seams
    blurred: frozenset[int]
    pictures: BoundedCache[str, NDArray[Any]]
    gains: BoundedCache[tuple[int, int], Image]
    even: bool
    stretch: tuple[float, float]
    dtype: np.dtype
    box: Box

    @classmethod
    def of(
        cls,
        files: Sequence[str | Path],
        poses: Poses,
        flat_field: FlatField,
        seams: Seams,
        blur_limit: float,
        block_px: int,
    ) -> _Scene:
        paths = paths_by_name(files)
        tiles = [_fills(k + 1, pose) for k, pose in enumerate(poses.tiles) if pose.placed]
        if not tiles:
            raise StitchError("no tile is placed, so there is no mosaic to make; see tiles.csv.")
        if len(poses) > 65535:
            raise StitchError(f"{len(poses)} tiles are too many for one mosaic (65535 at most).")
        for _, pose, _ in tiles:
            if pose.file not in paths:
                raise StitchError(f"{pose.file}: this placed tile is not among the files given.")
        boxes = np.array([pose.box() for _, pose, _ in tiles])
        # a tile shows the px whose centres lie inside its outline
        x0, y0 = (int(np.ceil(v)) // block_px * block_px for v in boxes[:, :2].min(0))
        x1, y1 = (int(np.ceil(v)) for v in boxes[:, 2:].max(0))
        bits = probe_picture(paths[tiles[0][1].file]).bits
        return cls(
            tiles,
            seams,
            poses.blurred(blur_limit),
            BoundedCache(lambda name: read_picture(paths[name]), budget_bytes=256 * 2**20),
            BoundedCache(flat_field.gain, budget_bytes=128 * 2**20),
            flat_field.changes_nothing,
            (flat_field.red, flat_field.blue),
            np.dtype(np.uint16 if bits == 16 else np.uint8),
            Box(x0, y0, x1, y1),
        )

    def _owners(self, box: Box, seen: Sequence[_Placed]) -> NDArray[np.uint16]:
        """Number of the tile that gives each pixel, 0 for none.

        It is the one that the seams leave the px to; where they say nothing or go in circles, the
        one in which it lies farthest from the border. A tile out of focus yields to any other.
        """
        among = frozenset(number for number, *_ in seen)
        owner = np.zeros(box.shape, np.uint16)
        depth = np.zeros(box.shape, np.float32)
        for number, pose, part in seen:
            inner = depth_inside(pose, part)
            if number in self.blurred:
                inner *= np.float32(1e-4)
            lost = self.seams.lost(number, part, among)
            if lost is not None:
                np.multiply(inner, np.float32(1e-6), out=inner, where=lost)
            view = _inside(part, box)
            better = inner > depth[view]
            np.copyto(depth[view], inner, where=better)
            np.copyto(owner[view], np.uint16(number), where=better)
        return owner

    def render(self, box: Box) -> tuple[NDArray[Any], NDArray[np.uint16]]:
        """Pixels of a box of the mosaic, and the number of each pixel's tile.

        Some rows at a time, so that their floats stay in the processor's cache.
        """
        out = np.zeros((*box.shape, 3), self.dtype)
        owner = np.zeros(box.shape, np.uint16)
        near = _touching(self.tiles, box)
        for y in range(0, box.height, _ROWS):
            rows = Box(box.x0, box.y0 + y, box.x1, min(box.y0 + y + _ROWS, box.y1))
            owner[y : y + _ROWS] = self._render_rows(rows, near, out[y : y + _ROWS])
        return out, owner[None]

    def _render_rows(
        self, box: Box, near: Sequence[_Placed], out: NDArray[Any]
    ) -> NDArray[np.uint16]:
        """Fill `out` with the pixels of a box; the number of each pixel's tile."""
        seen = _touching(near, box)
        owner = self._owners(box, seen)
        for number, pose, part in seen:
            mine = owner[_inside(part, box)] == number
            rows, columns = np.flatnonzero(mine.any(1)), np.flatnonzero(mine.any(0))
            if not len(rows):
                continue
            view = Box(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
            drawn = view.moved(part.x0, part.y0)
            pixels = self._draw(pose, *tile_coordinates(pose, drawn))
            target = out[_inside(drawn, box)]
            mask = mine[view.y0 : view.y1, view.x0 : view.x1].astype(np.uint8)
            target[:] = cv2.copyTo(pixels, mask, target.copy())
        return owner

    def _draw(self, pose: Pose, x: Image, y: Image) -> NDArray[Any]:
        """Places of one tile: linear light, evened out, resampled, encoded."""
        picture = self.pictures.get(pose.file)
        height, width = picture.shape[:2]
        if (width, height) != (pose.width_px, pose.height_px):
            raise StitchError(
                f"{pose.file}: {width} x {height} px, but it was placed with "
                f"{pose.width_px} x {pose.height_px} px; place the tiles again."
            )
        far = 1 + int(np.ceil(max(map(abs, self.stretch)) * max(width, height)))
        x0, y0 = max(0, int(np.floor(x.min())) - far), max(0, int(np.floor(y.min())) - far)
        x1 = min(width, int(np.ceil(x.max())) + far + 1)
        y1 = min(height, int(np.ceil(y.max())) + far + 1)
        linear = srgb_to_linear(picture[y0:y1, x0:x1])
        if not self.even:
            linear *= self.gains.get((height, width))[y0:y1, x0:x1]
        if pose.exposure != 1:
            linear *= np.float32(1 / pose.exposure)
        middle = ((width - 1) / 2 - x0, (height - 1) / 2 - y0)
        drawn = _resampled(linear, x - np.float32(x0), y - np.float32(y0), middle, self.stretch)
        return linear_to_srgb(drawn, self.dtype)


def _resampled(
    linear: Image,
    x: Image,
    y: Image,
    middle: tuple[float, float],
    stretch: tuple[float, float],
) -> Image:
    """Places of a picture, (h, w, 3); red and blue are read where the lens put them."""

    def at(plane: Image, by: float) -> Image:
        mx, my = (
            v if not by else v + np.float32(by) * (v - np.float32(m))
            for v, m in zip((x, y), middle, strict=True)
        )
        found = cv2.remap(plane, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(found, np.float32)

    if not any(stretch):
        return at(linear, 0.0)
    red, green, blue = (
        at(np.ascontiguousarray(linear[..., k]), by)
        for k, by in enumerate((stretch[0], 0.0, stretch[1]))
    )
    return np.asarray(cv2.merge([red, green, blue]))
