"""Block-wise comparison of two dies, from open files to masks and regions, and its sensitivity."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from maskdelta.difference._by_photograph import by_photograph, joined
from maskdelta.difference._difference import Differences, find_differences
from maskdelta.difference._inputs import DiePair, Inputs
from maskdelta.difference._judge import SecondLooks
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._recover import Host, Planted, plant_changes
from maskdelta.difference._region_table import write_regions
from maskdelta.difference._sensitivity import smallest_let_through_px, write_sensitivity
from maskdelta.images import Box, Output, Raster, write_rasters
from maskdelta.segment import Labeller
from maskdelta.study import Stack

__all__ = ["compare_dies", "measure_sensitivity"]


def compare_dies(
    pair: DiePair, folder: str | Path, *, block_px: int = 2048, threads: int = 1
) -> None:
    """Find what differs and write the masks and regions.csv into `folder`.

    A refused registration gives masks that are not comparable everywhere and no region.
    """
    folder = Path(folder)
    if pair.registration.trusted:
        with Raster.open(pair.before.membership) as frame:
            planes = frame.planes
        found = []
        for part in by_photograph(pair, planes):
            with ExitStack() as stack:
                found.append(
                    find_differences(
                        Inputs.open(stack, part),
                        folder=folder / "differences",
                        um_per_px=pair.um_per_px,
                        block_px=block_px,
                        threads=threads,
                    )
                )
        differences = joined(found, planes)
    else:
        differences = _nothing_compared(pair, folder / "differences", block_px)
    with Raster.open(pair.before.membership) as frame:
        write_regions(folder / "regions.csv", differences, frame.origin, um_per_px=pair.um_per_px)


def measure_sensitivity(
    pair: DiePair,
    folder: str | Path,
    *,
    labellers: tuple[Labeller, Labeller],
    stacks: Mapping[str, Stack],
    threads: int = 1,
) -> None:
    """Plant changes and write sensitivity.csv, sensitivity.tif and planted.csv into `folder`.

    Needs the masks that `compare_dies` wrote there. `labellers` are those of the dies before and
    after. A refused registration plants nothing.
    """
    folder, settings, um_per_px = Path(folder), pair.settings, pair.um_per_px
    with ExitStack() as stack:
        masks = {
            name: stack.enter_context(Raster.open(folder / "differences" / f"{name}.tif"))
            for name in pair.layers
        }
        planted: list[Planted] = []
        hosts: list[Host] = []
        if pair.registration.trusted:
            inputs = Inputs.open(stack, pair)
            least = smallest_let_through_px(
                pair.error, settings.margin_px, inputs.least_px(um_per_px)
            )
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
        write_sensitivity(folder, masks, pair.error, planted, hosts, um_per_px=um_per_px)


def _nothing_compared(pair: DiePair, folder: Path, block_px: int) -> Differences:
    with Raster.open(pair.before.membership) as frame:
        names = tuple(name for name in frame.planes if name in pair.layers)

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
