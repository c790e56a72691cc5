"""How a photographer works: settings of the camera, and the grid of tiles on the stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class CameraSettings:
    """How one photographer works.

    Attributes
    ----------
    name
        Name of the photographer.
    um_per_px, angle_deg, mirrored, keystone, warp_px
        Geometry of the pictures, as in `stage_to_die`; `warp_px` is the largest smooth warp.
    tile_width, tile_height, overlap, stage_error
        Size of a tile (px), nominal overlap, and error of the stage per axis (standard
        deviation); the last two relative to the side of the tile.
    order
        ``snake`` or ``raster``.
    margin_um
        Border beyond the die that is photographed too.
    missing
        Number of tiles left out.
    shuffled
        Whether the file names say nothing about the order.
    file_format, quality, bits
        ``jpg``, ``png`` or ``tif``; JPEG quality; 8 or 16 bits a channel (16 for PNG and TIFF).
    blur_um
        Standard deviation of the blur of the objective, um.
    shot_noise, read_noise
        Standard deviations of the noise in linear units of white: shot noise at white, read noise.
    vignetting
        Loss of light in the corners, 0..1.
    exposure_jitter
        Standard deviation of the brightness over the tiles, in part a slow swing of the lamp.
    lens_px
        Displacement in the corners of a tile by the lens, px.
    red_px, blue_px
        How much farther out than green the lens shows red and blue in the corners of a tile, px.
    dust
        Number of specks on the sensor.
    """

    name: str = "photographer"
    um_per_px: float = 0.5
    angle_deg: float = 0.0
    mirrored: bool = False
    keystone: float = 0.0
    warp_px: float = 0.0
    tile_width: int = 1024
    tile_height: int = 768
    overlap: float = 0.2
    stage_error: float = 0.015
    order: Literal["snake", "raster"] = "snake"
    margin_um: float = 25.0
    missing: int = 0
    shuffled: bool = False
    file_format: Literal["jpg", "png", "tif"] = "jpg"
    quality: int = 90
    bits: Literal[8, 16] = 8
    blur_um: float = 0.55
    shot_noise: float = 0.012
    read_noise: float = 0.003
    vignetting: float = 0.11
    exposure_jitter: float = 0.04
    lens_px: float = 0.8
    red_px: float = 0.0
    blue_px: float = 0.0
    dust: int = 3

    def __post_init__(self) -> None:
        """Refuse what no file of that format can hold."""
        if self.file_format not in ("jpg", "png", "tif"):
            raise ValueError(f"file format {self.file_format!r}; expected 'jpg', 'png' or 'tif'")
        if self.file_format == "jpg" and self.bits != 8:
            raise ValueError("JPEG holds 8 bits a channel; choose 'png' or 'tif' for 16")


@dataclass(frozen=True)
class Shot:
    """One tile to take: its place in the grid and on the stage.

    ``origin_px`` is the stage position (x, y) of the centre of the tile's first pixel.
    """

    file: str
    row: int
    column: int
    number: int
    origin_px: tuple[float, float]
    exposure: float


def plan_shots(
    settings: CameraSettings, low: NDArray[np.float64], high: NDArray[np.float64], *, seed: int
) -> tuple[Shot, ...]:
    """Lay a grid over stage px `low` to `high` (x, y), with the errors of stage and lamp."""
    s = settings
    rng = np.random.default_rng([seed, 44])
    tile = np.array([s.tile_width, s.tile_height], dtype=np.float64)
    step = np.floor(tile * (1 - s.overlap))
    # The outermost tiles reach past the border even when the stage errs by three sigmas.
    spare = 3 * s.stage_error * tile
    count = np.maximum(1, np.ceil((high - low + 2 * spare - tile) / step).astype(int) + 1)
    start = (low + high) / 2 - (tile + (count - 1) * step) / 2
    columns, rows = (int(v) for v in count)
    places = []
    for row in range(rows):
        line = range(columns)
        places += [
            (row, column) for column in (reversed(line) if s.order == "snake" and row % 2 else line)
        ]
    gone = set(_missing(rows, columns, s.missing, rng))
    names = _names(len(places), s, rng)
    # The lamp warms up and tires: a slow swing besides what differs from tile to tile.
    cycles, phase = rng.uniform(0.6, 2.0), rng.uniform()
    shots = []
    for number, (row, column) in enumerate(places):
        error = np.clip(rng.normal(0, 1, 2), -2.8, 2.8) * s.stage_error * tile
        swing = np.sin(2 * np.pi * (cycles * number / len(places) + phase))
        wander = 0.8 * np.clip(rng.normal(), -2.5, 2.5) + 0.85 * swing
        exposure = 1 + s.exposure_jitter * float(wander)
        if (row, column) in gone:
            continue
        origin = start + np.array([column, row]) * step + error
        # Half a pixel leads from the corner of the first pixel to its centre.
        place = (float(origin[0] + 0.5), float(origin[1] + 0.5))
        shots.append(Shot(names[number], row, column, number, place, exposure))
    return tuple(shots)


def _missing(
    rows: int, columns: int, count: int, rng: np.random.Generator
) -> list[tuple[int, int]]:
    """Choose tiles to leave out: inner ones that are no neighbours of one another."""
    inner = [
        (r, c)
        for r in range(rows)
        for c in range(columns)
        if 0 < r < rows - 1 and 0 < c < columns - 1
    ] or [(r, c) for r in range(rows) for c in range(columns)]
    chosen: list[tuple[int, int]] = []
    for index in rng.permutation(len(inner)):
        r, c = inner[int(index)]
        if len(chosen) < count and all(max(abs(r - a), abs(c - b)) > 1 for a, b in chosen):
            chosen.append((r, c))
    return chosen


def _names(count: int, settings: CameraSettings, rng: np.random.Generator) -> list[str]:
    suffix = settings.file_format
    if not settings.shuffled:
        return [f"tile_{number:04d}.{suffix}" for number in range(1, count + 1)]
    codes = rng.permutation(90000)[:count] + 10000
    return [f"img_{code}.{suffix}" for code in codes]
