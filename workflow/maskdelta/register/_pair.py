"""Two mosaics to be laid over one another, with the settings, as the steps hand them on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.register._control import ControlPoints, Map, Side, grid_points, measure
from maskdelta.study import RegisterSettings, apply_affine, invert_affine, mean_scale

__all__ = ["Pair"]

Array = NDArray[np.float64]

LEAST_ACROSS = 30
"""Control points across the longer side, at least: a block of a tenth of it then holds nine."""


@dataclass(frozen=True)
class Pair:
    """Two mosaics, and how to compare them.

    Parameters
    ----------
    before, after : Side
    settings : RegisterSettings
    threads : int
    """

    before: Side
    after: Side
    settings: RegisterSettings
    threads: int = 1

    @property
    def box(self) -> Box:
        """Extent before, px of the level."""
        return self.before.box

    @property
    def unit(self) -> float:
        """px of the mosaic before per px of its level."""
        return float(2.0**self.before.level)

    def at_level(self, affine: Array, level: int) -> Pair:
        """Both sides reduced so that their px are about the same size."""
        wanted = round(level - float(np.log2(mean_scale(affine))))
        wanted = int(np.clip(wanted, 0, self.after.mosaic.levels - 1))
        return replace(
            self,
            before=replace(self.before, level=level),
            after=replace(self.after, level=wanted),
        )

    def spacing_px(self, affine: Array) -> float:
        """Distance between control points, px of the mosaic before, from px of the coarser one."""
        wanted = self.settings.spacing_px * max(1.0, mean_scale(affine))
        return min(wanted, max(self.box.width, self.box.height) / LEAST_ACROSS)

    def grid(self, affine: Array, *, coarser: float = 1.0) -> Array:
        """Places of the control points, (n, 2) whole px of the mosaic before."""
        return np.round(grid_points(self.box, spacing_px=coarser * self.spacing_px(affine)))

    def patches(self, points: Array) -> list[Box]:
        """Boxes, px of the level before, of the patches around (n, 2) places, full mosaic px."""
        half = self.settings.patch_px // 2
        centres = np.round(apply_affine(invert_affine(self.before.to_mosaic()), points))
        return [
            Box(x - half, y - half, x + half + 1, y + half + 1)
            for x, y in centres.astype(int).tolist()
        ]

    def measure(self, points: Array, before_to_after: Map, **options: Any) -> ControlPoints:
        """`measure` at the levels of the two sides, with points and map in full mosaic px."""
        up_before, up_after = self.before.to_mosaic(), self.after.to_mosaic()
        down_before, down_after = invert_affine(up_before), invert_affine(up_after)
        control = measure(
            self.before,
            self.after,
            apply_affine(down_before, points),
            lambda p: apply_affine(down_after, before_to_after(apply_affine(up_before, p))),
            threads=self.threads,
            **options,
        )
        return replace(
            control,
            before_px=apply_affine(up_before, control.before_px),
            after_px=apply_affine(up_after, control.after_px),
            tried_px=apply_affine(up_before, control.tried_px),
        )
