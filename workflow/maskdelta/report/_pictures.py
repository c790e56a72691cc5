"""Pictures of the report: overviews, crops, maps of what could not be compared."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, map_block
from maskdelta.study import Registration

__all__ = ["Overview", "crop_pictures", "overview", "round_length", "save_jpeg", "state_map"]

# blue and vermilion, told apart by anyone; added is filled besides, removed is hatched
_COLOURS = {1: (0, 114, 178), 2: (213, 94, 0)}


@dataclass(frozen=True)
class Overview:
    """A reduced picture and how it lies in the mosaic before.

    Parameters
    ----------
    width, height : int
        Of the picture.
    scale : float
        Mosaic px per px of the picture.
    origin : (int, int)
        Mosaic px of the picture's upper left corner.
    """

    width: int
    height: int
    scale: float
    origin: tuple[int, int]

    def place(self, x: float, y: float) -> tuple[float, float]:
        """A point of the mosaic in the picture, to a tenth of a px."""
        return (
            round((float(x) - self.origin[0]) / self.scale, 1),
            round((float(y) - self.origin[1]) / self.scale, 1),
        )


def _bytes(image: NDArray[Any]) -> NDArray[np.uint8]:
    reduced: NDArray[np.uint8] = (image >> 8).astype(np.uint8) if image.dtype != np.uint8 else image
    return np.ascontiguousarray(reduced)


def save_jpeg(path: Path, image: NDArray[Any]) -> None:
    """Write an 8-bit copy of a picture as JPEG."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(imagecodecs.jpeg8_encode(_bytes(image), level=87))


def round_length(longest: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not longer than `longest`."""
    power = 10.0 ** np.floor(np.log10(max(longest, 1e-9)))
    return float(max(step * power for step in (1, 2, 5) if step * power <= longest))


def overview(
    before: Raster,
    after: Raster,
    registration: Registration,
    folder: Path,
    *,
    longest_px: int = 1500,
) -> Overview:
    """Write `overview_before.jpg`, and `overview_after.jpg` laid over it if registered.

    The after picture is sampled from a reduced level of its mosaic, so that memory stays small.
    """
    level = before.level_for(longest_px)
    image = before.read_level(level)
    save_jpeg(folder / "overview_before.jpg", image)
    height, width = image.shape[:2]
    view = Overview(width, height, 2.0**level, before.origin)
    if not registration.trusted:
        save_jpeg(folder / "overview_after.jpg", after.read_level(after.level_for(longest_px)))
        return view
    step = 16
    gx, gy = np.meshgrid(np.arange(0, width + step, step), np.arange(0, height + step, step))
    centre = np.column_stack([gx.ravel(), gy.ravel()]) * view.scale + (view.scale - 1) / 2
    there = registration.before_to_after(centre + np.array(before.origin))
    level_after = after.level_for(2 * longest_px)
    shrink = 2.0**level_after
    grid = (there - np.array(after.origin) - (shrink - 1) / 2) / shrink
    u, v = np.meshgrid(
        np.arange(width, dtype=np.float32) / step, np.arange(height, dtype=np.float32) / step
    )
    dense = cv2.remap(grid.reshape(*gx.shape, 2).astype(np.float32), u, v, cv2.INTER_LINEAR)
    moved = cv2.remap(
        after.read_level(level_after),
        np.ascontiguousarray(dense[..., 0]),
        np.ascontiguousarray(dense[..., 1]),
        cv2.INTER_LINEAR,
    )
    save_jpeg(folder / "overview_after.jpg", moved)
    return view


def crop_pictures(
    mosaics: tuple[Raster, Raster],
    masks: dict[str, Raster],
    registration: Registration,
    box: Box,
    layers: list[str],
    path: Path,
    *,
    shown_px: int = 320,
) -> tuple[int, int]:
    """Write before, after and difference crops of a box of the mosaic before.

    Returns
    -------
    (int, int)
        Width and height of each picture.
    """
    block = map_block(box, registration.before_to_after)
    first = _bytes(mosaics[0].read_mosaic(box))
    second = block.resample(_bytes(block.fetch(mosaics[1])))
    states = np.zeros(box.shape, np.uint8)
    hidden = np.ones(box.shape, np.uint8)
    for layer in layers:
        plane = masks[layer].read_mosaic(box)[0]
        states = np.where((plane == 1) | (plane == 2), plane, states)
        hidden &= (plane == 255).astype(np.uint8)
    factor = max(1, round(shown_px / max(box.shape)))
    size = (box.width * factor, box.height * factor)
    big = [cv2.resize(image, size, interpolation=cv2.INTER_CUBIC) for image in (first, second)]
    nearest = [cv2.resize(p, size, interpolation=cv2.INTER_NEAREST) for p in (states, hidden)]
    save_jpeg(path.with_name(f"{path.name}_before.jpg"), big[0])
    save_jpeg(path.with_name(f"{path.name}_after.jpg"), big[1])
    drawn = _draw_states(big[0], nearest[0], nearest[1] > 0)
    save_jpeg(path.with_name(f"{path.name}_difference.jpg"), drawn)
    return size


def _draw_states(
    image: NDArray[np.uint8], states: NDArray[np.uint8], hidden: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """Grey picture with added areas filled and removed areas hatched, each in its own colour."""
    drawn = np.repeat(image.mean(-1, keepdims=True) * 0.55 + 90, 3, axis=2)
    drawn[hidden] *= 0.6
    y, x = np.indices(states.shape)
    for state, colour in _COLOURS.items():
        mask = states == state
        fill = mask if state == 1 else mask & ((x + y) % 8 < 4)
        drawn[fill] = 0.25 * drawn[fill] + 0.75 * np.array(colour)
        edge = mask & (cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
        drawn[edge] = colour
    return np.clip(drawn, 0, 255).astype(np.uint8)


def state_map(mask: Raster, path: Path, *, longest_px: int = 700) -> None:
    """Write a reduced map of a layer: changed places enlarged, not comparable in grey."""
    plane = mask.read_level(mask.level_for(longest_px))[0]
    image = np.full((*plane.shape, 3), 245, np.uint8)
    image[plane == 255] = 150
    for state, colour in _COLOURS.items():
        image[cv2.dilate((plane == state).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0] = colour
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(imagecodecs.png_encode(image))
