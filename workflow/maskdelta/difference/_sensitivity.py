"""How large a change could be compared and seen, by layer and place."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._difference import Differences
from maskdelta.difference._masks import NOT_COMPARABLE
from maskdelta.images import Raster, blocks_of, write_raster
from maskdelta.register import ErrorMap
from maskdelta.study import write_table

__all__ = ["smallest_seen_px", "write_sensitivity"]


def smallest_seen_px(
    radius_px: NDArray[np.float32] | NDArray[np.float64], min_area_px: float
) -> NDArray[np.float64]:
    """Side of the smallest square change beside an existing edge that passes the tolerances.

    A square must reach one px beyond the tolerance, hold the least area that is reported, and be
    3 px wide to be told from a blend of its surroundings. A bound from the settings, not yet a
    measured sensitivity.
    """
    side = np.maximum(np.ceil(radius_px) + 1, 3.0)
    return np.maximum(side, np.sqrt(min_area_px))


def write_sensitivity(
    folder: Path,
    masks: dict[str, Raster],
    error: ErrorMap,
    differences: Differences,
    *,
    least_px: float,
    um_per_px: float,
    margin_px: float,
) -> None:
    """Write sensitivity.tif (per layer and cell, thousandths of um) and sensitivity.csv.

    Parameters
    ----------
    folder : path
    masks : dict of str to Raster
        Final masks by layer.
    error : ErrorMap
    differences : Differences
    least_px : float
        Smallest area that is reported, px.
    um_per_px, margin_px : float
    """
    side_um = smallest_seen_px(error.radius_px + margin_px, least_px) * um_per_px
    rows, planes = [], []
    for name, mask in masks.items():
        share = _comparable_share(mask, error)
        seen = share > 0.5
        planes.append(np.where(seen, np.clip(np.rint(side_um * 1000), 1, 65535), 0))
        comparable = differences.comparable_px[name]
        hidden = differences.not_comparable_px[name]
        values = side_um[seen]
        rows.append(
            {
                "layer": name,
                "comparable_um2": comparable * um_per_px**2,
                "not_comparable_um2": hidden * um_per_px**2,
                "comparable_frac": comparable / max(comparable + hidden, 1),
                "smallest_seen_um": float(np.median(values)) if len(values) else None,
                "smallest_seen_p95_um": float(np.percentile(values, 95)) if len(values) else None,
            }
        )
    table = np.stack(planes).astype(np.uint16)
    write_raster(
        folder / "sensitivity.tif",
        lambda b: table[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=(table.shape[1], table.shape[2]),
        dtype=np.uint16,
        planes=tuple(f"{name}_smallest_seen_milli_um" for name in masks),
        origin=(error.box.x0 // error.step_px, error.box.y0 // error.step_px),
        um_per_px=um_per_px * error.step_px,
        reduce="nearest",
    )
    write_table(folder / "sensitivity.csv", "sensitivity", rows)


def _comparable_share(mask: Raster, error: ErrorMap) -> NDArray[np.float64]:
    """Share of comparable px in each cell of the error map."""
    step = error.step_px
    height, width = error.radius_px.shape
    share = np.zeros((height, width))
    for block in blocks_of(mask.shape, 16 * step):
        seen = (mask.read(block)[0] != NOT_COMPARABLE).astype(np.float32)
        rows, columns = -(-block.height // step), -(-block.width // step)
        padded = np.zeros((rows * step, columns * step), np.float32)
        padded[: block.height, : block.width] = seen
        part = cv2.resize(padded, (columns, rows), interpolation=cv2.INTER_AREA)
        share[
            block.y0 // step : block.y0 // step + rows,
            block.x0 // step : block.x0 // step + columns,
        ] = part
    return share
