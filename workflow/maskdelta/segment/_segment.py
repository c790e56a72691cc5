"""A mosaic and a person's swatches -> layers, with what cannot be seen said so."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.errors import SegmentationError
from maskdelta.images import (
    Box,
    Output,
    Raster,
    blocks_of,
    eight_bits,
    map_ordered,
    spread_blocks,
    write_rasters,
)
from maskdelta.segment._alike import lookalikes
from maskdelta.segment._colour_model import (
    ColourModel,
    ColourTable,
    fit_colours,
    fit_spreads,
    spread_of,
)
from maskdelta.segment._drift import DriftField, Samples, fit_drift
from maskdelta.segment._islands import dot_areas
from maskdelta.segment._labeller import Labeller, smoothed
from maskdelta.segment._outlines import Edges
from maskdelta.segment._profile import Profiles, fit_edges
from maskdelta.segment._rules import NOT_PHOTOGRAPHED, SPOILED, UNKNOWN, DotSizes, LayerRules
from maskdelta.study import Mark, Poses, SegmentSettings, Stack, mark_in_mosaic, write_json

__all__ = ["Swatch", "ignored_areas", "segment", "swatches_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Swatch:
    """A polygon of the mosaic frame that shows one stack."""

    stack: str
    polygon: BaseGeometry
    source: str = ""


def swatches_of(
    marks: Sequence[Mark], die: str, poses: Poses, *, view: str = "top"
) -> list[Swatch]:
    """Swatches of a view of a die in its mosaic frame, but for those on tiles not placed.

    A mark of several polygons gives a swatch for each.

    Raises
    ------
    SegmentationError
        When a swatch names a tile that the die does not have.
    """
    found = []
    for mark in marks:
        if mark.role != "swatch" or (mark.die, mark.view) != (die, view):
            continue
        if mark.frame == "study":
            continue
        if mark.frame == "tile" and poses.find(mark.tile) is None:
            raise SegmentationError(
                f"{mark.source}: the die `{die}` has no tile `{mark.tile}`; correct the name."
            )
        moved = mark_in_mosaic(mark, poses)
        if moved is not None:
            parts = shapely.get_parts(moved.geometry)
            found += [Swatch(mark.stack, part, mark.source) for part in parts]
    return found


def ignored_areas(
    marks: Sequence[Mark], die: str, poses: Poses, *, view: str = "top"
) -> list[BaseGeometry]:
    """Areas of a view of a die to leave out, in its mosaic frame."""
    moved = [
        mark_in_mosaic(mark, poses)
        for mark in marks
        if mark.role == "ignore" and (mark.die, mark.view) == (die, view) and mark.frame != "study"
    ]
    return [mark.geometry for mark in moved if mark is not None]


def segment(
    mosaic: Raster,
    coverage: Raster,
    swatches: Sequence[Swatch],
    *,
    ignored: Sequence[BaseGeometry] = (),
    blurred: Collection[int] = (),
    folder: str | Path,
    die: str,
    layers: Sequence[str],
    stacks: Mapping[str, Stack],
    settings: SegmentSettings,
    block_px: int = 2048,
    threads: int = 1,
) -> dict[str, Any]:
    """Segment a mosaic and write the layer files into `folder`.

    Writes layers.ome.tif, layers_visible.tif, layers_inferred.tif, layers_confidence.tif,
    labels.tif and layers.json.

    Parameters
    ----------
    mosaic, coverage : Raster
    swatches : sequence of Swatch
    ignored : sequence of polygons
        Areas of the mosaic frame that a person wants left out: bond wires, damage.
    blurred : collection of int
        Numbers in `coverage` of the tiles out of focus: what they show cannot be told.
    folder : path
    die : str
        For messages.
    layers : sequence of str
    stacks : mapping of str to Stack
    settings : SegmentSettings
    block_px, threads : int

    Returns
    -------
    dict
        What layers.json holds.

    Raises
    ------
    SegmentationError
        Without swatches of at least two stacks, or with swatches off the picture.
    """
    samples = _swatch_samples(mosaic, coverage, swatches, die, stacks)
    model = fit_colours([(s, p.colour) for s, p in samples])
    everywhere = _thin_sample(mosaic, coverage, model.table())
    drift = DriftField.none(mosaic.box)
    if settings.drift:
        drift, model = fit_drift(model, samples, everywhere, box=mosaic.box)
    model = model.widened(everywhere.colour / drift.at(everywhere.points))
    rules = LayerRules.of(model.stacks, layers, stacks)
    dots = DotSizes.unknown(_least_dots(swatches, rules))
    alike = lookalikes(model, rules, _widest(swatches, rules))
    labeller = Labeller(model, drift, rules, dots, settings, Edges.none(len(rules.stacks)), alike)
    labeller, areas = _write_layers(
        mosaic, coverage, labeller, ignored, blurred, Path(folder), block_px, threads
    )
    figures = {
        "die": die,
        "layers": list(layers),
        "stacks": list(model.stacks),
        "colour": {
            stack: np.round(mean, 2).tolist()
            for stack, mean in zip(model.stacks, model.mean, strict=True)
        },
        "drift": np.round(drift.coefficients, 6).tolist(),
        "swatch_confusion": _confusion(samples, drift),
        "separation": _separation(model),
        "area_px": areas,
        "um_per_px": mosaic.um_per_px,
        "not_covered_by_swatches": sorted(
            layer for k, layer in enumerate(layers) if not rules.present[:, k].any()
        ),
        "fitted": labeller.to_json(),
    }
    write_json(Path(folder) / "layers.json", figures)
    return figures


def _smoothed(mosaic: Raster, box: Box) -> NDArray[np.float32]:
    """Colour 0..255 of a box of the raster (0-based), smoothed by 0.8 px against grain."""
    halo = 4
    return smoothed(eight_bits(mosaic.read(box.grown(halo))))[halo:-halo, halo:-halo]


def _swatch_samples(
    mosaic: Raster,
    coverage: Raster,
    swatches: Sequence[Swatch],
    die: str,
    stacks: Mapping[str, Stack],
) -> list[tuple[str, Samples]]:
    faults = [
        f"{s.source}: the stack `{s.stack}` is not known; use one of {', '.join(stacks)}."
        for s in swatches
        if s.stack not in stacks
    ]
    samples = []
    for swatch in swatches:
        found = _inside(mosaic, coverage, swatch.polygon)
        if len(found.colour) < 4:
            faults.append(
                f"{swatch.source}: the swatch lies off the photographed area of `{die}` or is "
                "smaller than 4 px; draw it again."
            )
        samples.append((swatch.stack, found))
    if len({s.stack for s in swatches}) < 2:
        faults.append(
            f"{die}: swatches of at least two stacks are needed to tell layers apart; draw 3 to 6 "
            "for each stack into a file of `marks`."
        )
    if faults:
        raise SegmentationError(" ".join(faults))
    return samples


def _inside(mosaic: Raster, coverage: Raster, polygon: BaseGeometry) -> Samples:
    x0, y0, x1, y1 = polygon.bounds
    ox, oy = mosaic.origin
    box = Box(int(np.floor(x0)), int(np.floor(y0)), int(np.ceil(x1)) + 1, int(np.ceil(y1)) + 1)
    box = box.clipped(mosaic.box)
    if box.empty:
        return Samples(np.zeros((0, 2)), np.zeros((0, 3)))
    x, y = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
    local = Box(box.x0 - ox, box.y0 - oy, box.x1 - ox, box.y1 - oy)
    inside = shapely.contains_xy(polygon, x, y) & (coverage.read(local)[0] > 0)
    colour = _smoothed(mosaic, local)[inside].astype(float)
    return Samples(np.column_stack([x[inside], y[inside]]).astype(float), colour)


def _thin_sample(
    mosaic: Raster, coverage: Raster, table: ColourTable, *, step_px: int = 192, inner_px: int = 3
) -> Samples:
    """Short strips on a grid all over the die, 1 px in about 150.

    Px nearer than `inner_px` to one of another stack are left out: blends would teach a stack
    that lies between two others in colour to take their edges.
    """
    square = np.ones((2 * inner_px + 1, 2 * inner_px + 1), np.uint8)
    cut = slice(inner_px, -inner_px)
    points, colours = [], []
    for block in blocks_of(mosaic.shape, step_px):
        strip = Box(block.x0, block.y0, min(block.x0 + 64, block.x1), min(block.y0 + 4, block.y1))
        if strip.empty:
            continue
        covered = coverage.read(strip)[0] > 0
        if not covered.any():
            continue
        colour = _smoothed(mosaic, strip.grown(inner_px))
        first = np.take(table.likeliest, table.index(colour))
        kept = covered & (cv2.erode(first, square) == cv2.dilate(first, square))[cut, cut]
        x, y = np.meshgrid(np.arange(strip.x0, strip.x1), np.arange(strip.y0, strip.y1))
        points.append(np.column_stack([x[kept], y[kept]]) + np.array(mosaic.origin))
        colours.append(colour[cut, cut][kept])
    if not points:
        return Samples(np.zeros((0, 2)), np.zeros((0, 3)))
    return Samples(np.concatenate(points).astype(float), np.concatenate(colours).astype(float))


def _least_dots(swatches: Sequence[Swatch], rules: LayerRules) -> Array:
    """(K,) half the area of the smallest swatch of each stack, px."""
    areas = [[s.polygon.area for s in swatches if s.stack == stack] for stack in rules.stacks]
    return np.array([0.5 * min(found) for found in areas])


def _widest(swatches: Sequence[Swatch], rules: LayerRules) -> list[float]:
    """Shorter side of the widest swatch of each stack, px."""

    def side(polygon: BaseGeometry) -> float:
        x0, y0, x1, y1 = polygon.bounds
        return float(min(x1 - x0, y1 - y0))

    return [max(side(s.polygon) for s in swatches if s.stack == name) for name in rules.stacks]


def _write_layers(
    mosaic: Raster,
    coverage: Raster,
    labeller: Labeller,
    ignored: Sequence[BaseGeometry],
    blurred: Collection[int],
    folder: Path,
    block_px: int,
    threads: int,
) -> tuple[Labeller, dict[str, int]]:
    """Write the layer files; the labeller that knows how large dots are, and px of each label."""
    rules = labeller.rules

    def shown(
        box: Box, margin_px: int
    ) -> tuple[NDArray[np.uint8], NDArray[np.bool_], NDArray[np.bool_], Box]:
        wide = box.grown(margin_px)
        tiles = coverage.read(wide)[0]
        left_out = _burnt(ignored, wide, mosaic.origin) | np.isin(tiles, list(blurred))
        return eight_bits(mosaic.read(wide)), tiles > 0, left_out, box.moved(*mosaic.origin)

    # the same patches whatever blocks are worked in
    boxes = spread_blocks(mosaic.shape, 384, most=12)

    def patches(known: Labeller) -> list[NDArray[np.uint8]]:
        near = Labeller.NEAR_PX
        return list(
            map_ordered(lambda box: known.label_only(*shown(box, near)), boxes, threads=threads)
        )

    def profiles(labels: list[NDArray[np.uint8]]) -> Profiles:
        found = Profiles(len(rules.stacks), rules.seats(), rules.hiding)
        for box, patch in zip(boxes, labels, strict=True):
            drift = labeller.drift.over(box.moved(*mosaic.origin))
            found.add(_smoothed(mosaic, box) / drift, patch)
        return found

    first = patches(labeller)
    dots = dot_areas(first, rules, labeller.dots.least)
    edges = fit_edges(profiles(first), labeller.model, rules)
    labeller = replace(labeller, dots=dots, edges=edges)
    # edges that lie nearly right scatter less, and show how far off they still are
    edges = fit_edges(profiles(patches(labeller)), labeller.model, rules, earlier=edges)
    labeller = replace(labeller, edges=edges)

    def render(box: Box) -> tuple[NDArray[np.uint8], ...]:
        found = labeller.label(*shown(box, Labeller.MARGIN_PX))
        counts.append(np.bincount(found.label.ravel(), minlength=256))
        return (
            found.membership,
            found.visible,
            found.inferred,
            found.confidence[None],
            found.label[None],
        )

    counts: list[NDArray[np.int64]] = []
    write_rasters(
        [
            Output(folder / "layers.ome.tif", np.uint8, rules.layers),
            Output(folder / "layers_visible.tif", np.uint8, rules.layers, "nearest"),
            Output(folder / "layers_inferred.tif", np.uint8, rules.layers, "nearest"),
            Output(folder / "layers_confidence.tif", np.uint8, ("confidence",)),
            Output(folder / "labels.tif", np.uint8, ("label",), "nearest"),
        ],
        render,
        shape=mosaic.shape,
        origin=mosaic.origin,
        um_per_px=mosaic.um_per_px,
        block_px=block_px,
        threads=threads,
    )
    areas = np.sum(counts, axis=0)
    names = dict(enumerate(rules.stacks)) | {
        UNKNOWN: "unknown",
        SPOILED: "spoiled",
        NOT_PHOTOGRAPHED: "not_photographed",
    }
    return labeller, {name: int(areas[value]) for value, name in names.items()}


def _burnt(
    polygons: Sequence[BaseGeometry], box: Box, origin: tuple[int, int]
) -> NDArray[np.bool_]:
    """(h, w), True inside the polygons (mosaic frame), over a box of the raster."""
    mask = np.zeros(box.shape, bool)
    for polygon in polygons:
        x0, y0, x1, y1 = polygon.bounds
        x0, x1 = x0 - origin[0] - box.x0, x1 - origin[0] - box.x0
        y0, y1 = y0 - origin[1] - box.y0, y1 - origin[1] - box.y0
        part = Box(int(x0), int(y0), int(x1) + 2, int(y1) + 2).clipped(Box(0, 0, *box.shape[::-1]))
        if part.empty:
            continue
        x, y = np.meshgrid(np.arange(part.x0, part.x1), np.arange(part.y0, part.y1))
        inside = shapely.contains_xy(polygon, x + box.x0 + origin[0], y + box.y0 + origin[1])
        mask[part.y0 : part.y1, part.x0 : part.x1] |= inside
    return mask


def _confusion(samples: list[tuple[str, Samples]], drift: DriftField) -> dict[str, dict[str, int]]:
    """Each swatch judged by a model made without it: px of a stack called each stack."""
    flat = [(s, p.colour / drift.at(p.points)) for s, p in samples]
    spreads = [(s, spread_of(colour)) for s, colour in flat]
    table: dict[str, dict[str, int]] = {}
    for number, (stack, colour) in enumerate(flat):
        rest = spreads[:number] + spreads[number + 1 :]
        if stack not in {s for s, _ in rest}:
            continue  # its only swatch: nothing is left to learn it from
        model = fit_spreads(rest)
        called = np.bincount(model.log_likelihood(colour).argmax(1), minlength=len(model.stacks))
        row = table.setdefault(stack, {})
        for name, count in zip(model.stacks, called, strict=True):
            if count:
                row[name] = row.get(name, 0) + int(count)
    return table


def _separation(model: ColourModel) -> list[dict[str, Any]]:
    """The pairs of stacks nearest in colour, in standard deviations of their pooled spread."""
    apart = model.separation()
    pairs = [
        (round(float(apart[a, b]), 2), [model.stacks[a], model.stacks[b]])
        for a in range(len(apart))
        for b in range(a + 1, len(apart))
    ]
    return [{"stacks": stacks, "sigma": sigma} for sigma, stacks in sorted(pairs)[:6]]
