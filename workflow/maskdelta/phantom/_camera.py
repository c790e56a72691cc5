"""A microscope camera in front of one specimen."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._geometry import (
    Lens,
    Points,
    Warp,
    apply_homography,
    make_warp,
    stage_to_die,
)
from maskdelta.phantom._paint import WHITE, LookSettings, Painter
from maskdelta.phantom._sensor import encode_table, expose_tile
from maskdelta.phantom._specimen import Specimen
from maskdelta.phantom._stage import CameraSettings, Shot, plan_shots

_BLOCK = 1024
_STRIP = 512


@dataclass(frozen=True)
class Camera:
    """A camera in front of one specimen.

    Everything random (stage, exposure, dust, noise, drift) grows from `seed`; tiles may be taken
    in any order and on any number of threads without a change of their bytes.
    """

    specimen: Specimen
    settings: CameraSettings
    look: LookSettings
    seed: int
    _blocks: OrderedDict[tuple[int, int], NDArray[np.uint16]] = field(
        default_factory=OrderedDict, repr=False, compare=False
    )
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    @cached_property
    def size_um(self) -> tuple[float, float]:
        """Width and height of the die, um."""
        masks = self.specimen.masks
        return float(masks.width_um), float(masks.height_um)

    @cached_property
    def stage_matrix(self) -> NDArray[np.float64]:
        """(3, 3) homography from stage px to die um before the warp."""
        s = self.settings
        return stage_to_die(
            self.size_um,
            um_per_px=s.um_per_px,
            angle_deg=s.angle_deg,
            mirrored=s.mirrored,
            keystone=s.keystone,
        )

    @cached_property
    def warp(self) -> Warp:
        """Smooth warp of the pictures against the die."""
        s = self.settings
        rng = np.random.default_rng([self.seed, 41])
        return make_warp(self.size_um, s.warp_px * s.um_per_px, rng)

    @cached_property
    def lens(self) -> Lens:
        """Radial distortion of every tile."""
        s = self.settings
        half = math.hypot(s.tile_width - 1, s.tile_height - 1) / 2
        return Lens(s.lens_px / half, s.tile_width, s.tile_height)

    @cached_property
    def shots(self) -> tuple[Shot, ...]:
        """All tiles in the order in which they are taken, without the missing ones."""
        low, high = self.stage_box()
        return plan_shots(self.settings, low, high, seed=self.seed)

    def to_die_um(self, shot: Shot, points: Points) -> Points:
        """Map (n, 2) px of a tile to die um, exactly."""
        stage = self.lens.to_ideal(points) + np.array(shot.origin_px)
        return self.warp.apply(apply_homography(self.stage_matrix, stage))

    def from_die_um(self, shot: Shot, points: Points) -> Points:
        """Invert `to_die_um`."""
        stage = apply_homography(np.linalg.inv(self.stage_matrix), self.warp.undo(points))
        return self.lens.from_ideal(stage - np.array(shot.origin_px))

    def stage_box(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the smallest and largest stage px (x, y) of the die and its margin."""
        width, height = self.size_um
        m = self.settings.margin_um
        corners = [(-m, -m), (width + m, -m), (width + m, height + m), (-m, height + m)]
        stage = apply_homography(np.linalg.inv(self.stage_matrix), corners)
        return stage.min(axis=0), stage.max(axis=0)

    @cached_property
    def painter(self) -> Painter:
        """Painter of the die at a scale that keeps drawn edges exact."""
        steps = max(1, math.ceil(1.0 / self.settings.um_per_px - 0.35))
        return Painter(self.specimen, self.look, 1.0 / steps, self.seed)

    def take(self, shot: Shot) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Photograph one tile: (H, W, 3) uint8 or uint16, sRGB-encoded.

        Work goes strip by strip, so that a picture of a whole die needs little more memory than
        itself.
        """
        s = self.settings
        if not (s.red_px or s.blue_px):
            return self._expose(shot, 0.0)
        # the noise is the same each time, so that each channel is as it would be alone
        red, green, blue = (self._expose(shot, px) for px in (s.red_px, 0.0, s.blue_px))
        out = green.copy()
        out[..., 0], out[..., 2] = red[..., 0], blue[..., 2]
        return out

    def _expose(self, shot: Shot, outwards_px: float) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Take a tile that the lens shows larger, by so much in its corners."""
        s = self.settings
        grid = self._source_grid(shot, outwards_px)
        rng = np.random.default_rng([self.seed, 42, shot.number])
        shape = (s.tile_height, s.tile_width, 3)
        out = np.empty(shape, dtype=np.uint8 if s.bits == 8 else np.uint16)
        for top in range(0, s.tile_height, _STRIP):
            bottom = min(top + _STRIP, s.tile_height)
            part = grid[top // 16 : -(-bottom // 16) + 1]
            low = np.floor(part.reshape(-1, 2).min(axis=0)).astype(int) - 2
            high = np.ceil(part.reshape(-1, 2).max(axis=0)).astype(int) + 3
            expose_tile(
                self._gather(low[0], low[1], high[0], high[1]),
                (part - low).astype(np.float32),
                self._shading[top:bottom],
                rng.standard_normal((bottom - top, *shape[1:]), dtype=np.float32),
                np.float32(shot.exposure / WHITE),
                np.float32(s.shot_noise),
                np.float32(s.read_noise),
                encode_table(s.bits),
                out[top:bottom],
            )
        return out

    def _source_grid(self, shot: Shot, outwards_px: float) -> NDArray[np.float64]:
        """Painter px of every 16th tile pixel, (gy, gx, 2)."""
        s, u = self.settings, self.painter.um_per_px
        xs = np.arange(0, s.tile_width + 16, 16)
        ys = np.arange(0, s.tile_height + 16, 16)
        points = np.stack(np.meshgrid(xs, ys), axis=-1).astype(np.float64)
        if outwards_px:
            middle = np.array([s.tile_width - 1, s.tile_height - 1]) / 2
            points = middle + (points - middle) / (1 + outwards_px / np.hypot(*middle))
        die = self.to_die_um(shot, points.reshape(-1, 2))
        return (die / u - 0.5).reshape(points.shape)

    @cached_property
    def _shading(self) -> NDArray[np.float32]:
        """(H, W) gain of every sensor pixel: vignetting and dust."""
        s = self.settings
        rng = np.random.default_rng([self.seed, 43])
        y, x = np.mgrid[0 : s.tile_height, 0 : s.tile_width].astype(np.float32)
        cx = (s.tile_width - 1) / 2 * rng.uniform(0.9, 1.1)
        cy = (s.tile_height - 1) / 2 * rng.uniform(0.9, 1.1)
        square = ((x - cx) ** 2 + (y - cy) ** 2) / ((s.tile_width**2 + s.tile_height**2) / 4)
        gain = 1 - s.vignetting * (0.75 * square + 0.25 * square**2)
        for _ in range(s.dust):
            px, py = rng.uniform(0, s.tile_width), rng.uniform(0, s.tile_height)
            radius, depth = rng.uniform(2, 6), rng.uniform(0.03, 0.12)
            gain *= 1 - depth * np.exp(-(((x - px) ** 2 + (y - py) ** 2) / (2 * radius**2)))
        return gain.astype(np.float32)

    def _gather(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.uint16]:
        """Return painted and blurred pixels of a window, from blocks that are kept for reuse."""
        out = np.empty((y1 - y0, x1 - x0, 3), dtype=np.uint16)
        for by in range(y0 // _BLOCK, (y1 - 1) // _BLOCK + 1):
            for bx in range(x0 // _BLOCK, (x1 - 1) // _BLOCK + 1):
                block = self._block(bx, by)
                ax, ay = max(x0, bx * _BLOCK), max(y0, by * _BLOCK)
                zx, zy = min(x1, (bx + 1) * _BLOCK), min(y1, (by + 1) * _BLOCK)
                out[ay - y0 : zy - y0, ax - x0 : zx - x0] = block[
                    ay - by * _BLOCK : zy - by * _BLOCK, ax - bx * _BLOCK : zx - bx * _BLOCK
                ]
        return out

    def _block(self, bx: int, by: int) -> NDArray[np.uint16]:
        """Return a painted block; threads that want the same one wait for it."""
        with self._lock:
            return self._kept_block(bx, by)

    def _kept_block(self, bx: int, by: int) -> NDArray[np.uint16]:
        found = self._blocks.get((bx, by))
        if found is None:
            found = self._paint_block(bx, by)
            self._blocks[bx, by] = found
            while len(self._blocks) > self._kept_blocks:
                self._blocks.popitem(last=False)
        else:
            self._blocks.move_to_end((bx, by))
        return found

    @cached_property
    def _kept_blocks(self) -> int:
        """Blocks of two rows of tiles, so that a snake finds what the row before it painted."""
        s, u = self.settings, self.painter.um_per_px
        band = max(self.size_um) / u / _BLOCK + 3
        depth = math.hypot(s.tile_width, s.tile_height) * s.um_per_px / u / _BLOCK + 2
        return int(min(band * depth, 120)) + 4

    def _paint_block(self, bx: int, by: int) -> NDArray[np.uint16]:
        sigma = self.settings.blur_um / self.painter.um_per_px
        # Blotches lie on a grid of 16 px, so blocks begin on it.
        halo = 16 * math.ceil((3 * sigma + 1) / 16)
        size = _BLOCK + 2 * halo
        reach = 2 * math.ceil(3 * sigma) + 1
        image = self.painter.paint(bx * _BLOCK - halo, by * _BLOCK - halo, size, size)
        blurred = cv2.GaussianBlur(image, (reach, reach), sigma)
        return np.ascontiguousarray(blurred[halo:-halo, halo:-halo], dtype=np.uint16)
