"""Pairs of pictures for the benchmark of registration, with the ways between picture and die."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import eight_bits
from maskdelta.phantom import (
    LAYERS,
    AnyMasks,
    Layout,
    Preset,
    make_layout,
    make_specimen,
    take_picture,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Picture:
    """A finished picture of a die, and the way between its px and um of the die."""

    pixels: NDArray[np.uint8]
    um_per_px: float
    to_die_um: Callable[[Array], Array]
    from_die_um: Callable[[Array], Array]


def layout_of(preset: Preset, seed: int) -> Layout:
    """The die that a preset describes."""
    d = preset.die
    return make_layout(
        seed,
        width_um=d.width_um,
        height_um=d.height_um,
        memory_share=d.memory_share,
        text=d.text,
    )


def take(masks: Any, preset: Preset, which: int, seed: int, *, overlay: bool = False) -> Picture:
    """Photograph masks as one of the preset's photographers does.

    Without `overlay` the layers lie over one another as drawn: their shift is a fact of the wafer
    and no error of a registration.
    """
    photographer = preset.photographers[which]
    settings = preset.specimen
    if not overlay:
        settings = dataclasses.replace(settings, overlay_um=0.0)
    specimen = make_specimen(masks, settings, seed=seed * 10 + which)
    picture, camera, shot = take_picture(
        specimen, camera=photographer.camera, look=photographer.look, seed=seed * 10 + which
    )
    return Picture(
        eight_bits(picture),
        photographer.camera.um_per_px,
        lambda p: camera.to_die_um(shot, p),
        lambda p: camera.from_die_um(shot, p),
    )


def stripped(layout: Layout) -> AnyMasks:
    """A layout without its metal and the openings over it."""
    images = _images(layout)
    for layer in ("metal", "pad_opening"):
        images[layer] = np.zeros_like(images[layer])
    return AnyMasks(images, layout.width_um, layout.height_um)


def half_periodic(layout: Layout, seed: int, *, border_um: int = 120) -> AnyMasks:
    """A layout whose right half, within the pads, is one cell of 12 x 16 um over and over."""
    images = _images(layout)
    width, height = layout.width_um, layout.height_um
    rng = np.random.default_rng([seed, 5])
    places = rng.integers([border_um] * 2, [width // 2, height - border_um], (200, 2))
    cells = [{k: v[y : y + 16, x : x + 12] for k, v in images.items()} for x, y in places.tolist()]

    def outlines(cell: dict[str, NDArray[np.uint8]]) -> int:
        return sum(int((np.diff(v, axis=a) != 0).sum()) for v in cell.values() for a in (0, 1))

    richest = max(cells, key=outlines)
    down, across = height - 2 * border_um, width - border_um - width // 2
    for layer, part in richest.items():
        tiled = np.tile(part, (down // 16 + 1, across // 12 + 1))[:down, :across]
        images[layer][border_um : height - border_um, width // 2 : width - border_um] = tiled
    return AnyMasks(images, width, height)


def rearranged(layout: Layout, seed: int, *, square_um: int = 100) -> AnyMasks:
    """Squares of a layout dealt out anew and flipped: cells as in any die, nothing in its place."""
    images = _images(layout)
    rng = np.random.default_rng([seed, 6])
    rows, columns = layout.height_um // square_um, layout.width_um // square_um
    order = rng.permutation(rows * columns)
    flips = rng.integers(0, 2, (rows * columns, 2))
    out = {}
    for layer, image in images.items():
        dealt = image.copy()
        for to, origin in enumerate(order.tolist()):
            (r, c), (v, u) = divmod(to, columns), divmod(origin, columns)
            square = image[v * square_um :, u * square_um :][:square_um, :square_um]
            steps = [-1 if f else 1 for f in flips[to]]
            target = dealt[r * square_um :, c * square_um :][:square_um, :square_um]
            target[:] = square[:: steps[0], :: steps[1]]
        out[layer] = dealt
    return AnyMasks(out, layout.width_um, layout.height_um)


def _images(layout: Layout) -> dict[str, NDArray[np.uint8]]:
    """Each layer of the whole die as an image of 1 um a px, exact since all is drawn in um."""
    whole = (0.0, 0.0, float(layout.width_um), float(layout.height_um))
    return {layer: layout.mask(layer, whole, um_per_px=1.0) for layer in LAYERS}


@dataclass(frozen=True)
class Cracked:
    """A picture of a die that broke in two, and the truth about it.

    Parameters
    ----------
    pixels : (H, W, 3) uint8
    line : (n, 2) float64
        The crack, amid the gap, px.
    apply : callable
        (n, 2) px of the whole picture -> px of the broken one.
    """

    pixels: NDArray[np.uint8]
    line: Array
    apply: Callable[[Array], Array]


def break_in_two(picture: Picture, seed: int) -> Cracked:
    """Move what lies right of a slanting line by 20 um and turn it by half a degree."""
    height, width = picture.pixels.shape[:2]
    rng = np.random.default_rng([seed, 7])
    top, bottom = rng.uniform(0.4, 0.6, 2) * width
    crack = np.array([[top, 0], [(top + bottom) / 2 + 20, height / 2], [bottom, height - 1.0]])
    angle = np.deg2rad(0.5)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle, shift = np.array([0.75 * width, height / 2]), np.array([20 / picture.um_per_px, 0])
    # turned about its middle the piece would reach over the crack at one end: that much farther off
    shift[0] += np.sin(angle) * height / 2
    moved = np.column_stack([turn, middle - turn @ middle + shift])
    room = int(2 * shift[0])
    left = np.zeros((height, width), np.uint8)
    cv2.fillPoly(left, [np.vstack([[[0, 0]], crack, [[0, height]]]).astype(np.int32)], 1)
    size = (width + room, height)
    here = cv2.warpAffine(1 - left, moved, size) > 0
    torn = cv2.warpAffine(picture.pixels, moved, size, flags=cv2.INTER_CUBIC)
    pixels = np.zeros((height, width + room, 3), np.uint8)
    pixels[:, :width][left > 0] = picture.pixels[left > 0]
    pixels[here] = torn[here]

    def apply(points: Array) -> Array:
        right = points[:, 0] > np.interp(points[:, 1], crack[:, 1], crack[:, 0])
        return np.where(right[:, None], points @ moved[:, :2].T + moved[:, 2], points)

    line = (crack + crack @ moved[:, :2].T + moved[:, 2]) / 2
    return Cracked(pixels, line, apply)
