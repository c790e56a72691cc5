"""What a block-wise comparison reads, and what it has learned about the two dies beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.difference._joint import JointColours, learn_joint_colours
from maskdelta.difference._masks import Reach
from maskdelta.difference._pairs import patch_pairs
from maskdelta.difference._sharpness import OutlineSharpness, learn_outlines
from maskdelta.images import Box, Raster
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import DifferenceSettings, LayerStack, Registration

__all__ = ["DieRasters", "Inputs"]


@dataclass(frozen=True)
class DieRasters:
    """The open rasters of one die."""

    mosaic: Raster
    coverage: Raster
    membership: Raster
    visible: Raster
    labels: Raster

    @classmethod
    def open(cls, stack: ExitStack, layers: LayerStack, mosaic: Path, coverage: Path) -> DieRasters:
        """Open them until the stack closes."""
        paths = (mosaic, coverage, layers.membership, layers.visible, layers.labels)
        return cls(*(stack.enter_context(Raster.open(path)) for path in paths))


@dataclass(frozen=True)
class Inputs:
    """Both dies and the map between them.

    Parameters
    ----------
    before, after : DieRasters
    layers : tuple of str
        Those compared.
    planes : tuple of int
        Their planes in the membership.
    joint : JointColours
    outlines : OutlineSharpness
    registration : Registration
    error : ErrorMap
    overlay : Overlay
    settings : DifferenceSettings
    """

    before: DieRasters
    after: DieRasters
    layers: tuple[str, ...]
    planes: tuple[int, ...]
    joint: JointColours
    outlines: OutlineSharpness
    registration: Registration
    error: ErrorMap
    overlay: Overlay
    settings: DifferenceSettings

    @classmethod
    def open(
        cls,
        stack: ExitStack,
        layers: tuple[LayerStack, LayerStack],
        mosaics: Sequence[str | Path],
        coverages: Sequence[str | Path],
        **facts: Any,
    ) -> Inputs:
        """Open the rasters before and after, and learn from patches spread over the overlap.

        `facts` are registration, error, overlay and settings.
        """
        before, after = (
            DieRasters.open(stack, layers[k], Path(mosaics[k]), Path(coverages[k])) for k in (0, 1)
        )
        planes = before.membership.planes
        wanted = facts["settings"].layers or planes
        names = tuple(name for name in planes if name in wanted)
        numbers = tuple(planes.index(name) for name in names)
        pairs = list(
            patch_pairs(
                (before.mosaic, after.mosaic),
                (before.coverage, after.coverage),
                (before.membership, after.membership),
                facts["registration"],
            )
        )
        outlines = learn_outlines(pairs, numbers)
        return cls(before, after, names, numbers, learn_joint_colours(pairs), outlines, **facts)

    def reach(self, box: Box) -> Reach:
        """Tolerance over a box of the mosaic frame."""
        return Reach((self.error.over(box) + self.settings.margin_px).astype(np.float32))

    def least_px(self, um_per_px: float) -> float:
        """Smallest area that is reported, px of the mosaic before."""
        return self.settings.min_area_um2 / um_per_px**2
