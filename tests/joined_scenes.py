"""Finished pictures of invented dies, joined wrongly by known offsets and steps of brightness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import shift as shift_by_spline

from maskdelta.images import Box, Raster, linear_to_srgb, srgb_to_linear, write_raster
from maskdelta.phantom import load_preset, make_layout, make_specimen, take_picture
from maskdelta.seams import Seams, find_seams


@dataclass(frozen=True)
class Joint:
    """A place where two parts meet: end points, and what the second part is off by.

    `along_px` and `across_px` are those of the part right of, or below, the line; `gain` is its
    brightness over that of the other, linear light.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    along_px: float
    across_px: float
    gain: float


@cache
def clean_picture(
    seed: int, side_um: int = 1700, *, preset: str = "ordinary", angle_deg: float = 0.0
) -> NDArray[np.uint16]:
    """A whole die in one photograph, all but noiseless; (H, W, 3) uint16."""
    settings = load_preset(preset).resized(side_um, side_um)
    die, photographer = settings.die, settings.photographers[0]
    layout = make_layout(
        seed,
        width_um=side_um,
        height_um=side_um,
        memory_share=die.memory_share,
        text=die.text,
    )
    specimen = make_specimen(layout, settings.specimen, seed=seed * 10)
    camera = replace(
        photographer.camera,
        angle_deg=angle_deg,
        file_format="png",
        bits=16,
        shot_noise=0.001,
        read_noise=0.001,
        vignetting=0.0,
        exposure_jitter=0.0,
        lens_px=0.0,
        dust=0,
    )
    picture, _, _ = take_picture(specimen, camera=camera, look=photographer.look, seed=seed * 10)
    return picture


def join_wrongly(
    picture: NDArray[np.uint16],
    *,
    xs: tuple[int, ...] = (),
    ys: tuple[int, ...] = (),
    offset_px: tuple[float, float] = (0.0, 0.0),
    gain: float = 1.0,
    noise: float = 2.0,
    quality: int = 92,
    seed: int = 0,
) -> tuple[NDArray[np.uint8], list[Joint]]:
    """Cut a picture along lines; every other part, as on a chessboard, is moved and brightened.

    Each part has read noise of its own (levels of 8 bits), and the whole is a JPEG once.
    """
    rng = np.random.default_rng([seed, 77])
    light = srgb_to_linear(picture)
    off = light
    if any(offset_px):
        moved = [
            shift_by_spline(light[..., k], offset_px[::-1], order=3, mode="nearest")
            for k in range(3)
        ]
        off = np.clip(np.stack(moved, -1), 0, 1)
    off = np.clip(off * np.float32(gain), 0, 1)
    height, width = picture.shape[:2]
    columns = np.searchsorted(xs, np.arange(width), side="right")
    rows = np.searchsorted(ys, np.arange(height), side="right")
    odd = (rows[:, None] + columns) % 2 == 1
    whole = linear_to_srgb(np.where(odd[..., None], off, light), np.dtype(np.uint16))
    noisy = whole / 257.0 + rng.normal(0, noise, whole.shape)
    joined = np.rint(np.clip(noisy, 0, 255)).astype(np.uint8)
    if quality:
        joined = imagecodecs.jpeg8_decode(imagecodecs.jpeg8_encode(joined, level=quality))
    return joined, _joints(xs, ys, (height, width), offset_px, gain)


def _joints(
    xs: tuple[int, ...],
    ys: tuple[int, ...],
    shape: tuple[int, int],
    offset_px: tuple[float, float],
    gain: float,
) -> list[Joint]:
    """A joint an edge of a part; lines run between px, so that 0.5 is taken off."""
    found = []
    dx, dy = offset_px
    row_ends, column_ends = (0, *ys, shape[0]), (0, *xs, shape[1])
    for c, x in enumerate(xs):
        for r in range(len(row_ends) - 1):
            sign = 1 if (r + c + 1) % 2 else -1
            found.append(
                Joint(
                    x - 0.5, row_ends[r] - 0.5, x - 0.5, row_ends[r + 1] - 0.5,
                    sign * dy, sign * dx, gain**sign,
                )
            )  # fmt: skip
    for r, y in enumerate(ys):
        for c in range(len(column_ends) - 1):
            sign = 1 if (r + c + 1) % 2 else -1
            found.append(
                Joint(
                    column_ends[c] - 0.5, y - 0.5, column_ends[c + 1] - 0.5, y - 0.5,
                    sign * dx, sign * dy, gain**sign,
                )
            )  # fmt: skip
    return found


def turned(picture: NDArray[np.uint8], angle_deg: float) -> NDArray[np.uint8]:
    """The picture turned about its middle, as somebody straightens a finished mosaic."""
    height, width = picture.shape[:2]
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle_deg, 1.0)
    return np.asarray(cv2.warpAffine(picture, matrix, (width, height), flags=cv2.INTER_CUBIC))


def seams_of(picture: NDArray[np.uint8], folder: Path) -> Seams:
    """Seams found in a picture, by way of the rasters that the stage reads."""
    shape = picture.shape[:2]
    mosaic, coverage = folder / "mosaic.ome.tif", folder / "mosaic_tiles.tif"

    def part(box: Box) -> NDArray[np.uint8]:
        return np.ascontiguousarray(picture[box.y0 : box.y1, box.x0 : box.x1])

    write_raster(mosaic, part, shape=shape, dtype=np.uint8)
    write_raster(
        coverage,
        lambda box: np.ones((1, *box.shape), np.uint16),
        shape=shape,
        dtype=np.uint16,
        planes=("tile",),
        reduce="nearest",
    )
    with Raster.open(mosaic) as shown, Raster.open(coverage) as seen:
        return find_seams(shown, seen)


def found_share(
    rows: Sequence[dict[str, Any]], joints: Sequence[Joint], *, near_px: float = 5.0
) -> tuple[int, int, list[float]]:
    """How many joints a listed seam lies on for a third of their length, how many seams lie on
    none, and by how much the offsets of the former are off, px."""
    found, misses = 0, []
    true = set()
    for joint in joints:
        upright = joint.x0 == joint.x1
        low, high = (joint.y0, joint.y1) if upright else (joint.x0, joint.x1)
        hit = False
        for n, row in enumerate(rows):
            if (row["direction"] == "upright") != upright:
                continue
            ends = (row["y0_px"], row["y1_px"]) if upright else (row["x0_px"], row["x1_px"])
            place = (
                (row["x0_px"] + row["x1_px"]) / 2 if upright else (row["y0_px"] + row["y1_px"]) / 2
            )
            shared = min(high, ends[1]) - max(low, ends[0])
            if abs(place - (joint.x0 if upright else joint.y0)) > near_px or shared < 1:
                continue
            true.add(n)
            if shared > (high - low) / 3 and shared > 0.5 * (ends[1] - ends[0]):
                hit = True
                if "offset" in row["signs"] and joint.along_px:
                    misses.append(row["offset_px"] - joint.along_px)
        found += hit
    return found, len(rows) - len(true), misses
