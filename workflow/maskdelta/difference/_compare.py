"""Block-wise comparison of two dies, from open files to masks, regions and sensitivity."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from maskdelta.difference._difference import Differences, find_differences
from maskdelta.difference._masks import NOT_COMPARABLE
from maskdelta.difference._region_table import write_regions
from maskdelta.difference._sensitivity import write_sensitivity
from maskdelta.images import Box, Output, Raster, write_rasters
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import DifferenceSettings, LayerStack, Registration

__all__ = ["compare_dies"]


def compare_dies(
    before: LayerStack,
    after: LayerStack,
    *,
    mosaics: Sequence[str | Path],
    coverages: Sequence[str | Path],
    registration: Registration,
    error: ErrorMap,
    overlay: Overlay,
    um_per_px: float,
    layers: Sequence[str],
    folder: str | Path,
    settings: DifferenceSettings,
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Find what differs and write the masks, regions.csv and the sensitivity into `folder`.

    A refused registration gives masks that are not comparable everywhere and no region.
    `um_per_px` is the scale of the mosaic before in the study frame.
    """
    folder = Path(folder)
    least_px = settings.min_area_um2 / um_per_px**2
    if registration.trusted:
        differences = find_differences(
            before,
            after,
            registration,
            error,
            overlay,
            mosaics=[Path(path) for path in mosaics],
            coverages=[Path(path) for path in coverages],
            folder=folder / "differences",
            settings=settings,
            least_px=least_px,
            um_per_px=um_per_px,
            block_px=block_px,
            threads=threads,
        )
    else:
        differences = _nothing_compared(before, folder / "differences", layers, block_px)
    with Raster.open(before.membership) as frame:
        write_regions(folder / "regions.csv", differences, frame.origin, um_per_px=um_per_px)
    with ExitStack() as stack:
        masks = {
            name: stack.enter_context(Raster.open(folder / "differences" / f"{name}.tif"))
            for name in differences.layers
        }
        write_sensitivity(
            folder,
            masks,
            error,
            differences,
            least_px=least_px,
            um_per_px=um_per_px,
            margin_px=settings.margin_px,
        )


def _nothing_compared(
    before: LayerStack, folder: Path, layers: Sequence[str], block_px: int
) -> Differences:
    with Raster.open(before.membership) as frame:
        names = tuple(name for name in frame.planes if name in layers)

        def unknown(box: Box) -> list[np.ndarray]:
            return [np.full((1, *box.shape), NOT_COMPARABLE, np.uint8) for _ in names]

        write_rasters(
            [Output(folder / f"{name}.tif", np.uint8, (name,), "nearest") for name in names],
            unknown,
            shape=frame.shape,
            origin=frame.origin,
            um_per_px=frame.um_per_px,
            block_px=block_px,
        )
        area = frame.shape[0] * frame.shape[1]
    return Differences(names, [], [], dict.fromkeys(names, 0), dict.fromkeys(names, area))
