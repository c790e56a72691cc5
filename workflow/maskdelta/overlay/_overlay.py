"""Shift and line width of each layer: facts about the wafer, not changes of the design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, map_block, map_ordered
from maskdelta.study import (
    LayerStack,
    OverlaySettings,
    Registration,
    read_json,
    write_json,
)

__all__ = ["LayerOverlay", "Overlay", "measure_overlay"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LayerOverlay:
    """How one layer of the die after lies and how wide its lines are, against the die before.

    Parameters
    ----------
    dx_px, dy_px : float
        Shift of the layer after, px of the mosaic before, on top of the registration.
    grow_px : float
        How much farther out each edge lies after; a line is wider by twice this.
    patches : int
        Patches it was measured from; 0 means that nothing could be measured and all is 0.
    sd_px : float
        Standard deviation of the shift between patches.
    """

    dx_px: float = 0.0
    dy_px: float = 0.0
    grow_px: float = 0.0
    patches: int = 0
    sd_px: float = 0.0


@dataclass(frozen=True)
class Overlay:
    """Overlay of all layers of a comparison."""

    layers: dict[str, LayerOverlay]
    um_per_px: float | None

    def write(self, path: str | Path) -> None:
        """Write `overlay.json`, in um where a scale is known."""
        scale, unit = (1.0, "px") if self.um_per_px is None else (self.um_per_px, "um")
        write_json(
            path,
            {
                "unit": unit,
                "um_per_px": self.um_per_px,
                "layers": {
                    name: {
                        f"dx_{unit}": round(layer.dx_px * scale, 5),
                        f"dy_{unit}": round(layer.dy_px * scale, 5),
                        f"grow_{unit}": round(layer.grow_px * scale, 5),
                        f"sd_{unit}": round(layer.sd_px * scale, 5),
                        "patches": layer.patches,
                    }
                    for name, layer in self.layers.items()
                },
            },
        )

    @classmethod
    def read(cls, path: str | Path) -> Overlay:
        """Read `overlay.json`."""
        data = read_json(path)
        unit, um = data["unit"], data["um_per_px"]
        scale = 1.0 if um is None else um
        layers = {
            name: LayerOverlay(
                dx_px=row[f"dx_{unit}"] / scale,
                dy_px=row[f"dy_{unit}"] / scale,
                grow_px=row[f"grow_{unit}"] / scale,
                patches=row["patches"],
                sd_px=row[f"sd_{unit}"] / scale,
            )
            for name, row in data["layers"].items()
        }
        return cls(layers, um)


def measure_overlay(
    before: LayerStack,
    after: LayerStack,
    registration: Registration,
    *,
    settings: OverlaySettings,
    patch_px: int = 192,
    most_patches: int = 150,
    threads: int = 1,
) -> Overlay:
    """Measure the overlay and line-width bias of each layer.

    In each patch the smoothed membership after is written as the one before, moved by d and with
    its edges grown by g: a = b - d . grad b + g |grad b|, solved by least squares with the mean of
    both gradients, so that swapping the two changes only signs. The median over the patches is
    taken; redrawn parts are few and do not sway it.

    Parameters
    ----------
    before, after : LayerStack
    registration : Registration
        Trusted.
    settings : OverlaySettings
    patch_px, most_patches, threads : int

    Returns
    -------
    Overlay
    """
    with (
        Raster.open(before.membership) as member_b,
        Raster.open(before.visible) as visible_b,
        Raster.open(after.membership) as member_a,
        Raster.open(after.visible) as visible_a,
    ):
        names = member_b.planes
        um_per_px = member_b.um_per_px
        limit = settings.max_shift_um / (um_per_px or 1.0)
        shift = dict.fromkeys(names, (0.0, 0.0))
        boxes = _patches(member_b.box, patch_px, most_patches)
        rows: dict[str, list[Array]] = {}
        for _ in range(2):

            def one(box: Box, shift: dict[str, tuple[float, float]] = shift) -> dict[str, Array]:
                return _measure_patch(
                    box, (member_b, visible_b), (member_a, visible_a), registration, names, shift
                )

            rows = {name: [] for name in names}
            for found in map_ordered(one, boxes, threads=threads):
                for name, row in found.items():
                    rows[name].append(row)
            for name in names:
                if len(rows[name]) >= 5:
                    step = np.median(np.array(rows[name])[:, :2], axis=0)
                    moved = np.clip(np.array(shift[name]) + step, -limit, limit)
                    shift[name] = (float(moved[0]), float(moved[1]))
    layers = {name: _summed(rows[name], shift[name]) for name in names}
    return Overlay(layers, um_per_px)


def _summed(rows: Sequence[Array], shift: tuple[float, float]) -> LayerOverlay:
    if len(rows) < 5:
        return LayerOverlay()
    table = np.array(rows)
    spread = 1.4826 * np.median(np.abs(table[:, :2] - np.median(table[:, :2], axis=0)))
    return LayerOverlay(shift[0], shift[1], float(np.median(table[:, 2])), len(rows), float(spread))


def _patches(box: Box, patch_px: int, most: int) -> list[Box]:
    """At most `most` patches, spread evenly over the die."""
    columns, rows = max(1, box.width // patch_px), max(1, box.height // patch_px)
    stride = max(1, int(np.ceil(np.sqrt(columns * rows / most))))
    return [
        Box(
            box.x0 + column * patch_px,
            box.y0 + row * patch_px,
            box.x0 + (column + 1) * patch_px,
            box.y0 + (row + 1) * patch_px,
        )
        for row in range(0, rows, stride)
        for column in range(0, columns, stride)
    ]


def _measure_patch(
    box: Box,
    before: tuple[Raster, Raster],
    after: tuple[Raster, Raster],
    registration: Registration,
    names: Sequence[str],
    shift: dict[str, tuple[float, float]],
) -> dict[str, Array]:
    """dx, dy, grow of each layer that has enough edges in this patch."""
    wide = box.grown(8)
    seen_b = before[1].read_mosaic(wide)
    if not seen_b.any():
        return {}
    block = map_block(wide, registration.before_to_after)
    seen_a, planes_a = block.fetch(after[1]), block.fetch(after[0])
    if not seen_a.any():
        return {}
    planes_b = before[0].read_mosaic(wide)
    found: dict[str, Array] = {}
    for k, name in enumerate(names):
        if planes_b[k].max() < 128 or planes_a[k].max() < 128:
            continue
        moved = block.resample(planes_a[k], shift_px=shift[name])
        seen = (seen_b[k] > 0) & (block.resample(seen_a[k], nearest=True) > 0)
        row = _solve(_soft(planes_b[k]), _soft(moved), seen)
        if row is not None:
            found[name] = row
    return found


def _soft(plane: NDArray[Any]) -> NDArray[np.float32]:
    return cv2.GaussianBlur(plane.astype(np.float32) / 255, (0, 0), 1.5)


def _solve(
    before: NDArray[np.float32], after: NDArray[np.float32], seen: NDArray[np.bool_]
) -> Array | None:
    mean = (before + after) / 2
    gx = cv2.Sobel(mean, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(mean, cv2.CV_32F, 0, 1, scale=1 / 8)
    steep = np.hypot(gx, gy)
    inner = cv2.erode(seen.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    inner[:8], inner[-8:], inner[:, :8], inner[:, -8:] = False, False, False, False
    edge = inner & (steep > 0.05)
    if edge.sum() < 400:
        return None
    design = np.column_stack([-gx[edge], -gy[edge], steep[edge]]).astype(float)
    wanted = (after - before)[edge].astype(float)
    weight = np.ones(len(wanted))
    solved = np.zeros(3)
    for _ in range(4):
        root = np.sqrt(weight)[:, None]
        solved, *_ = np.linalg.lstsq(design * root, wanted * root[:, 0], rcond=None)
        residual = wanted - design @ solved
        spread = 1.4826 * np.median(np.abs(residual)) + 1e-3
        weight = np.where(np.abs(residual) < 4 * spread, 1.0, 0.0)
    both = design[:, :2].T @ design[:, :2]
    if np.linalg.cond(both) > 50:  # lines one way only: no shift along them
        return None
    return solved if np.abs(solved).max() < 3 else None
