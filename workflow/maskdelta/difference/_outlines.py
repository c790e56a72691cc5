"""Outlines of changes as polygons along px borders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
import shapely.geometry
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._changes import Change
from maskdelta.difference._masks import ADDED
from maskdelta.difference._regions import Region, own_px
from maskdelta.images import Raster
from maskdelta.study import ToStudy, round_points

__all__ = ["outline_features", "outline_of", "shapes_of"]


def outline_features(
    changes: Sequence[Change],
    layers: Sequence[str],
    masks: dict[str, Raster],
    to_study: ToStudy,
) -> dict[str, Any]:
    """GeoJSON with a feature a region: its outline in the study frame."""
    features = []
    for rank, change in enumerate(changes, start=1):
        for name, sign, shape in shapes_of(change, layers, masks, to_study):
            features.append(
                {
                    "type": "Feature",
                    "geometry": _rounded(shape),
                    "properties": {
                        "rank": rank,
                        "change": change.name,
                        "layer": name,
                        "state": "added" if sign == ADDED else "removed",
                        "frame": "study",
                    },
                }
            )
    return {"type": "FeatureCollection", "features": features}


def shapes_of(
    change: Change, layers: Sequence[str], masks: Mapping[str, Raster], to_study: ToStudy
) -> list[tuple[str, int, BaseGeometry]]:
    """Layer, sign and outline in the study frame of each region of a change."""
    found = []
    for region in change.regions:
        name = layers[region.layer]
        outline = outline_of(region, masks[name])
        found.append((name, region.sign, shapely.transform(outline, to_study.to_study)))
    return found


def _rounded(geometry: BaseGeometry) -> dict[str, Any]:
    return dict(
        shapely.geometry.mapping(
            shapely.transform(geometry, lambda p: np.array(round_points(p, 3)))
        )
    )


def outline_of(region: Region, mask: Raster) -> BaseGeometry:
    """The region's px as a polygon along px borders, mosaic frame; its area is the px count."""
    own = own_px(region, mask.read(region.box)[0]).astype(np.uint8)
    ox, oy = mask.origin
    corner = [region.box.x0 + ox, region.box.y0 + oy]
    return shapely.transform(_pixel_polygon(own), lambda p: p + corner)


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
