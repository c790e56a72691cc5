"""Shift and line width of each layer: facts about the wafer, not changes of the design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import BlockMap, Box, Raster, map_block, map_ordered
from maskdelta.overlay._outline import Outline, alone, shift_and_growth
from maskdelta.study import (
    LayerStack,
    OverlaySettings,
    Registration,
    read_json,
    write_json,
)

__all__ = ["LayerOverlay", "Overlay", "measure_overlay"]

Array = NDArray[np.float64]
_Way = tuple[str, int]
"""Name of a layer, and the company of its edges: the layers that lie on both sides of them, a bit
each, or `_ANY` for all edges, also those that run beside edges of other layers."""
_ANY = -1
_LEAST_PATCHES = 5
_MOST_DOUBT_PX = 0.15
"""Standard error of a shift beyond which it is not believed."""


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
    shared : bool
        Whether it was measured at edges that run beside those of other layers, for want of others:
        how the labels lie, which may be by another layer.
    """

    dx_px: float = 0.0
    dy_px: float = 0.0
    grow_px: float = 0.0
    patches: int = 0
    sd_px: float = 0.0
    shared: bool = False


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
                        "shared": layer.shared,
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
                shared=row.get("shared", False),
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
    taken; redrawn parts are few and do not sway it. Where two layers end together, the labels of
    one may end where the other does; so edges count that lie alone, as long as these tell enough.
    Of these, edges in the company that is the commonest for the layer: over bare ground for most,
    amid metal for contacts. How well an edge is told goes by what lies on its two sides, and under
    polysilicon that of diffusion is told badly.

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
        rasters = ((member_b, visible_b), (member_a, visible_a))
        read = map_ordered(
            lambda box: _Patch.read(box, *rasters, registration), boxes, threads=threads
        )
        patches = [patch for patch in read if patch is not None]
        rows: dict[_Way, list[Array]] = {}
        for _ in range(2):

            def one(
                patch: _Patch, shift: dict[str, tuple[float, float]] = shift
            ) -> dict[_Way, Array]:
                return _measure_patch(patch, names, shift)

            rows = {}
            for found in map_ordered(one, patches, threads=threads):
                for way, row in found.items():
                    rows.setdefault(way, []).append(row)
            for name in names:
                chosen, _ = _chosen(rows, name)
                if len(chosen) >= _LEAST_PATCHES:
                    step = np.median(np.array(chosen)[:, :2], axis=0)
                    moved = np.clip(np.array(shift[name]) + step, -limit, limit)
                    shift[name] = (float(moved[0]), float(moved[1]))
    layers = {name: _summed(rows, name, shift[name]) for name in names}
    return Overlay(layers, um_per_px)


def _chosen(rows: dict[_Way, list[Array]], name: str) -> tuple[list[Array], bool]:
    """What the patches say of a layer, and whether it is by edges beside those of other layers,
    since those that lie alone tell too little."""
    alone = [found for (layer, company), found in rows.items() if layer == name and company != _ANY]
    usual = max(alone, key=len, default=[])
    doubt_px = _MOST_DOUBT_PX * len(usual) ** 0.5
    if len(usual) >= _LEAST_PATCHES and _spread(usual) <= doubt_px:
        return usual, False
    return rows.get((name, _ANY), []), True


def _spread(rows: Sequence[Array]) -> float:
    """Standard deviation of the shift between patches, px."""
    moved = np.array(rows)[:, :2]
    return float(1.4826 * np.median(np.abs(moved - np.median(moved, axis=0))))


def _summed(rows: dict[_Way, list[Array]], name: str, shift: tuple[float, float]) -> LayerOverlay:
    chosen, shared = _chosen(rows, name)
    if len(chosen) < _LEAST_PATCHES:
        return LayerOverlay()
    grown = float(np.median(np.array(chosen)[:, 2]))
    return LayerOverlay(*shift, grown, len(chosen), _spread(chosen), shared)


def _patches(box: Box, patch_px: int, most: int) -> list[Box]:
    """At most `most` patches, spread evenly over the die."""
    columns, rows = max(1, box.width // patch_px), max(1, box.height // patch_px)
    share = min(1.0, np.sqrt(most / (columns * rows)))

    def chosen(count: int) -> list[int]:
        return np.linspace(0, count - 1, max(1, int(share * count))).round().astype(int).tolist()

    return [
        Box(
            box.x0 + column * patch_px,
            box.y0 + row * patch_px,
            box.x0 + (column + 1) * patch_px,
            box.y0 + (row + 1) * patch_px,
        )
        for row in chosen(rows)
        for column in chosen(columns)
    ]


@dataclass(frozen=True)
class _Patch:
    """Membership and visibility (planes, H, W), those after as `block` fetched them."""

    member_before: NDArray[np.uint8]
    seen_before: NDArray[np.uint8]
    block: BlockMap
    member_after: NDArray[np.uint8]
    seen_after: NDArray[np.uint8]

    @classmethod
    def read(
        cls,
        box: Box,
        before: tuple[Raster, Raster],
        after: tuple[Raster, Raster],
        registration: Registration,
    ) -> _Patch | None:
        """Read membership and visibility around a box; None where either die shows nothing."""
        wide = box.grown(8)
        seen_before = before[1].read_mosaic(wide)
        if not seen_before.any():
            return None
        block = map_block(wide, registration.before_to_after)
        seen_after = block.fetch(after[1])
        if not seen_after.any():
            return None
        return cls(
            before[0].read_mosaic(wide), seen_before, block, block.fetch(after[0]), seen_after
        )


def _measure_patch(
    patch: _Patch, names: Sequence[str], shift: dict[str, tuple[float, float]]
) -> dict[_Way, Array]:
    """dx, dy, grow of each layer that has enough edges in this patch, by either way."""
    planes_b, planes_a, block = patch.member_before, patch.member_after, patch.block
    outlines: dict[str, Outline] = {}
    present_b, present_a = (np.zeros(planes_b.shape[1:], np.int64) for _ in range(2))
    for k, name in enumerate(names):
        if max(planes_b[k].max(), planes_a[k].max()) < 128:
            continue
        moved = block.resample(planes_a[k], shift_px=shift[name])
        present_b |= (planes_b[k] >= 128).astype(np.int64) << k
        present_a |= (moved >= 128).astype(np.int64) << k
        if min(planes_b[k].max(), planes_a[k].max()) < 128:
            continue
        seen = patch.seen_before[k] > 0
        seen &= block.resample(patch.seen_after[k], nearest=True) > 0
        outlines[name] = Outline.of(planes_b[k], moved, seen)
    found: dict[_Way, Array] = {}
    for name, outline in outlines.items():
        edge = alone(outline.edge, [o.edge for other, o in outlines.items() if other != name])
        others = ~(1 << names.index(name))
        company = np.where((present_b ^ present_a) & others, _ANY, present_b & others)
        ways = [(way, edge & (company == way), 200) for way in np.unique(company[edge]).tolist()]
        for way, there, least_px in [*(w for w in ways if w[0] != _ANY), (_ANY, outline.edge, 400)]:
            row = shift_and_growth(outline, there, least_px=least_px)
            if row is not None:
                found[name, way] = row
    return found
