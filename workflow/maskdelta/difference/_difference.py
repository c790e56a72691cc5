"""Layer stacks, registration and overlay -> masks and regions of change."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._block import compare_block
from maskdelta.difference._inputs import Inputs
from maskdelta.difference._judge import SecondLooks, judge
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME
from maskdelta.difference._regions import BlockRegions, Region, join_regions, label_mask
from maskdelta.images import Box, Output, Raster, blocks_of, write_rasters

__all__ = ["Differences", "find_differences"]

_MOST_BLOCK_PX = 1024  # some 40 planes of a block are held at once


@dataclass(frozen=True)
class Differences:
    """Regions that changed, and those in doubt.

    Parameters
    ----------
    layers : tuple of str
    regions : list of Region
        Those that pass the tests; masks hold just these.
    doubtful : list of Region
        Those with too little evidence; not comparable in the masks.
    """

    layers: tuple[str, ...]
    regions: list[Region]
    doubtful: list[Region]


def find_differences(
    inputs: Inputs,
    *,
    folder: str | Path,
    um_per_px: float,
    block_px: int = 2048,
    threads: int = 1,
) -> Differences:
    """Compare all layers block by block and write `<layer>.tif` masks into `folder`.

    Parameters
    ----------
    inputs : Inputs
        With a trusted registration.
    folder : path
        Of the masks: 0 same, 1 added, 2 removed, 255 not comparable; frame of the die before.
    um_per_px : float
        Scale of the mosaic before in the study frame.
    block_px, threads : int

    Returns
    -------
    Differences
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frame, settings = inputs.before.membership, inputs.settings
    block_px = min(block_px, _MOST_BLOCK_PX)
    blocks = {box: n for n, box in enumerate(blocks_of(frame.shape, block_px))}
    pieces: list[list[BlockRegions]] = [[] for _ in blocks]

    def compare(box: Box) -> tuple[NDArray[np.uint8]]:
        states, pieces[blocks[box]] = compare_block(box, blocks[box], inputs)
        return (states,)

    options: dict[str, Any] = {
        "shape": frame.shape,
        "origin": frame.origin,
        "um_per_px": frame.um_per_px,
        "block_px": block_px,
        "threads": threads,
    }
    with tempfile.TemporaryDirectory(dir=folder) as scrap:
        raw = Path(scrap) / "raw.tif"
        write_rasters([Output(raw, np.uint8, inputs.layers, "nearest")], compare, **options)
        regions = join_regions(piece for block in pieces for piece in block)
        kept, doubtful, alike = judge(regions, settings, inputs.least_px(um_per_px), inputs.is_dot)
        looks = SecondLooks.learn(inputs, {region.layer for region in kept})
        with Raster.open(raw) as states:
            distance_px = settings.group_um / um_per_px
            kept, more = looks.split(kept, doubtful, states, inputs, distance_px=distance_px)
        doubtful += more
        _write_masks(folder, raw, blocks, inputs.layers, doubtful, alike, options)
    return Differences(inputs.layers, kept, doubtful)


def _write_masks(
    folder: Path,
    raw: Path,
    blocks: dict[Box, int],
    layers: Sequence[str],
    doubtful: list[Region],
    alike: list[Region],
    options: dict[str, Any],
) -> None:
    """Final masks: doubtful regions become not comparable, alike ones the same."""
    out: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
    for members, state in ((doubtful, NOT_COMPARABLE), (alike, SAME)):
        for region in members:
            for block, label in region.parts:
                out.setdefault((block, region.layer, region.sign), []).append((label, state))
    with Raster.open(raw) as source:

        def finish(box: Box) -> list[NDArray[np.uint8]]:
            number = blocks[box]
            states = source.read(box)
            for k in range(len(layers)):
                for sign in (ADDED, REMOVED):
                    changed = out.get((number, k, sign))
                    if changed:
                        count, labels = label_mask(states[k] == sign)
                        new = np.full(count + 1, sign, np.uint8)
                        for label, state in changed:
                            new[label] = state
                        inside = labels > 0
                        states[k][inside] = new[labels[inside]]
            return [plane[None] for plane in states]

        write_rasters(
            [Output(folder / f"{name}.tif", np.uint8, (name,), "nearest") for name in layers],
            finish,
            **options,
        )
