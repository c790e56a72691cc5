"""Two segmented dies on disk, registered and compared by the library's own steps."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from maskdelta.difference import DiePair, compare_dies
from maskdelta.images import Raster
from maskdelta.overlay import measure_overlay
from maskdelta.register import Side, register
from maskdelta.study import DifferenceSettings, LayerStack, OverlaySettings, RegisterSettings


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
        sides = [
            Side(*(stack.enter_context(Raster.open(path)) for path in (die.mosaic, die.coverage)))
            for die in (before, after)
        ]
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
