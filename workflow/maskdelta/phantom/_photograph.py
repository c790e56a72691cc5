"""Take all tiles of a die, and write pictures and truth into separate folders."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from maskdelta.phantom._camera import Camera
from maskdelta.phantom._films import Films
from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Box
from maskdelta.phantom._paint import LookSettings
from maskdelta.phantom._specimen import Specimen
from maskdelta.phantom._stage import CameraSettings, Shot
from maskdelta.phantom._truth import TileTruth, Truth

_STRIP = 512


def photograph(
    specimen: Specimen,
    folder: Path,
    truth_folder: Path,
    *,
    camera: CameraSettings,
    look: LookSettings,
    seed: int,
    die: str = "die",
    rasters: bool = True,
    drawn: bool = False,
    raster_um_per_px: float = 1.0,
    whole: bool = False,
    threads: int = 1,
) -> Truth:
    """Photograph a specimen as tiles, or as one finished picture.

    Parameters
    ----------
    specimen
        What is photographed.
    folder
        Tiles go here, nothing else.
    truth_folder
        Truth goes here; the pipeline never reads it.
    camera, look
        How the photographer works, and how the pictures look.
    seed
        Same seed, same bytes, whatever the number of threads.
    die
        Name of the die, for the truth.
    rasters, drawn, raster_um_per_px
        Whether to write `layers.tif`, `visible.tif` and `spoiled.tif`; whether the layers are
        the drawn masks and not those of the specimen; their pixel size.
    whole
        One picture of the whole die instead of tiles; the size of a tile is overruled.
    threads
        Tiles encoded at the same time.

    Returns
    -------
    Truth
        As written to `truth_folder`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    settings = one_tile_settings(specimen, camera) if whole else camera
    taken = Camera(specimen, settings, look, seed)
    _write_tiles(taken, folder, threads)
    truth = _truth(taken, truth_folder, die, raster_um_per_px)
    truth.write()
    if rasters:
        write_rasters(truth, taken, drawn=drawn)
    return truth


def take_picture(
    specimen: Specimen,
    *,
    camera: CameraSettings,
    look: LookSettings,
    seed: int,
) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], Camera, Shot]:
    """Take one finished picture of the whole die, as somebody else may have joined it.

    The size of the tile in `camera` is overruled so that the die fits.

    Returns
    -------
    picture, camera, shot
        (H, W, 3) uint8 or uint16; ``camera.to_die_um(shot, points)`` maps its px to die um.
    """
    whole = one_tile_settings(specimen, camera)
    taken = Camera(specimen, whole, look, seed)
    shot = taken.shots[0]
    return taken.take(shot), taken, shot


def one_tile_settings(specimen: Specimen, camera: CameraSettings) -> CameraSettings:
    """Return settings under which one tile holds the whole die."""
    probe = Camera(specimen, camera, _no_look(), 0)
    corners = probe.stage_box()
    width, height = (int(np.ceil(v / 2)) * 2 + 2 for v in corners[1] - corners[0])
    return dataclasses.replace(
        camera, tile_width=width, tile_height=height, stage_error=0.0, missing=0, overlap=0.0
    )


def _no_look() -> LookSettings:
    return LookSettings(Films(0, 0.5, 0.3, 0.07, 0.3, 0.1))


def _write_tiles(camera: Camera, folder: Path, threads: int) -> None:
    """Paint in the order of the tiles; with more threads only exposing and encoding overlap."""
    if threads <= 1:
        for shot in camera.shots:
            _write_tile(camera, shot, folder)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(lambda shot: _write_tile(camera, shot, folder), camera.shots):
            pass


def _write_tile(camera: Camera, shot: Shot, folder: Path) -> None:
    image = camera.take(shot)
    settings = camera.settings
    path = folder / shot.file
    if settings.file_format == "jpg":
        path.write_bytes(imagecodecs.jpeg8_encode(image, level=settings.quality))
    elif settings.file_format == "png":
        path.write_bytes(imagecodecs.png_encode(image, level=1))
    else:
        tifffile.imwrite(path, image, photometric="rgb", metadata=None, software=False)


def _truth(camera: Camera, folder: Path, die: str, raster_um_per_px: float) -> Truth:
    tiles = []
    s = camera.settings
    grid = np.stack(
        np.meshgrid(np.linspace(0, s.tile_width - 1, 9), np.linspace(0, s.tile_height - 1, 9)),
        axis=-1,
    ).reshape(-1, 2)
    basis = np.column_stack([grid, np.ones(len(grid))])
    for shot in camera.shots:
        shift = np.eye(3)
        shift[:2, 2] = shot.origin_px
        matrix = camera.stage_matrix @ shift
        matrix /= matrix[2, 2]
        solution, *_ = np.linalg.lstsq(basis, camera.to_die_um(shot, grid), rcond=None)
        tiles.append(
            TileTruth(
                shot.file,
                shot.row,
                shot.column,
                matrix,
                solution.T.astype(np.float64),
                shot.exposure,
            )
        )
    return Truth(
        folder,
        die,
        camera.size_um,
        s.um_per_px,
        raster_um_per_px,
        camera.lens,
        camera.warp,
        tuple(tiles),
    )


def write_rasters(truth: Truth, camera: Camera, *, drawn: bool = False) -> None:
    """Write `layers.tif`, `visible.tif` and `spoiled.tif` strip by strip."""
    u = truth.raster_um_per_px
    width, height = (round(v / u) for v in truth.size_um)
    options = {"compression": "zlib", "compressionargs": {"level": 6}, "metadata": None}
    tile = (_STRIP, _STRIP)
    for name, planes in (("layers", len(LAYERS)), ("visible", len(LAYERS)), ("spoiled", 1)):
        shape = (planes, height, width) if planes > 1 else (height, width)
        tifffile.imwrite(
            truth.folder / f"{name}.tif",
            _raster_tiles(truth, camera, name, planes, drawn),
            shape=shape,
            dtype=np.uint8,
            photometric="minisblack",
            tile=tile,
            software=False,
            **options,
        )


def _raster_tiles(
    truth: Truth, camera: Camera, name: str, planes: int, drawn: bool
) -> Iterator[NDArray[np.uint8]]:
    u = truth.raster_um_per_px
    width, height = (round(v / u) for v in truth.size_um)
    for plane in range(planes):
        for y in range(0, height, _STRIP):
            for x in range(0, width, _STRIP):
                box = (x * u, y * u, (x + _STRIP) * u, (y + _STRIP) * u)
                yield _raster_block(truth, camera, name, plane, box, drawn)


def _raster_block(
    truth: Truth, camera: Camera, name: str, plane: int, box: Box, drawn: bool
) -> NDArray[np.uint8]:
    u = truth.raster_um_per_px
    specimen, layer = camera.specimen, LAYERS[plane]
    if name == "layers":
        if drawn:
            return specimen.masks.mask(layer, box, um_per_px=u)
        return specimen.made_mask(layer, box, um_per_px=u)
    if name == "visible":
        ones = np.ones((_STRIP, _STRIP), dtype=np.uint8)
        if layer in ("metal", "contact", "pad_opening"):
            return ones
        if layer == "implant":
            # An implant leaves no trace that a person could point at.
            return ones * np.uint8(0)
        return ones - specimen.made_mask("metal", box, um_per_px=u)
    return specimen.dirt.spoiled(box, u) | _unphotographed(truth, box)


def _unphotographed(truth: Truth, box: Box) -> NDArray[np.uint8]:
    """Return 1 where no tile looks (holes left by missing tiles)."""
    u = truth.raster_um_per_px
    seen = np.zeros((_STRIP, _STRIP), dtype=np.uint8)
    w, h = truth.lens.width, truth.lens.height
    along = np.linspace(0, 1, 9)
    edge = np.concatenate(
        [
            np.column_stack([along * (w - 1), 0 * along]),
            np.column_stack([0 * along + w - 1, along * (h - 1)]),
            np.column_stack([(w - 1) * (1 - along), 0 * along + h - 1]),
            np.column_stack([0 * along, (h - 1) * (1 - along)]),
        ]
    )
    for tile in truth.tiles:
        outline = truth.tile_to_die_um(tile.file, edge)
        low, high = outline.min(axis=0), outline.max(axis=0)
        if low[0] > box[2] or high[0] < box[0] or low[1] > box[3] or high[1] < box[1]:
            continue
        points = (outline - np.array(box[:2])) / u - 0.5
        cv2.fillPoly(seen, [np.round(points * 16).astype(np.int32)], 1, shift=4)
    return np.uint8(1) - seen
