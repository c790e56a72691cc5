"""A card a change: crops in one frame and scale, outlines, areas a layer."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import shapely.geometry
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference import NOT_COMPARABLE
from maskdelta.images import Raster, eight_bits, map_ordered
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._results import Compared, Folders
from maskdelta.report._scale_bar import ScaleBar, scale_bar
from maskdelta.report._view import View, sample
from maskdelta.study import LayerStack, read_json

__all__ = ["Card", "LayerArea", "make_cards"]

UNITS = 1000  # width of a crop in the units of its outlines


@dataclass(frozen=True)
class LayerArea:
    """Area that one layer gained or lost in one change."""

    layer: str
    added: float
    removed: float


@dataclass(frozen=True)
class Card:
    """What the page shows of a change.

    Parameters
    ----------
    row : dict
        Of changes.csv.
    files : dict
        Paths of the crops `before`, `after` and `difference`, relative to the page.
    size : int
        Side of the crops, px.
    bar : ScaleBar
    layers : list of LayerArea
    outlines : dict
        SVG paths of the `added` and the `removed` regions, `UNITS` wide.
    enlarged : str
        How the crop relates to the px of the mosaic, in words.
    views : str
        The views that the crops come from, in words; empty for the main ones.
    """

    row: dict[str, Any]
    files: dict[str, str]
    size: int
    bar: ScaleBar
    layers: list[LayerArea]
    outlines: dict[str, str]
    enlarged: str
    views: str = ""


def make_cards(compared: Compared, folders: Folders, *, threads: int = 1) -> list[Card]:
    """Write the crops of the first changes and gather what belongs to them."""
    report = folders.study.report
    rows = compared.changes[: report.changes_shown]
    regions = _regions(compared)
    with ExitStack() as stack:
        photographs = _Photographs(compared, folders, stack)
        masks = {
            layer: stack.enter_context(Raster.open(compared.folder / f"differences/{layer}.tif"))
            for layer in (compared.layers if rows else ())
        }

        def make(row: dict[str, Any]) -> Card:
            mine = regions.get(row["change"], [])
            return _card(row, mine, compared, folders, photographs, masks)

        return list(map_ordered(make, rows, threads=threads))


def _regions(compared: Compared) -> dict[str, list[tuple[str, str, BaseGeometry]]]:
    """Layer, state and outline (study frame) of the regions of each change."""
    found: dict[str, list[tuple[str, str, BaseGeometry]]] = {}
    for feature in read_json(compared.folder / "changes.geojson")["features"]:
        about = feature["properties"]
        geometry = shapely.geometry.shape(feature["geometry"])
        found.setdefault(about["change"], []).append((about["layer"], about["state"], geometry))
    return found


def _card(
    row: dict[str, Any],
    regions: Sequence[tuple[str, str, BaseGeometry]],
    compared: Compared,
    folders: Folders,
    photographs: _Photographs,
    masks: dict[str, Raster],
) -> Card:
    mosaics, views = photographs.showing(row["layers"].split())
    view = _view_of(row, compared, folders.study.report.crop_um)
    files = {
        which: f"{compared.name}/change_{row['rank']:03d}_{which}.jpg"
        for which in ("before", "after", "difference")
    }
    there = compared.registration.before_to_after
    before = eight_bits(sample(mosaics[0], view))
    after = eight_bits(sample(mosaics[1], view, frame_to_raster=there))
    open_ = np.ones(before.shape[:2], bool)
    for layer in row["layers"].split():
        open_ &= sample(masks[layer], view, nearest=True) == NOT_COMPARABLE
    pictures = {"before": before, "after": after, "difference": _backdrop(before, after, open_)}
    for which, picture in pictures.items():
        save_jpeg(folders.report / files[which], picture)
    return Card(
        row=row,
        files=files,
        size=view.width,
        bar=scale_bar(view.width * view.scale * compared.um_per_px, compared.unit),
        layers=_layer_areas(regions, compared.layers),
        outlines={
            state: _path([g for _, s, g in regions if s == state], compared, view)
            for state in ("added", "removed")
        },
        enlarged=_enlarged(view),
        views=views,
    )


class _Photographs:
    """The mosaics of both dies, and those of further views for layers that only they show."""

    def __init__(self, compared: Compared, folders: Folders, stack: ExitStack) -> None:
        dies = (compared.before, compared.after)
        self._dies = dies
        self._main = [stack.enter_context(Raster.open(folders.mosaic(die))) for die in dies]
        self._seen_in = [LayerStack(folders.die(die)).seen_in() for die in dies]
        self._laid = {
            view: stack.enter_context(Raster.open(view.mosaic))
            for seen in self._seen_in
            for view in set(seen.values())
        }

    def showing(self, layers: Sequence[str]) -> tuple[list[Raster], str]:
        """Photographs before and after in which some layers can be seen, and words for them.

        Those of further views when all the layers are looked at in the same ones.
        """
        found = {tuple(seen.get(layer) for seen in self._seen_in) for layer in layers}
        views = [view for view in next(iter(found), ()) if view is not None]
        if len(found) != 1 or len(views) != 2:
            return self._main, ""
        words = [
            f"view {view.folder.name} of {die}" for view, die in zip(views, self._dies, strict=True)
        ]
        return [self._laid[view] for view in views], " and ".join(words)


def _view_of(row: dict[str, Any], compared: Compared, crop_um: float) -> View:
    """A square around the change with half as much again as its box, at least `crop_um` wide."""
    x0, y0, x1, y1 = compared.box_px(row)
    side = max(crop_um / compared.um_per_px, 1.5 * max(x1 - x0, y1 - y0))
    return View.square(((x0 + x1) / 2, (y0 + y1) / 2), side, least_px=480, most_px=960)


def _enlarged(view: View) -> str:
    if view.scale < 1:
        return (
            f"each px of the mosaic before is shown as {1 / view.scale:.0f} × {1 / view.scale:.0f}"
        )
    if view.scale > 1:
        return f"reduced {view.scale:.1f} times"
    return "px for px of the mosaic before"


def _backdrop(
    before: NDArray[np.uint8], after: NDArray[np.uint8], open_: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """A pale grey blend of both crops; what could not be compared is darkened and striped."""
    grey = (before.astype(np.float32).mean(-1) + after.astype(np.float32).mean(-1)) / 2
    low, high = np.percentile(grey, (2, 98))
    pale = 168 + 72 * np.clip((grey - low) / max(high - low, 1), 0, 1)
    striped = np.arange(len(grey))[:, None] % 8 < 2
    pale = np.where(open_, np.where(striped, 0.72, 0.55) * pale, pale)
    return np.repeat(pale[..., None], 3, axis=2).astype(np.uint8)


def _layer_areas(
    regions: Sequence[tuple[str, str, BaseGeometry]], layers: Sequence[str]
) -> list[LayerArea]:
    def total(layer: str, state: str) -> float:
        return sum(float(g.area) for name, s, g in regions if (name, s) == (layer, state))

    found = [LayerArea(name, total(name, "added"), total(name, "removed")) for name in layers]
    return [entry for entry in found if entry.added or entry.removed]


def _path(geometries: Sequence[BaseGeometry], compared: Compared, view: View) -> str:
    """SVG path of regions; corners within 0.7 px of the mosaic of a straight line are left out."""
    parts = []
    for geometry in geometries:
        moved = shapely.transform(geometry, compared.link.to_mosaic).simplify(0.7)
        drawn = shapely.transform(moved, lambda p: view.place(p) * (UNITS / view.width))
        for polygon in getattr(drawn, "geoms", [drawn]):
            for ring in (polygon.exterior, *polygon.interiors):
                points = np.round(np.asarray(ring.coords)[:-1], 1).tolist()
                parts.append("M" + " ".join(f"{x:g},{y:g}" for x, y in points) + "Z")
    return "".join(parts)
