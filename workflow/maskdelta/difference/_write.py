"""Writing a comparison's results: tables, polygons, summary."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
import shapely.geometry
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._changes import (
    Change,
    Landmark,
    group_regions,
    make_change,
    rank_changes,
    smallest_seen_px,
)
from maskdelta.difference._difference import Differences
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._regions import Region, label_mask
from maskdelta.images import Box, Raster, blocks_of, write_raster
from maskdelta.register import ErrorMap
from maskdelta.study import (
    DifferenceSettings,
    Poses,
    Registration,
    ToStudy,
    round_points,
    write_json,
    write_table,
)

__all__ = ["make_changes", "write_comparison"]


def make_changes(
    differences: Differences,
    to_study: ToStudy,
    error: ErrorMap,
    landmarks: Sequence[Landmark],
    *,
    origin: tuple[int, int],
    um_per_px: float,
    settings: DifferenceSettings,
) -> list[Change]:
    """Group the regions into changes and rank them."""
    groups = group_regions(differences.regions, distance_px=settings.group_um / um_per_px)
    changes = []
    for group in groups:
        centre = np.array([[group[0].x + origin[0], group[0].y + origin[1]]])
        changes.append(
            make_change(
                group,
                differences.layers,
                origin,
                to_study.to_study,
                float(error.at(centre)[0]),
                um_per_px,
            )
        )
    return rank_changes(changes, landmarks)


def write_comparison(
    folder: str | Path,
    changes: Sequence[Change],
    differences: Differences,
    landmarks: Sequence[Landmark],
    *,
    registration: Registration,
    to_study: ToStudy,
    error: ErrorMap,
    poses: tuple[Poses, Poses],
    um_per_px: float,
    settings: DifferenceSettings,
) -> None:
    """Write changes.csv, changes.geojson, landmarks.csv, sensitivity.csv and .tif, summary.json.

    The masks of `differences` must lie in `folder / "differences"`.
    """
    folder = Path(folder)
    unit = um_per_px**2
    least_px = settings.min_area_um2 / unit
    rows = [
        _change_row(rank, change, registration, to_study, poses)
        for rank, change in enumerate(changes, start=1)
    ]
    write_table(folder / "changes.csv", "changes", rows)
    masks = {
        name: Raster.open(folder / "differences" / f"{name}.tif") for name in differences.layers
    }
    try:
        write_json(
            folder / "changes.geojson", _features(changes, differences.layers, masks, to_study)
        )
        write_table(
            folder / "landmarks.csv",
            "landmarks",
            [
                row
                for mark in landmarks
                for row in _landmark_rows(
                    mark, changes, masks, error, to_study, unit, least_px, settings.margin_px
                )
            ],
        )
        shares = _write_sensitivity(
            folder, masks, error, least_px, um_per_px, differences, settings.margin_px
        )
    finally:
        for mask in masks.values():
            mask.close()
    write_json(
        folder / "summary.json",
        {
            "before": registration.before,
            "after": registration.after,
            "unit": to_study.unit,
            "refused": list(registration.refused),
            "changes": len(changes),
            "added_um2": round(sum(c.added_um2 for c in changes), 2),
            "removed_um2": round(sum(c.removed_um2 for c in changes), 2),
            "doubtful_regions": len(differences.doubtful),
            "comparable_frac": shares,
            "ranking": "changed area / (1 + distance to the nearest landmark / its reach)",
        },
    )


def _change_row(
    rank: int,
    change: Change,
    registration: Registration,
    to_study: ToStudy,
    poses: tuple[Poses, Poses],
) -> dict[str, Any]:
    there = to_study.to_mosaic([[change.x_um, change.y_um]])
    in_after = registration.before_to_after(there)
    x0, y0, x1, y1 = change.box_um
    return {
        "rank": rank,
        "change": change.name,
        "kind": change.kind,
        "layers": " ".join(change.layers),
        "x_um": change.x_um,
        "y_um": change.y_um,
        "x0_um": x0,
        "y0_um": y0,
        "x1_um": x1,
        "y1_um": y1,
        "added_um2": change.added_um2,
        "removed_um2": change.removed_um2,
        "error_um": change.error_um,
        "evidence": change.evidence,
        "affinity": change.affinity,
        "p_value": None,
        "q_value": None,
        "landmark": change.landmark,
        "landmark_distance_um": change.landmark_distance_um,
        "verdict": "",  # no verdicts are read yet
        "tiles_before": " ".join(poses[0].showing(*there[0])),
        "tiles_after": " ".join(poses[1].showing(*in_after[0])),
    }


def _features(
    changes: Sequence[Change],
    layers: Sequence[str],
    masks: dict[str, Raster],
    to_study: ToStudy,
) -> dict[str, Any]:
    """A feature a region: its outline in the study frame."""
    features = []
    for rank, change in enumerate(changes, start=1):
        for region in change.regions:
            name = layers[region.layer]
            outline = _outline(region, masks[name])
            moved = shapely.transform(outline, to_study.to_study)
            features.append(
                {
                    "type": "Feature",
                    "geometry": _rounded(moved),
                    "properties": {
                        "rank": rank,
                        "change": change.name,
                        "layer": name,
                        "state": "added" if region.sign == ADDED else "removed",
                        "frame": "study",
                    },
                }
            )
    return {"type": "FeatureCollection", "features": features}


def _rounded(geometry: BaseGeometry) -> dict[str, Any]:
    return dict(
        shapely.geometry.mapping(
            shapely.transform(geometry, lambda p: np.array(round_points(p, 3)))
        )
    )


def _outline(region: Region, mask: Raster) -> BaseGeometry:
    """The region's px as a polygon along px borders, mosaic frame; its area is the px count."""
    box = region.box.grown(1)
    _, labels = label_mask(mask.read(box)[0] == region.sign)
    # the region is the label with the most px of its own inside the box
    counts = np.bincount(labels.ravel())
    counts[0] = 0
    wanted = (labels == _label_at(labels, counts, region.area_px)).astype(np.uint8)
    ox, oy = mask.origin
    return shapely.transform(_pixel_polygon(wanted), lambda p: p + [box.x0 + ox, box.y0 + oy])


def _label_at(labels: NDArray[np.int32], counts: NDArray[np.int64], area_px: int) -> int:
    exact = np.flatnonzero(counts == area_px)
    return int(exact[0]) if len(exact) else int(counts.argmax())


def _pixel_polygon(mask: NDArray[np.uint8]) -> BaseGeometry:
    """Union of the unit squares of the mask's px; runs of a row first, for speed."""
    boxes = []
    for y, row in enumerate(mask):
        steps = np.flatnonzero(np.diff(np.concatenate([[0], row, [0]])))
        boxes += [
            shapely.box(x0 - 0.5, y - 0.5, x1 - 0.5, y + 0.5)
            for x0, x1 in zip(steps[::2], steps[1::2], strict=True)
        ]
    return shapely.union_all(boxes)


def _landmark_rows(
    mark: Landmark,
    changes: Sequence[Change],
    masks: dict[str, Raster],
    error: ErrorMap,
    to_study: ToStudy,
    unit: float,
    least_px: float,
    margin_px: float,
) -> list[dict[str, Any]]:
    area = mark.area
    in_mosaic = shapely.transform(area, to_study.to_mosaic)
    touching = [c for c in changes if area.intersects(shapely.box(*c.box_um))]
    inside = _inside(in_mosaic, next(iter(masks.values())).box) if masks else []
    rows = []
    for name, mask in masks.items():
        states = np.concatenate([mask.read_mosaic(box)[0][here] for box, here in inside])
        total = max(len(states), 1)
        comparable = int((states != NOT_COMPARABLE).sum())
        centre = np.array([[in_mosaic.centroid.x, in_mosaic.centroid.y]])
        side = smallest_seen_px(error.at(centre) + margin_px, least_px)[0] * np.sqrt(unit)
        rows.append(
            {
                "landmark": mark.label,
                "layer": name,
                "x_um": area.centroid.x,
                "y_um": area.centroid.y,
                "area_um2": len(states) * unit,
                "changes": sum(name in c.layers for c in touching),
                "added_um2": float((states == ADDED).sum() * unit),
                "removed_um2": float((states == REMOVED).sum() * unit),
                "comparable_frac": comparable / total,
                "smallest_seen_um": float(side) if comparable else None,
            }
        )
    return rows


def _inside(polygon: BaseGeometry, extent: Box) -> list[tuple[Box, NDArray[np.bool_]]]:
    """Boxes of the mosaic frame, and which of their px have their centre inside a polygon."""
    x0, y0, x1, y1 = polygon.bounds
    whole = Box(int(np.floor(x0)), int(np.floor(y0)), int(np.ceil(x1)) + 1, int(np.ceil(y1)) + 1)
    whole = whole.clipped(extent)
    if whole.empty:
        return [(Box(0, 0, 0, 0), np.zeros((0, 0), bool))]
    found = []
    for part in blocks_of(whole.shape, 1024):
        box = Box(part.x0 + whole.x0, part.y0 + whole.y0, part.x1 + whole.x0, part.y1 + whole.y0)
        x, y = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
        found.append((box, shapely.contains_xy(polygon, x, y)))
    return found


def _write_sensitivity(
    folder: Path,
    masks: dict[str, Raster],
    error: ErrorMap,
    least_px: float,
    um_per_px: float,
    differences: Differences,
    margin_px: float,
) -> dict[str, float]:
    """sensitivity.tif (per layer and cell, thousandths of um) and sensitivity.csv."""
    side_um = smallest_seen_px(error.radius_px + margin_px, least_px) * um_per_px
    rows, planes, shares = [], [], {}
    for name, mask in masks.items():
        share = _comparable_share(mask, error)
        seen = share > 0.5
        planes.append(np.where(seen, np.clip(np.rint(side_um * 1000), 1, 65535), 0))
        comparable = differences.comparable_px[name]
        hidden = differences.not_comparable_px[name]
        shares[name] = round(comparable / max(comparable + hidden, 1), 4)
        values = side_um[seen]
        rows.append(
            {
                "layer": name,
                "comparable_um2": comparable * um_per_px**2,
                "not_comparable_um2": hidden * um_per_px**2,
                "comparable_frac": shares[name],
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
    return shares


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
