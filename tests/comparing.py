"""Two segmented dies on disk, registered and compared by the library's own steps."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskdelta.difference import DiePair, compare_dies
from maskdelta.images import Raster, write_raster
from maskdelta.overlay import measure_overlay
from maskdelta.register import Side, register
from maskdelta.study import DifferenceSettings, LayerStack, OverlaySettings, RegisterSettings


def side_of(pixels: NDArray[np.uint8], folder: Path, name: str, stack: ExitStack) -> Side:
    """Write an (H, W, 3) picture as a mosaic of one tile, and open it."""
    shape = pixels.shape[:2]
    write_raster(
        folder / f"{name}.tif",
        lambda b: pixels[b.y0 : b.y1, b.x0 : b.x1],
        shape=shape,
        dtype=np.uint8,
    )
    write_raster(
        folder / f"{name}_tiles.tif",
        lambda b: np.ones((1, *b.shape), np.uint16),
        shape=shape,
        dtype=np.uint16,
        planes=("tile",),
        reduce="nearest",
    )
    return open_side((folder / f"{name}.tif", folder / f"{name}_tiles.tif"), stack)


def open_side(paths: Sequence[Path], stack: ExitStack) -> Side:
    """Open a mosaic and its coverage until the stack closes."""
    return Side(*(stack.enter_context(Raster.open(path)) for path in paths))


@dataclass(frozen=True)
class Segmented:
    """Files of one die: mosaic, coverage, and the folder of its layers."""

    mosaic: Path
    coverage: Path
    layers: Path


def compare(
    before: Segmented,
    after: Segmented,
    folder: Path,
    *,
    um_per_px: float,
    settings: RegisterSettings | None = None,
) -> None:
    """Write regions.csv and the masks, `differences/<layer>.tif`, into a folder."""
    with ExitStack() as stack:
        sides = [open_side((die.mosaic, die.coverage), stack) for die in (before, after)]
        found = register(*sides, names=("before", "after"), settings=settings or RegisterSettings())
    assert found.registration.trusted, found.registration.refused
    layers = LayerStack(before.layers), LayerStack(after.layers)
    with Raster.open(layers[0].membership) as raster:
        names = raster.planes
    pair = DiePair(
        *layers,
        mosaics=(before.mosaic, after.mosaic),
        coverages=(before.coverage, after.coverage),
        registration=found.registration,
        error=found.error,
        overlay=measure_overlay(*layers, found.registration, settings=OverlaySettings()),
        um_per_px=um_per_px,
        layers=names,
        settings=DifferenceSettings(),
    )
    compare_dies(pair, folder)
