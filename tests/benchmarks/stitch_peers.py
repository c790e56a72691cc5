"""Tiles placed by general-purpose libraries, as somebody without this program would do it.

OpenCV's ready-made stitcher for flat scans, and a plain script around scikit-image's
`phase_cross_correlation` (Guizar-Sicairos, Opt. Lett. 33 (2008)), as its gallery of examples uses
it: shifts of neighbours, then least squares of all places. What they may be set to is tried on a
training seed.
"""

from __future__ import annotations

import functools
import itertools
import multiprocessing
import queue
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from skimage.filters import gaussian, laplace
from skimage.io import imread
from skimage.registration import phase_cross_correlation
from skimage.transform import AffineTransform, downscale_local_mean, warp
from stitch_scenes import Tile, draw_die, photograph

Array = NDArray[np.float64]
TRAINING_SEED = 7


@dataclass(frozen=True)
class Peer:
    """How long another program took to make a mosaic, and how far off its tiles are.

    `cpu_s` is the time of the processor: on a machine that others use, the one to go by.
    """

    seconds: float
    cpu_s: float
    rms_px: float


def peer_tiles(seed: int, folder: Path, side: int) -> list[Tile]:
    """side x side tiles of a die without arrays, into `folder / "tiles"`: both can do these."""
    width, height = 640, 480
    shape = (int(height * (0.8 * side + 0.2)) + 90, int(width * (0.8 * side + 0.2)) + 90)
    die, _ = draw_die(seed, shape, ())
    return photograph(
        die,
        folder / "tiles",
        seed,
        size=(width, height),
        overlap_frac=0.2,
        stage_frac=0.03,
        colour=True,
    )


# --- OpenCV ---------------------------------------------------------------------------------------


def scan_stitcher(files: list[str], tiles: list[Tile]) -> Peer | None:
    """OpenCV's scan stitcher with the settings that did best in training; None where it fails."""
    return _scan_or_give_up(files, tiles, *_best_scan_settings())


def _scan_or_give_up(
    files: list[str],
    tiles: list[Tile],
    resolution_mpx: float,
    confidence: float,
    *,
    limit_s: float = 60.0,
) -> Peer | None:
    """The stitcher in a process of its own, since its adjustment does not always come to an end."""
    context = multiprocessing.get_context("spawn")
    answers = context.Queue()
    job = (answers, files, tiles, resolution_mpx, confidence)
    process = context.Process(target=_answer, args=job)
    process.start()
    try:
        return answers.get(timeout=limit_s)
    except queue.Empty:
        return None
    finally:
        process.kill()
        process.join()


def _answer(answers: Any, *job: Any) -> None:
    answers.put(_scan(*job))


def _scan(
    files: list[str], tiles: list[Tile], resolution_mpx: float, confidence: float
) -> Peer | None:
    start, cpu = time.perf_counter(), time.process_time()
    pictures = [cv2.imread(file) for file in files]
    stitcher = cv2.Stitcher.create(cv2.Stitcher_SCANS)
    stitcher.setRegistrationResol(resolution_mpx)
    stitcher.setPanoConfidenceThresh(confidence)
    try:
        status, mosaic = stitcher.stitch(pictures)
    except cv2.error:
        return None
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    if status != cv2.Stitcher_OK or len(stitcher.component()) < len(files):
        return None
    return Peer(seconds, cpu, _rms_in(mosaic, files, tiles))


@functools.cache
def _best_scan_settings() -> tuple[float, float]:
    """Resolution of the features (Mpx, -1 for all) and confidence, searched on a training seed."""
    with tempfile.TemporaryDirectory() as folder:
        tiles = peer_tiles(TRAINING_SEED, Path(folder), 3)
        files = _files(Path(folder), tiles)
        tried = {}
        for settings in itertools.product((0.6, -1.0), (1.0, 0.5, 0.2)):
            found = _scan_or_give_up(files, tiles, *settings, limit_s=15.0)
            if found is not None:
                tried[settings] = found.rms_px
    return min(tried, key=lambda s: tried[s]) if tried else (0.6, 1.0)


def _files(folder: Path, tiles: list[Tile]) -> list[str]:
    return [str(folder / "tiles" / tile.name) for tile in tiles]


def _rms_in(mosaic: NDArray[np.uint8], files: list[str], tiles: list[Tile]) -> float:
    """Distance of the tiles' middles, found in the mosaic, from an affine map of their places.

    The class tells no transforms, and its frame may be stretched: an affine map favours it.
    """
    grey = cv2.cvtColor(mosaic, cv2.COLOR_BGR2GRAY)
    found = []
    for file in files:
        tile = cv2.imread(file, cv2.IMREAD_GRAYSCALE)
        y, x = tile.shape[0] // 2 - 60, tile.shape[1] // 2 - 60
        score = cv2.matchTemplate(grey, tile[y : y + 120, x : x + 120], cv2.TM_CCOEFF_NORMED)
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        along_x, along_y = score[row, column - 1 : column + 2], score[row - 1 : row + 2, column]
        found.append([column + _vertex(along_x), row + _vertex(along_y)])
    names = {tile.name: tile.centre for tile in tiles}
    truth = np.array([names[Path(file).name] for file in files])
    design = np.column_stack([truth, np.ones(len(truth))])
    places = np.array(found)
    fit, *_ = np.linalg.lstsq(design, places, rcond=None)
    return float(np.sqrt(np.mean(np.sum((places - design @ fit) ** 2, axis=1))))


def _vertex(values: NDArray[np.float32]) -> float:
    if len(values) < 3:
        return 0.0
    before, top, after = (float(v) for v in values)
    bend = before - 2 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


# --- scikit-image ---------------------------------------------------------------------------------


def plain_scikit_image(
    files: list[str], tiles: list[Tile], shape: tuple[int, int], *, overlap_frac: float
) -> tuple[Peer, float]:
    """Neighbours' nominal overlaps correlated, places by least squares, tiles warped.

    It does the job that is compared with, as plainly as can be: tiles are evened out by their
    smoothed mean, their sharpness is measured, and beside the mosaic there is a raster of which
    tile gives each px, both packed in tiles and with smaller versions to look at.

    Files are sorted row by row.

    Returns
    -------
    whole : Peer
    bare_cpu_s : float
        What the places and one plain mosaic alone take.
    """
    normalization, upsample = _best_plain_settings()
    with tempfile.TemporaryDirectory() as folder:
        cpu = time.process_time()
        places = _plain_places(_read(files), shape, overlap_frac, normalization, upsample)
        mosaic, _ = _mosaic(_read(files), places)
        tifffile.imwrite(Path(folder) / "mosaic.tif", mosaic)
        bare = time.process_time() - cpu
        start, cpu = time.perf_counter(), time.process_time()
        pictures = _evened(_read(files))
        places = _plain_places(pictures, shape, overlap_frac, normalization, upsample)
        sharpness = [float(laplace(picture.mean(2)).var()) for picture in pictures]
        mosaic, owner = _mosaic(pictures, places, owners=True)
        _save_pyramid(Path(folder) / "mosaic.tif", mosaic)
        _save_pyramid(Path(folder) / "owner.tif", owner)
        np.savetxt(Path(folder) / "places.csv", np.column_stack([places, sharpness]))
        seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    return Peer(seconds, cpu, _rms_of(places, tiles)), bare


def _read(files: list[str]) -> list[Array]:
    return [imread(file).astype(float) for file in files]


def _evened(pictures: list[Array], *, sigma_px: float = 40.0) -> list[Array]:
    """Divided by the smoothed mean of all tiles."""
    shading = gaussian(np.mean(pictures, axis=0), sigma_px, channel_axis=2)
    return [picture * (shading.mean((0, 1)) / shading) for picture in pictures]


def _save_pyramid(path: Path, picture: NDArray[Any]) -> None:
    """Each level half of the one before, until one tile of 512 px holds it."""
    with tifffile.TiffWriter(path) as tiff:
        while True:
            tiff.write(picture, tile=(512, 512), compression="adobe_deflate", predictor=True)
            if max(picture.shape) <= 512:
                return
            if picture.ndim == 2:  # numbers of tiles
                picture = picture[::2, ::2]
            else:
                picture = downscale_local_mean(picture, (2, 2, 1)).astype(np.uint8)


def _rms_of(places: Array, tiles: list[Tile]) -> float:
    apart = places - np.array([tile.centre for tile in tiles])
    apart -= np.median(apart, axis=0)
    return float(np.sqrt(np.mean(np.sum(apart**2, axis=1))))


@functools.cache
def _best_plain_settings() -> tuple[str | None, int]:
    with tempfile.TemporaryDirectory() as folder:
        tiles = peer_tiles(TRAINING_SEED, Path(folder), 3)
        files = _files(Path(folder), tiles)
        tried: dict[Any, float] = {}
        for normalization, upsample in itertools.product((None, "phase"), (10, 100)):
            places = _plain_places(_read(files), (3, 3), 0.2, normalization, upsample)
            tried[normalization, upsample] = _rms_of(places, tiles)
    return min(tried, key=lambda s: tried[s])


def _plain_places(
    pictures: list[Array],
    shape: tuple[int, int],
    overlap_frac: float,
    normalization: str | None,
    upsample: int,
) -> Array:
    rows, columns = shape
    height, width = pictures[0].shape[:2]
    across, down = int(width * overlap_frac), int(height * overlap_frac)
    links = []
    for row, column in itertools.product(range(rows), range(columns)):
        k = row * columns + column
        for other, beside in ((k + 1, True), (k + columns, False)):
            if other >= len(pictures) or (beside and column + 1 == columns):
                continue
            a, b = pictures[k], pictures[other]
            one = (a[:, -across:] if beside else a[-down:]).mean(2)
            two = (b[:, :across] if beside else b[:down]).mean(2)
            shift, *_ = phase_cross_correlation(
                one - one.mean(),
                two - two.mean(),
                upsample_factor=upsample,
                normalization=normalization,
            )
            nominal = (width - across, 0) if beside else (0, height - down)
            links.append((k, other, nominal[0] + shift[1], nominal[1] + shift[0]))
    design = np.zeros((len(links) + 1, len(pictures)))
    target = np.zeros((len(links) + 1, 2))
    design[-1, 0] = 1
    for n, (a_index, b_index, dx, dy) in enumerate(links):
        design[n, [a_index, b_index]] = -1, 1
        target[n] = dx, dy
    places, *_ = np.linalg.lstsq(design, target, rcond=None)
    return places


def _mosaic(
    pictures: list[Array], places: Array, *, owners: bool = False
) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
    """The mosaic, each tile resampled once to its place between the px.

    With `owners` the tile that shows a px most centrally gives it, and its number is told; else
    later tiles cover earlier ones.
    """
    corners = places - places.min(0)
    height, width = pictures[0].shape[:2]
    across, down = np.ceil(corners.max(0)).astype(int) + [width, height]
    mosaic = np.zeros((down, across, 3), np.uint8)
    owner = np.zeros((down, across), np.uint16)
    depth = np.zeros((down, across), np.float32)
    sides = [np.minimum(np.arange(n), np.arange(n)[::-1]) + 1.0 for n in (height, width)]
    inside = np.minimum(sides[0][:, None], sides[1]).astype(np.float32)
    for number, (picture, corner) in enumerate(zip(pictures, corners, strict=True), 1):
        x, y = np.floor(corner).astype(int)
        back = AffineTransform(translation=[x, y] - corner)
        moved = np.clip(np.rint(warp(picture, back, mode="edge", preserve_range=True)), 0, 255)
        part = np.s_[y : y + height, x : x + width]
        if not owners:
            mosaic[part] = moved
            continue
        better = inside > depth[part]
        mosaic[part][better] = moved[better]
        owner[part][better] = number
        depth[part][better] = inside[better]
    return mosaic, owner
