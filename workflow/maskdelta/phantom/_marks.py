"""The marks a person would have drawn: landmarks, and swatches of every stack."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.phantom._layers import STACKS
from maskdelta.phantom._layout import Box, Layout, Region
from maskdelta.phantom._programmed import programmed_arrays
from maskdelta.phantom._specimen import Specimen
from maskdelta.phantom._truth import Truth, write_json

_SCALE_UM = 0.5


def landmark_features(
    truth: Truth,
    regions: Sequence[Region],
    *,
    die: str,
    view: str = "top",
    most: int = 9,
    near: Sequence[Box] = (),
) -> list[dict[str, Any]]:
    """Draw landmarks in the frame of the tile that shows most of each.

    A landmark that fits into one tile becomes a polygon, a larger one a smaller polygon around
    its middle, and the lettering a point, so that all sorts of geometry occur. Pad drivers that
    touch one of the boxes `near` (um) are preferred to others.
    """
    features = []
    for region in _pick_regions(regions, most, near):
        x0, y0, x1, y1 = region.box_um
        centre = np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])
        file = _tile_at(truth, centre)
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=np.float64)
        points = truth.die_um_to_tile(file, corners)
        limits = np.array([truth.lens.width - 1, truth.lens.height - 1])
        points = np.clip(points, 4, limits - 4)
        if region.kind == "lettering":
            middle = truth.die_um_to_tile(file, centre)[0]
            geometry = {"type": "Point", "coordinates": _round(middle)}
        else:
            geometry = _polygon(points)
        features.append(_feature(geometry, "landmark", region.name, die, view, file))
    return features


def _pick_regions(regions: Sequence[Region], most: int, near: Sequence[Box]) -> list[Region]:
    """Choose what a person would name: arrays and logic first, then the lettering and a driver."""
    order = ("rom", "decode", "memory", "logic", "monitor", "lettering")
    chosen = [r for kind in order for r in regions if r.kind == kind]
    drivers = [r for r in regions if r.kind == "driver"]
    drivers.sort(key=lambda r: not any(_meet(r.box_um, box) for box in near))
    room = max(1, most - len(chosen))
    return chosen[: most - 1] + drivers[:room]


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def swatch_features(
    truth: Truth,
    specimen: Specimen,
    *,
    die: str,
    view: str = "top",
    each: int = 5,
    stacks: Sequence[str] = tuple(STACKS),
    rng: np.random.Generator,
) -> list[dict[str, Any]]:
    """Draw small polygons, each inside one stack and away from its edges where it is wide enough.

    Places are looked for in random windows of the die and spread over it; dirt is avoided as a
    person would avoid it. Only the stacks named are looked for.
    """
    found: dict[str, list[tuple[float, float, float, float]]] = {stack: [] for stack in stacks}
    width, height = truth.size_um
    for _ in range(400):
        if all(len(v) >= each for v in found.values()):
            break
        x = float(np.floor(rng.uniform(0, max(1, width - 160))))
        y = float(np.floor(rng.uniform(0, max(1, height - 160))))
        box = (x, y, x + 160, y + 160)
        inside = _stack_masks(specimen, box)
        for stack in stacks:
            if len(found[stack]) < each:
                place = _widest(inside[stack], rng)
                if place is not None:
                    px, py = (np.array(place[:2]) + 0.5) * _SCALE_UM
                    rx, ry = (float(v) * _SCALE_UM for v in place[2:])
                    found[stack].append((x + float(px), y + float(py), rx, ry))
    features = []
    for stack, places in found.items():
        for index, place in enumerate(places, start=1):
            features.append(_swatch(truth, place, stack, index, die=die, view=view, rng=rng))
    return features


def ignore_features(
    truth: Truth, specimen: Specimen, *, die: str, view: str = "top", margin_um: float = 4.0
) -> list[dict[str, Any]]:
    """Outline bond wires and long scratches as a person would: generously, tile by tile.

    Particles are left to the tool, since nobody outlines dozens of them.
    """
    kinds = ("wire", "ball", "scratch")
    outlines = [
        shapely.Polygon(polygon).buffer(0).buffer(margin_um).simplify(0.5)
        for thing in specimen.dirt.objects
        if thing.kind in kinds
        for polygon in thing.polygons
    ]
    width, height = truth.size_um
    rest = shapely.union_all(outlines).intersection(shapely.box(-25, -25, width + 25, height + 25))
    w, h = truth.lens.width - 1, truth.lens.height - 1
    inner = np.array([(4, 4), (w - 4, 4), (w - 4, h - 4), (4, h - 4)], dtype=np.float64)
    fields = {t.file: shapely.Polygon(truth.tile_to_die_um(t.file, inner)) for t in truth.tiles}
    features: list[dict[str, Any]] = []
    while not rest.is_empty:
        file = max(fields, key=lambda name: (rest.intersection(fields[name]).area, name))
        if rest.intersection(fields[file]).area < 1:
            break  # what is left lies beside all tiles, and would never become less
        shown = rest.intersection(fields[file].buffer(1.0))
        rest = rest.difference(fields[file])
        for part in getattr(shown, "geoms", [shown]):
            if isinstance(part, shapely.Polygon) and part.area > 1:
                points = truth.die_um_to_tile(file, np.array(part.exterior.coords)[:-1])
                label = f"ignore {len(features) + 1}"
                features.append(_feature(_polygon(points), "ignore", label, die, view, file))
    return features


def array_features(
    truth: Truth,
    layout: Layout,
    *,
    die: str,
    view: str = "top",
    off_px: tuple[float, float] = (1.0, 2.0),
    rng: np.random.Generator,
) -> list[dict[str, Any]]:
    """Mark three corner cells of each programmed array, off by as much as a hand would be.

    The label is the name of the array's region in lower case with `_` for blanks.
    """
    features = []
    for array in programmed_arrays(layout):
        for row, column in ((0, 0), (0, -1), (-1, 0)):
            place = np.array([[array.x_um[column], array.y_um[row]]])
            file = _tile_at(truth, place)
            angle, length = rng.uniform(0, 2 * np.pi), rng.uniform(*off_px)
            point = truth.die_um_to_tile(file, place)[0]
            point = point + length * np.array([np.cos(angle), np.sin(angle)])
            geometry = {"type": "Point", "coordinates": _round(point)}
            label = array.name.lower().replace(" ", "_")
            feature = _feature(geometry, "array_corner", label, die, view, file)
            feature["properties"] |= {"row": row, "column": column}
            features.append(feature)
    return features


def _stack_masks(specimen: Specimen, box: Box) -> dict[str, NDArray[np.uint8]]:
    def made(layer: str) -> NDArray[np.bool_]:
        return specimen.made_mask(layer, box, um_per_px=_SCALE_UM) > 0

    diffusion, poly, metal = made("diffusion"), made("polysilicon"), made("metal")
    contact, buried, opening = made("contact"), made("buried_contact"), made("pad_opening")
    clean = specimen.dirt.spoiled(box, _SCALE_UM, least=0.05) == 0
    bare = clean & ~metal
    hidden = cv2.dilate((diffusion | poly).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    stacks = {
        "field_oxide": bare & ~diffusion & ~poly & ~contact,
        "diffusion": bare & diffusion & ~poly & ~buried & ~contact,
        "polysilicon": bare & poly & ~diffusion & ~contact,
        "gate": bare & poly & diffusion & ~buried & ~contact,
        "metal": clean & metal & ~contact & ~opening & ~hidden,
        "contact": clean & contact,
        "buried_contact": bare & poly & diffusion & buried,
        "pad_opening": clean & opening,
    }
    return {name: mask.astype(np.uint8) for name, mask in stacks.items()}


def _widest(
    mask: NDArray[np.uint8], rng: np.random.Generator
) -> tuple[float, float, float, float] | None:
    """Return (x, y, half width, half height) of a place well inside a mask, px."""
    framed = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    distance = cv2.distanceTransform(framed, cv2.DIST_C, 3)[1:-1, 1:-1]
    top = min(float(distance.max(initial=0)), 24.0)
    if top < 2.5:
        return None
    ys, xs = np.nonzero(distance >= top - 0.01)
    pick = int(rng.integers(len(xs)))
    x, y = int(xs[pick]), int(ys[pick])
    half = max(0.55 * top, top - 4.0)
    return float(x), float(y), *_stretch(mask, x, y, half, margin=top - half)


def _stretch(
    mask: NDArray[np.uint8], x: int, y: int, half: float, *, margin: float
) -> tuple[float, float]:
    """Lengthen a square along the line it lies on, as a person would, to at most 36 px."""
    best = (half, half)
    for along_x in (True, False):
        length = half
        while length < 18:
            reach = round(length + 1 + margin), round(half + margin - 1)
            rx, ry = reach if along_x else reach[::-1]
            window = mask[max(0, y - ry) : y + ry + 1, max(0, x - rx) : x + rx + 1]
            if window.size < (2 * rx + 1) * (2 * ry + 1) or not window.all():
                break
            length += 1
        if length > max(best):
            best = (length, half) if along_x else (half, length)
    return best


def _swatch(
    truth: Truth,
    place_um: tuple[float, float, float, float],
    stack: str,
    index: int,
    *,
    die: str,
    view: str,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Draw a slightly wonky quadrilateral, as by hand, with a margin to the edges of the stack."""
    centre, half = np.array(place_um[:2]), np.array(place_um[2:])
    file = _tile_at(truth, centre[None])
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    corners = corners * rng.uniform(0.85, 1.0, (4, 2)) + centre
    points = truth.die_um_to_tile(file, corners)
    label = f"{stack.replace('_', ' ')} {index}"
    return _feature(_polygon(points), "swatch", label, die, view, file, stack=stack)


def _tile_at(truth: Truth, point_um: NDArray[np.float64]) -> str:
    """Return the tile in whose middle a point lies best."""
    middle = np.array([(truth.lens.width - 1) / 2, (truth.lens.height - 1) / 2])
    distances = [
        float(np.abs((truth.die_um_to_tile(t.file, point_um)[0] - middle) / middle).max())
        for t in truth.tiles
    ]
    return truth.tiles[int(np.argmin(distances))].file


def _polygon(points: NDArray[np.float64]) -> dict[str, Any]:
    ring = [_round(p) for p in points]
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}


def _round(point: NDArray[np.float64]) -> list[float]:
    return [round(float(v), 1) for v in point]


def _feature(
    geometry: dict[str, Any],
    role: str,
    label: str,
    die: str,
    view: str,
    file: str,
    *,
    stack: str = "",
) -> dict[str, Any]:
    properties = {"role": role, "label": label, "die": die, "view": view, "frame": "tile"}
    properties["tile"] = file
    if stack:
        properties["stack"] = stack
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def write_marks(path: Path, features: Sequence[dict[str, Any]]) -> None:
    """Write features as one GeoJSON collection."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_json(path, {"type": "FeatureCollection", "features": list(features)})
