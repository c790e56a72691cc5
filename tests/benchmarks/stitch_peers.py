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
from numpy.typing import NDArray
from skimage.io import imread, imsave
from skimage.registration import phase_cross_correlation
from skimage.transform import AffineTransform, warp
from stitch_scenes import Tile, draw_die, photograph

Array = NDArray[np.float64]
TRAINING_SEED = 7


@dataclass(frozen=True)
class Peer:
    """How long another program took to make a mosaic, and how far off its tiles are."""

    seconds: float
    rms_px: float


def peer_tiles(seed: int, folder: Path, side: int) -> list[Tile]:
    """side x side tiles of a die without arrays, into `folder / "tiles"`: both can do these."""
    width, height = 640, 480
    shape = (int(height * (0.8 * side + 0.2)) + 90, int(width * (0.8 * side + 0.2)) + 90)
    die, _ = draw_die(seed, shape, ())
    return photograph(
        die, folder / "tiles", seed, size=(width, height), overlap_frac=0.2, stage_frac=0.03
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
    start = time.perf_counter()
    pictures = [cv2.imread(file) for file in files]
    stitcher = cv2.Stitcher.create(cv2.Stitcher_SCANS)
    stitcher.setRegistrationResol(resolution_mpx)
    stitcher.setPanoConfidenceThresh(confidence)
    try:
        status, mosaic = stitcher.stitch(pictures)
    except cv2.error:
        return None
    seconds = time.perf_counter() - start
    if status != cv2.Stitcher_OK or len(stitcher.component()) < len(files):
        return None
    return Peer(seconds, _rms_in(mosaic, files, tiles))


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
) -> Peer:
    """Neighbours' nominal overlaps correlated, places by least squares, tiles warped.

    Files are sorted row by row.
    """
    normalization, upsample = _best_plain_settings()
    start = time.perf_counter()
    places = _plain_places(files, shape, overlap_frac, normalization, upsample)
    with tempfile.TemporaryDirectory() as folder:
        imsave(Path(folder) / "mosaic.tif", _mosaic(files, places), check_contrast=False)
    seconds = time.perf_counter() - start
    return Peer(seconds, _rms_of(places, tiles))


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
            places = _plain_places(files, (3, 3), 0.2, normalization, upsample)
            tried[normalization, upsample] = _rms_of(places, tiles)
    return min(tried, key=lambda s: tried[s])


def _plain_places(
    files: list[str],
    shape: tuple[int, int],
    overlap_frac: float,
    normalization: str | None,
    upsample: int,
) -> Array:
    pictures = [imread(file).astype(float) for file in files]
    rows, columns = shape
    height, width = pictures[0].shape
    across, down = int(width * overlap_frac), int(height * overlap_frac)
    links = []
    for row, column in itertools.product(range(rows), range(columns)):
        k = row * columns + column
        for other, beside in ((k + 1, True), (k + columns, False)):
            if other >= len(files) or (beside and column + 1 == columns):
                continue
            a, b = pictures[k], pictures[other]
            one = a[:, -across:] if beside else a[-down:]
            two = b[:, :across] if beside else b[:down]
            shift, *_ = phase_cross_correlation(
                one - one.mean(),
                two - two.mean(),
                upsample_factor=upsample,
                normalization=normalization,
            )
            nominal = (width - across, 0) if beside else (0, height - down)
            links.append((k, other, nominal[0] + shift[1], nominal[1] + shift[0]))
    design = np.zeros((len(links) + 1, len(files)))
    target = np.zeros((len(links) + 1, 2))
    design[-1, 0] = 1
    for n, (a_index, b_index, dx, dy) in enumerate(links):
        design[n, [a_index, b_index]] = -1, 1
        target[n] = dx, dy
    places, *_ = np.linalg.lstsq(design, target, rcond=None)
    return places


def _mosaic(files: list[str], places: Array) -> NDArray[np.uint8]:
    """The mosaic, each tile resampled once to its place between the px."""
    corners = places - places.min(0)
    height, width = imread(files[0]).shape
    across, down = np.ceil(corners.max(0)).astype(int) + [width, height]
    mosaic = np.zeros((down, across), np.uint8)
    for file, corner in zip(files, corners, strict=True):
        x, y = np.floor(corner).astype(int)
        back = AffineTransform(translation=[x, y] - corner)
        moved = warp(imread(file), back, mode="edge", preserve_range=True)
        mosaic[y : y + height, x : x + width] = np.rint(moved)
    return mosaic
