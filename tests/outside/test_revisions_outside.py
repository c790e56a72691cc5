"""A published pair of layout revisions: its changes come back with their areas, and nothing else.

Source
------
The sense amplifier of `openram` 1.2.22 and 1.2.23, see `published_revision.py`. What the new cell
has more is computed with gdstk from the two layouts. Photographed without metal by two
photographers: diffusion, polysilicon and contact holes; and with it: metal.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

import gdstk
import numpy as np
import pytest
import shapely
import shapely.affinity

from comparing import Segmented, compare
from maskdelta.difference import ADDED, REMOVED
from maskdelta.images import Raster
from maskdelta.segment import Swatch, segment
from maskdelta.study import RegisterSettings, SegmentSettings, Stack
from published_revision import LAYERS, SHIFT_UM, Photographed, fetch_cells

pytestmark = pytest.mark.outside

UM_PER_PX = 0.5
BELOW = ("diffusion", "polysilicon")
FLAT = {
    "field_oxide": Stack(),
    "diffusion": Stack(layers=("diffusion",)),
    "polysilicon": Stack(layers=("polysilicon",)),
    "gate": Stack(layers=("diffusion", "polysilicon")),
}
STACKS: dict[str, dict[str, Stack]] = {
    "stripped": FLAT | {"contact": Stack(layers=("contact",), hides=BELOW, dot=True)},
    "with metal": FLAT
    | {
        "metal": Stack(layers=("metal",), hides=BELOW),
        "contact": Stack(layers=("metal", "contact"), hides=BELOW, dot=True),
    },
}
JUDGED = {
    "stripped": {"diffusion": 0.05, "polysilicon": 0.05},
    "with metal": {"metal": 0.05, "contact": 0.05},
}
"""How far areas may be off; 5 % is wanted of all, and polysilicon comes out too wide."""
LOWEST_UM = 13.4  # the new cell was redrawn below


@pytest.fixture(scope="module")
def cells(pytestconfig, tmp_path_factory) -> dict[str, gdstk.Cell]:
    return fetch_cells(pytestconfig.cache.mkdir("wheels"), tmp_path_factory.mktemp("cells"))


def drawn(cell: gdstk.Cell, layer: str) -> list[gdstk.Polygon]:
    polygons = [p for n in LAYERS[layer] for p in cell.get_polygons(layer=n, datatype=0)]
    return gdstk.boolean(polygons, [], "or")


def stack_shapes(cell: gdstk.Cell, look: str) -> dict[str, shapely.Geometry]:
    """Where each stack shows, layout um."""
    shape = {
        layer: shapely.union_all([shapely.Polygon(p.points) for p in drawn(cell, layer)])
        for layer in LAYERS
    }
    over = shape["metal"] if look == "with metal" else shape["contact"]
    diffusion, poly = (shape[layer].difference(over) for layer in BELOW)
    field = shapely.box(0, -4, 8, 44).difference(shapely.union_all(list(shape.values())))
    found = {
        "field_oxide": field,
        "diffusion": diffusion.difference(poly),
        "polysilicon": poly.difference(diffusion),
        "gate": poly.intersection(diffusion),
        "contact": shape["contact"],
    }
    if look == "with metal":
        found["metal"] = shape["metal"].difference(shape["contact"])
    return found


def _parts(shape: shapely.Geometry) -> list[shapely.Geometry]:
    return [part for part in shapely.get_parts(shape) if not part.is_empty]


def swatches(cell: gdstk.Cell, photograph: Photographed, look: str) -> list[Swatch]:
    """Up to six squares a stack, as wide as the place allows, farthest from all outlines."""
    found = []
    for stack, shape in stack_shapes(cell, look).items():
        least = 0.15 if stack in ("contact", "gate") else 0.2
        inner = shape.buffer(-least)
        for part in sorted(_parts(inner), key=lambda g: -g.area)[:6]:
            middle = part.representative_point()
            half = min(0.9 * shape.boundary.distance(middle) / np.sqrt(2), 0.6)
            box = shapely.box(*(middle.x - half, middle.y - half, middle.x + half, middle.y + half))
            corners = photograph.to_px(np.array(box.exterior.coords))
            found.append(Swatch(stack, shapely.Polygon(corners)))
    return found


def compared(
    cells: Mapping[str, gdstk.Cell], look: str, folder: Path
) -> tuple[Path, list[Photographed]]:
    """Photograph, segment, register and compare both revisions; the masks' folder."""
    layers = {k: v for k, v in LAYERS.items() if look == "with metal" or k != "metal"}
    photographs, dies = [], []
    for number, (name, cell) in enumerate(cells.items()):
        photograph = Photographed(cell, number, 31 + number, UM_PER_PX, layers)
        photographs.append(photograph)
        dies.append(Segmented(folder / f"{name}.tif", folder / f"{name}_tiles.tif", folder / name))
        dies[-1].layers.mkdir()
        with ExitStack() as stack:
            side = photograph.side(folder, name, stack)
            segment(
                side.mosaic,
                side.coverage,
                swatches(cell, photograph, look),
                folder=dies[-1].layers,
                die=name,
                layers=tuple(layers),
                stacks=STACKS[look],
                settings=SegmentSettings(),
            )
    # a strip of 400 x 1340 px wants patches of a quarter of its width
    compare(
        *dies,
        folder / "pair",
        um_per_px=UM_PER_PX,
        settings=RegisterSettings(patch_px=64, spacing_px=40),
    )
    return folder / "pair" / "differences", photographs


def only_in(one: gdstk.Cell, other: gdstk.Cell, layer: str, look: str, shift_um: float) -> float:
    """Area of a layer in one cell alone that shows in its photograph, layout um2."""
    shapes = [stack_shapes(cell, look) for cell in (one, other)]
    layers = STACKS[look]
    mine, theirs = (
        shapely.union_all([g for name, g in s.items() if layer in layers[name].layers])
        for s in shapes
    )
    hidden = shapely.union_all([g for n, g in shapes[1].items() if layer in layers[n].hides])
    moved = shapely.affinity.translate(theirs.union(hidden), 0, shift_um)
    return float(mine.difference(moved).area)


@pytest.mark.parametrize("look", list(JUDGED))
def test_what_was_added_has_its_area_and_lies_where_it_was_drawn(cells, look, tmp_path) -> None:
    masks, (old_photo, _) = compared(cells, look, tmp_path)
    old, new = cells.values()
    unit = (UM_PER_PX / old_photo.magnification) ** 2
    for layer, tolerance in JUDGED[look].items():
        with Raster.open(masks / f"{layer}.tif") as raster:
            mask = raster.read_level(0)[0]
        area = {state: float((mask == state).sum()) * unit for state in (ADDED, REMOVED)}
        # corners are round on the photographed die: a tenth of a contact's area
        want = only_in(new, old, layer, look, SHIFT_UM[1]) * old_photo.kept(layer)
        assert area[ADDED] == pytest.approx(want, rel=tolerance), layer
        lost = only_in(old, new, layer, look, -SHIFT_UM[1])
        assert area[REMOVED] == pytest.approx(lost, abs=0.1), layer
        y, x = np.nonzero((mask == ADDED) | (mask == REMOVED))
        at = old_photo.to_layout(np.column_stack([x, y]).astype(float)) + SHIFT_UM
        assert at[:, 1].max() < LOWEST_UM + 0.2, layer  # 4 px, the width of an outline
