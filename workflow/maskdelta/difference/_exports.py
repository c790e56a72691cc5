"""Changes for other programs: GDSII for layout viewers, SVG for drawing programs."""

from __future__ import annotations

import datetime
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import shapely
import shapely.geometry
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.images import Box, Raster, blocks_of
from maskdelta.study import ToStudy, read_json

__all__ = ["write_exports", "write_gds", "write_svg"]

_DATATYPES = {"added": ADDED, "removed": REMOVED}
_EPOCH = datetime.datetime(1970, 1, 1)  # the same changes give the same bytes
_FILLS = {"added": "#1b7f3b", "removed": "#b3261e"}
_SVG = "http://www.w3.org/2000/svg"


def write_gds(
    path: str | Path,
    features: Sequence[Mapping[str, Any]],
    masks: Mapping[str, Raster],
    to_study: ToStudy,
    *,
    block_px: int = 1024,
) -> None:
    """Write a GDSII file in um with y up: a cell `changes`, and one for each block not comparable.

    The layer number is the position of a layer among those compared, from 1; the datatype is the
    state as in the masks: 1 added, 2 removed, 255 not comparable. What is not comparable is cut
    into rectangles along the rows of the mask, so that areas add up and memory stays small.

    Parameters
    ----------
    path : path
    features : sequence of mapping
        Of changes.geojson.
    masks : mapping of str to Raster
        By layer, in their order.
    to_study : ToStudy
        Of the die before.
    block_px : int
    """
    numbers = {name: k for k, name in enumerate(masks, start=1)}
    writer = gdstk.GdsWriter(str(path), unit=1e-6, precision=1e-9, timestamp=_EPOCH)
    top = gdstk.Cell("study")
    changes = gdstk.Cell("changes")
    for feature in features:
        facts = feature["properties"]
        options = {"layer": numbers[facts["layer"]], "datatype": _DATATYPES[facts["state"]]}
        changes.add(*_gds_polygons(shapely.geometry.shape(feature["geometry"]), options))
    cells = [changes]
    writer.write(changes)
    for name, mask in masks.items():
        options = {"layer": numbers[name], "datatype": NOT_COMPARABLE}
        for box in blocks_of(mask.shape, block_px):
            corners = _rectangles(mask.read(box)[0] == NOT_COMPARABLE)
            if not len(corners):
                continue
            cell = gdstk.Cell(f"not_comparable_{name}_{box.x0}_{box.y0}")
            cell.add(
                *(gdstk.Polygon(p, **options) for p in _in_study(corners, box, mask, to_study))
            )
            writer.write(cell)
            cells.append(cell)
    top.add(*(gdstk.Reference(cell) for cell in cells))
    writer.write(top)
    writer.close()


def _gds_polygons(geometry: BaseGeometry, options: Mapping[str, int]) -> list[gdstk.Polygon]:
    """Polygons with y up; holes are opened along a seam."""
    found: list[gdstk.Polygon] = []
    for part in shapely.get_parts(geometry):
        outer, *inner = (
            gdstk.Polygon(np.asarray(ring.coords)[:-1] * [1, -1], **options)
            for ring in (part.exterior, *part.interiors)
        )
        found += gdstk.boolean(outer, inner, "not", precision=1e-4, **options) if inner else [outer]
    return found


def _rectangles(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(n, 4) x0, y0, x1, y1 of disjoint rectangles that fill a mask: equal runs of rows joined."""
    steps = np.diff(np.pad(mask, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    y, x0 = np.nonzero(steps == 1)
    _, x1 = np.nonzero(steps == -1)
    order = np.lexsort((y, x1, x0))
    x0, x1, y = x0[order], x1[order], y[order]
    if not len(y):
        return np.zeros((0, 4), np.int64)
    new = np.flatnonzero(np.r_[True, (np.diff(x0) != 0) | (np.diff(x1) != 0) | (np.diff(y) != 1)])
    last = np.r_[new[1:], len(y)] - 1
    return np.column_stack([x0[new], y[new], x1[new], y[last] + 1])


def _in_study(
    corners: NDArray[np.int64], box: Box, mask: Raster, to_study: ToStudy
) -> Iterator[NDArray[np.float64]]:
    """(4, 2) corners of each rectangle in um, y up."""
    x0, y0, x1, y1 = corners.T
    points = np.stack([x0, y0, x1, y0, x1, y1, x0, y1], 1).reshape(-1, 2).astype(float)
    points += np.array(mask.origin) + [box.x0, box.y0] - 0.5  # px borders
    yield from (to_study.to_study(points) * [1, -1]).reshape(-1, 4, 2)


def write_svg(path: str | Path, features: Sequence[Mapping[str, Any]], *, unit: str) -> None:
    """Write a drawing in the study frame: a group a change, a path a region.

    Parameters
    ----------
    path : path
    features : sequence of mapping
        Of changes.geojson.
    unit : str
        Of the study frame; one user unit is one of it.
    """
    shapes = [shapely.geometry.shape(feature["geometry"]) for feature in features]
    x0, y0, x1, y1 = shapely.total_bounds(shapes) if shapes else (0.0, 0.0, 1.0, 1.0)
    margin = 0.02 * max(x1 - x0, y1 - y0) + 1
    root = ET.Element(
        "svg",
        {
            "xmlns": _SVG,
            "viewBox": " ".join(
                f"{v:.3f}"
                for v in (x0 - margin, y0 - margin, x1 - x0 + 2 * margin, y1 - y0 + 2 * margin)
            ),
        },
    )
    ET.SubElement(root, "title").text = f"Changes, 1 unit is 1 {unit}"
    groups: dict[int, ET.Element] = {}
    for feature, shape in zip(features, shapes, strict=True):
        facts = feature["properties"]
        if facts["rank"] not in groups:
            group = ET.SubElement(root, "g", {"id": f"change-{facts['rank']}"})
            ET.SubElement(group, "title").text = f"{facts['rank']}: {facts['change']}"
            groups[facts["rank"]] = group
        ET.SubElement(
            groups[facts["rank"]],
            "path",
            {
                "d": " ".join(_path_data(part) for part in shapely.get_parts(shape)),
                "fill": _FILLS[facts["state"]],
                "fill-opacity": "0.6",
                "fill-rule": "evenodd",
                "data-layer": facts["layer"],
                "data-state": facts["state"],
            },
        )
    ET.indent(root)
    Path(path).write_bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n")


def _path_data(polygon: Any) -> str:
    rings = (polygon.exterior, *polygon.interiors)
    return " ".join(
        "M" + " ".join(f"{x:.3f},{y:.3f}" for x, y in list(ring.coords)[:-1]) + "Z"
        for ring in rings
    )


def write_exports(folder: str | Path, *, layers: Sequence[str], to_study: ToStudy) -> None:
    """Write changes.gds and changes.svg beside changes.geojson, from it and the masks.

    Parameters
    ----------
    folder : path
        Of the comparison.
    layers : sequence of str
        Those compared, in the order of their numbers.
    to_study : ToStudy
        Of the die before.
    """
    folder = Path(folder)
    features = read_json(folder / "changes.geojson")["features"]
    with ExitStack() as stack:
        masks = {
            name: stack.enter_context(Raster.open(folder / "differences" / f"{name}.tif"))
            for name in layers
        }
        write_gds(folder / "changes.gds", features, masks, to_study)
    write_svg(folder / "changes.svg", features, unit=to_study.unit)
