"""How large a change could be compared and found, by layer and place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._masks import ADDED, NOT_COMPARABLE
from maskdelta.difference._recover import Host, Planted
from maskdelta.difference._seen import fit_sizes, sizes_near
from maskdelta.images import Raster, blocks_of, write_raster
from maskdelta.register import ErrorMap
from maskdelta.study import write_table

__all__ = ["read_sizes", "smallest_let_through_px", "write_sensitivity"]

Array = NDArray[np.float64]
_SUFFIX = "_smallest_seen_milli_um"
_NO_SIZE = 65535  # compared, but no size is found with 95 % probability


def smallest_let_through_px(error: ErrorMap, margin_px: float, least_area_px: float) -> float:
    """Side of the smallest square that the tolerances let through at most places of the die.

    One px beyond the tolerance and 3 px at the least, to be told from a blend, with the least area
    that is reported. No measure of what is seen; it says in which sizes to plant.
    """
    side = max(float(np.ceil(np.median(error.radius_px) + margin_px)) + 1, 3.0)
    return max(side, float(np.sqrt(least_area_px)))


def write_sensitivity(
    folder: Path,
    masks: Mapping[str, Raster],
    error: ErrorMap,
    planted: Sequence[Planted],
    hosts: Sequence[Host],
    *,
    um_per_px: float,
) -> None:
    """Write sensitivity.tif, sensitivity.csv and planted.csv.

    The map holds, per layer and cell, thousandths of um; 0 where less than half of the cell could
    be compared, 65535 where no size is found with 95 % probability.

    Parameters
    ----------
    folder : path
    masks : mapping of str to Raster
        Final masks of the compared layers, in their order.
    error : ErrorMap
        Its cells are those of the map.
    planted : sequence of Planted
    hosts : sequence of Host
        They name the stacks.
    um_per_px : float
    """
    cells = _cell_centres(error)
    rows, planes = [], []
    for k, (name, mask) in enumerate(masks.items()):
        share, counts = _comparable(mask, error)
        mine = [p for p in planted if p.plant.layer == k]
        size = np.array([p.plant.side_px for p in mine]) * um_per_px
        found = np.array([p.found for p in mine], bool)
        places = np.array([[p.plant.x, p.plant.y] for p in mine]).reshape(-1, 2)
        seen = share > 0.5
        local = np.zeros(share.shape)
        local[seen] = sizes_near(places, size, found, cells[seen])
        whole = fit_sizes(size, found)
        milli = np.minimum(local * 1000, _NO_SIZE)
        planes.append(np.where(seen, np.maximum(np.rint(milli), 1), 0))
        rows.append(
            {
                "layer": name,
                "comparable_um2": counts[0] * um_per_px**2,
                "not_comparable_um2": counts[1] * um_per_px**2,
                "comparable_frac": counts[0] / max(sum(counts), 1),
                "planted": len(mine),
                "large_found_frac": 1 - whole.lapse if len(mine) else None,
                "smallest_seen_um": _finite(whole.size()),
                "smallest_seen_p95_um": _finite(_percentile(local[seen], 95)),
            }
        )
    _write_map(
        folder / "sensitivity.tif", np.stack(planes).astype(np.uint16), masks, error, um_per_px
    )
    write_table(folder / "sensitivity.csv", "sensitivity", rows)
    layers = tuple(masks)
    write_table(
        folder / "planted.csv",
        "planted",
        [_planted_row(p, layers, hosts, um_per_px) for p in planted],
    )


def read_sizes(path: Path, error: ErrorMap) -> dict[str, ErrorMap]:
    """The map by layer, um, on the cells of the error map: infinite where no size is seen."""
    with Raster.open(path) as raster:
        planes = raster.read_level(0)
        names = [name.removesuffix(_SUFFIX) for name in raster.planes]
    sizes = np.where((planes == 0) | (planes == _NO_SIZE), np.inf, planes / 1000)
    return {name: replace(error, radius_px=plane) for name, plane in zip(names, sizes, strict=True)}


def _planted_row(
    planted: Planted, layers: Sequence[str], hosts: Sequence[Host], um_per_px: float
) -> dict[str, Any]:
    plant = planted.plant
    (host,) = (host for host in hosts if host.sign == planted.sign)
    names = host.labeller.rules.stacks
    return {
        "layer": layers[plant.layer],
        "state": "added" if planted.sign == ADDED else "removed",
        "stack": names[plant.stack],
        "ground": names[plant.ground],
        "beside": plant.grown_on != (0, 0),
        "x_px": plant.x,
        "y_px": plant.y,
        "side_um": plant.side_px * um_per_px,
        "found": planted.found,
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _percentile(values: Array, percent: float) -> float:
    return float(np.percentile(values, percent, method="higher")) if len(values) else np.inf


def _cell_centres(error: ErrorMap) -> Array:
    """(h, w, 2) middles of the cells of the error map, mosaic frame."""
    height, width = error.radius_px.shape
    x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    return np.stack([x, y], -1) * error.step_px + error.box[:2]


def _write_map(
    path: Path,
    table: NDArray[np.uint16],
    layers: Iterable[str],
    error: ErrorMap,
    um_per_px: float,
) -> None:
    write_raster(
        path,
        lambda b: table[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=(table.shape[1], table.shape[2]),
        dtype=np.uint16,
        planes=tuple(name + _SUFFIX for name in layers),
        origin=(error.box.x0 // error.step_px, error.box.y0 // error.step_px),
        um_per_px=um_per_px * error.step_px,
        reduce="nearest",
    )


def _comparable(mask: Raster, error: ErrorMap) -> tuple[Array, tuple[int, int]]:
    """Share of comparable px in each cell of the error map; comparable px and others in all."""
    step = error.step_px
    height, width = error.radius_px.shape
    share = np.zeros((height, width))
    counts = np.zeros(2, np.int64)
    for block in blocks_of(mask.shape, 16 * step):
        seen = (mask.read(block)[0] != NOT_COMPARABLE).astype(np.float32)
        held = int(seen.sum())
        counts += held, seen.size - held
        rows, columns = -(-block.height // step), -(-block.width // step)
        padded = np.zeros((rows * step, columns * step), np.float32)
        padded[: block.height, : block.width] = seen
        part = cv2.resize(padded, (columns, rows), interpolation=cv2.INTER_AREA)
        share[
            block.y0 // step : block.y0 // step + rows,
            block.x0 // step : block.x0 // step + columns,
        ] = part
    return share, (int(counts[0]), int(counts[1]))
