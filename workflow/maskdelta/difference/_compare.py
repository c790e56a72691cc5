"""Block-wise comparison of two dies, from open files to masks and regions, and its sensitivity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from maskdelta.difference._difference import Differences, find_differences
from maskdelta.difference._inputs import Inputs
from maskdelta.difference._judge import SecondLooks
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._recover import Host, Planted, plant_changes
from maskdelta.difference._region_table import write_regions
from maskdelta.difference._sensitivity import smallest_let_through_px, write_sensitivity
from maskdelta.images import Box, Output, Raster, write_rasters
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.segment import Labeller
from maskdelta.study import DifferenceSettings, LayerStack, Registration, Stack

__all__ = ["compare_dies", "measure_sensitivity"]


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
    """Find what differs and write the masks and regions.csv into `folder`.

    A refused registration gives masks that are not comparable everywhere and no region.
    `um_per_px` is the scale of the mosaic before in the study frame.
    """
    folder = Path(folder)
    if registration.trusted:
        with ExitStack() as stack:
            inputs = Inputs.open(
                stack,
                (before, after),
                mosaics,
                coverages,
                registration=registration,
                error=error,
                overlay=overlay,
                settings=settings,
            )
            differences = find_differences(
                inputs,
                folder=folder / "differences",
                um_per_px=um_per_px,
                block_px=block_px,
                threads=threads,
            )
    else:
        differences = _nothing_compared(before, folder / "differences", layers, block_px)
    with Raster.open(before.membership) as frame:
        write_regions(folder / "regions.csv", differences, frame.origin, um_per_px=um_per_px)


def measure_sensitivity(
    before: LayerStack,
    after: LayerStack,
    *,
    mosaics: Sequence[str | Path],
    coverages: Sequence[str | Path],
    registration: Registration,
    error: ErrorMap,
    overlay: Overlay,
    labellers: tuple[Labeller, Labeller],
    stacks: Mapping[str, Stack],
    um_per_px: float,
    layers: Sequence[str],
    folder: str | Path,
    settings: DifferenceSettings,
    threads: int = 1,
) -> None:
    """Plant changes and write sensitivity.csv, sensitivity.tif and planted.csv into `folder`.

    Needs the masks that `compare_dies` wrote there. `labellers` are those of the dies before and
    after. A refused registration plants nothing.
    """
    folder = Path(folder)
    with ExitStack() as stack:
        masks = {
            name: stack.enter_context(Raster.open(folder / "differences" / f"{name}.tif"))
            for name in layers
        }
        planted: list[Planted] = []
        hosts: list[Host] = []
        if registration.trusted:
            inputs = Inputs.open(
                stack,
                (before, after),
                mosaics,
                coverages,
                registration=registration,
                error=error,
                overlay=overlay,
                settings=settings,
            )
            least = smallest_let_through_px(error, settings.margin_px, inputs.least_px(um_per_px))
            hosts = [
                Host.learn(inputs, sign, labeller, stacks, least)
                for sign, labeller in zip((REMOVED, ADDED), labellers, strict=True)
            ]
            planted = plant_changes(
                inputs,
                SecondLooks.learn(inputs, range(len(inputs.layers))),
                [masks[name] for name in inputs.layers],
                hosts,
                um_per_px=um_per_px,
                area_frac=settings.planted_frac,
                seed=settings.planted_seed,
                threads=threads,
            )
        write_sensitivity(folder, masks, error, planted, hosts, um_per_px=um_per_px)


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
    return Differences(names, [], [])
