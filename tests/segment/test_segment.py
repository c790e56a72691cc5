"""Segmentation: flat colours with grain become the right stacks, and dirt is said to be dirt."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import shapely

from maskdelta.errors import SegmentationError
from maskdelta.images import Box, Raster, write_raster
from maskdelta.segment import NOT_PHOTOGRAPHED, SPOILED, Labeller, Swatch, segment
from maskdelta.segment._rules import LayerRules
from maskdelta.study import LayerStack, SegmentSettings, Stack, read_json

SHAPE = (1100, 1300)
ORIGIN = (-20, 15)
LAYERS = ("diffusion", "metal")
STACKS = {
    "field_oxide": Stack(),
    "diffusion": Stack(layers=("diffusion",)),
    "metal": Stack(layers=("metal",), hides=("diffusion",)),
}
COLOURS = np.array([[60, 110, 70], [150, 120, 60], [205, 205, 215]], float)
BLOB = (1150, 950, 22)  # x, y, radius
IGNORED = (1000, 60, 1080, 140)
SECOND_TILE = (300, 500, 420, 640)
DARK_COLUMNS = 40  # at the right, never photographed


def true_labels() -> np.ndarray:
    """Index into `STACKS`: islands of diffusion, and lines of metal across some of them."""
    label = np.zeros(SHAPE, np.uint8)
    for y in range(60, 1000, 120):
        for x in range(60, 1200, 150):
            label[y : y + 60, x : x + 80] = 1
    for y in range(80, 1000, 240):
        label[y : y + 20, 30:1210] = 2
    return label


def true_picture(label: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(7)
    image = cv2.GaussianBlur(COLOURS[label], (0, 0), 0.8)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image[np.hypot(x - BLOB[0], y - BLOB[1]) < BLOB[2]] = (230, 20, 160)
    return np.clip(np.rint(image + rng.normal(0, 3, image.shape)), 0, 255).astype(np.uint8)


TRUE = true_labels()
PICTURE = true_picture(TRUE)
ODD = cv2.circle(np.zeros(SHAPE, np.uint8), BLOB[:2], BLOB[2] + 12, 1, -1) > 0


def off_edges() -> np.ndarray:
    """Px at least 3 px from an edge, and away from dirt, ignored and dark areas."""
    size = np.ones((7, 7), np.uint8)
    out = cv2.erode(TRUE, size) == cv2.dilate(TRUE, size)
    x0, y0, x1, y1 = IGNORED
    out[y0 - 6 : y1 + 6, x0 - 6 : x1 + 6] = False
    out[:, -DARK_COLUMNS - 6 :] = False
    return out & ~ODD


OFF_EDGES = off_edges()


def box(x0: float, y0: float, x1: float, y1: float) -> Any:
    """A box of the picture in the mosaic frame."""
    return shapely.box(x0 + ORIGIN[0], y0 + ORIGIN[1], x1 + ORIGIN[0], y1 + ORIGIN[1])


SWATCHES = [
    Swatch("field_oxide", box(20, 150, 50, 300), "m.geojson: feature 1"),
    Swatch("field_oxide", box(600, 1040, 700, 1080), "m.geojson: feature 2"),
    Swatch("diffusion", box(66, 186, 130, 230), "m.geojson: feature 3"),
    Swatch("diffusion", box(966, 666, 1030, 710), "m.geojson: feature 4"),
    Swatch("metal", box(40, 84, 200, 96), "m.geojson: feature 5"),
    Swatch("metal", box(900, 804, 1100, 816), "m.geojson: feature 6"),
]


@pytest.fixture(scope="module")
def rasters(tmp_path_factory) -> Iterator[tuple[Raster, Raster]]:
    folder = tmp_path_factory.mktemp("mosaic")
    tile = np.ones((1, *SHAPE), np.uint16)
    tile[:, SECOND_TILE[1] : SECOND_TILE[3], SECOND_TILE[0] : SECOND_TILE[2]] = 2
    tile[..., -DARK_COLUMNS:] = 0
    write_raster(
        folder / "mosaic.tif",
        lambda b: PICTURE[b.y0 : b.y1, b.x0 : b.x1],
        shape=SHAPE,
        dtype=np.uint8,
        origin=ORIGIN,
        um_per_px=0.4,
    )
    write_raster(
        folder / "coverage.tif",
        lambda b: tile[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=SHAPE,
        dtype=np.uint16,
        planes=("tile",),
        origin=ORIGIN,
        reduce="nearest",
    )
    with ExitStack() as stack:
        mosaic, coverage = (
            stack.enter_context(Raster.open(folder / name))
            for name in ("mosaic.tif", "coverage.tif")
        )
        yield mosaic, coverage


def run(
    rasters: tuple[Raster, Raster],
    folder: Path,
    swatches: list[Swatch] = SWATCHES,
    *,
    blurred: Collection[int] = (),
    block_px: int = 2048,
    threads: int = 1,
) -> dict[str, Any]:
    return segment(
        *rasters,
        swatches,
        ignored=[box(*IGNORED)],
        blurred=blurred,
        folder=folder,
        die="a1",
        layers=LAYERS,
        stacks=STACKS,
        settings=SegmentSettings(),
        block_px=block_px,
        threads=threads,
    )


@pytest.fixture(scope="module")
def whole(rasters, tmp_path_factory) -> LayerStack:
    folder = tmp_path_factory.mktemp("whole")
    run(rasters, folder)
    return LayerStack(folder)


def pixels(path: Path) -> np.ndarray:
    with Raster.open(path) as raster:
        assert raster.origin == ORIGIN
        return raster.read_level(0)


def labels_by_name(stack: LayerStack) -> np.ndarray:
    """Labels as indices into `STACKS`; special labels stay."""
    label = pixels(stack.labels)[0]
    table = np.arange(256, dtype=np.uint8)
    for number, name in enumerate(read_json(stack.summary)["stacks"]):
        table[number] = list(STACKS).index(name)
    return table[label]


def test_labels_off_edges_are_right(whole: LayerStack) -> None:
    right = labels_by_name(whole)[OFF_EDGES] == TRUE[OFF_EDGES]
    # colours lie tens of standard deviations apart: what is left are corners
    assert right.mean() > 0.99


def test_presence_follows_the_stacks(whole: LayerStack) -> None:
    member = pixels(whole.membership) > 127
    for layer, name in enumerate(LAYERS):
        there = np.isin(TRUE, [k for k, s in enumerate(STACKS.values()) if name in s.layers])
        # as for the labels
        assert (member[layer] == there)[OFF_EDGES].mean() > 0.99


def test_diffusion_cannot_be_seen_under_metal_but_is_continued_there(whole: LayerStack) -> None:
    visible, inferred = pixels(whole.visible), pixels(whole.inferred)
    metal = OFF_EDGES & (TRUE == 2)
    bare = OFF_EDGES & (TRUE != 2)
    assert not visible[0][metal].any()
    # dirt that was not put in would be at fault
    assert (visible[0][bare] == 255).mean() > 0.99
    assert (visible[1][metal | bare] == 255).mean() > 0.99
    # the line at y 80..100 crosses the island at x 60..140, y 60..120
    assert (inferred[0][84:96, 64:136] == 255).all()
    # between two islands, 70 px apart, nothing is continued
    assert not inferred[0][84:96, 160:190].any()


def test_an_odd_colour_and_an_ignored_area_are_spoiled(whole: LayerStack) -> None:
    label = pixels(whole.labels)[0]
    x, y, radius = BLOB
    disc = cv2.circle(np.zeros(SHAPE, np.uint8), (x, y), radius - 1, 1, -1) > 0
    assert (label[disc] == SPOILED).all()
    x0, y0, x1, y1 = IGNORED
    assert (label[y0 + 1 : y1, x0 + 1 : x1] == SPOILED).all()
    spoiled = label == SPOILED
    spoiled[y0 : y1 + 1, x0 : x1 + 1] = False
    # 3 px at the rim of what was photographed are mixed with the black beyond it
    inner = np.zeros(SHAPE, bool)
    inner[3:-3, 3 : -DARK_COLUMNS - 3] = True
    assert not spoiled[inner & ~ODD].any()
    for path in (whole.visible, whole.membership):
        assert not pixels(path)[:, disc].any()


def test_what_a_tile_out_of_focus_shows_is_spoiled(rasters, whole, tmp_path: Path) -> None:
    run(rasters, tmp_path, blurred=[2])
    stack = LayerStack(tmp_path)
    x0, y0, x1, y1 = SECOND_TILE
    inside = np.zeros(SHAPE, bool)
    inside[y0:y1, x0:x1] = True
    label = pixels(stack.labels)[0]
    assert (label[inside] == SPOILED).all()
    assert not pixels(stack.visible)[:, inside].any()
    np.testing.assert_array_equal(label[~inside], pixels(whole.labels)[0][~inside])


def test_what_was_not_photographed_is_said_so(whole: LayerStack) -> None:
    label = pixels(whole.labels)[0]
    assert (label[:, -DARK_COLUMNS:] == NOT_PHOTOGRAPHED).all()
    assert not (label[:, :-DARK_COLUMNS] == NOT_PHOTOGRAPHED).any()
    assert not pixels(whole.visible)[..., -DARK_COLUMNS:].any()


def test_the_summary_counts_all_px(whole: LayerStack) -> None:
    summary = read_json(whole.summary)
    assert summary["layers"] == list(LAYERS)
    assert sum(summary["area_px"].values()) == SHAPE[0] * SHAPE[1]
    assert summary["area_px"]["not_photographed"] == DARK_COLUMNS * SHAPE[0]
    assert summary["not_covered_by_swatches"] == []
    for stack, colour in zip(STACKS, COLOURS, strict=True):
        # noise of 3 levels over hundreds of px, rounded
        assert summary["colour"][stack] == pytest.approx(colour, abs=1.0)


@pytest.mark.parametrize("block_px", [512, 1024])
def test_blocks_and_threads_leave_no_trace(
    rasters, whole: LayerStack, tmp_path: Path, block_px: int
) -> None:
    run(rasters, tmp_path, block_px=block_px, threads=2)
    blocks = LayerStack(tmp_path)
    np.testing.assert_array_equal(pixels(blocks.labels), pixels(whole.labels))
    np.testing.assert_array_equal(pixels(blocks.visible), pixels(whole.visible))
    np.testing.assert_array_equal(pixels(blocks.inferred), pixels(whole.inferred))


@pytest.mark.parametrize("swatches", [[], SWATCHES[:2]])
def test_too_few_swatches_name_the_die(rasters, tmp_path: Path, swatches: list[Swatch]) -> None:
    with pytest.raises(SegmentationError, match=r"^a1: swatches of at least two stacks"):
        run(rasters, tmp_path, swatches)


def test_wrong_swatches_are_named_all_at_once(rasters, tmp_path: Path) -> None:
    wrong = [
        Swatch("metall", box(40, 84, 200, 96), "m.geojson: feature 7"),
        Swatch("metal", box(5000, 84, 5100, 96), "m.geojson: feature 8"),
    ]
    with pytest.raises(SegmentationError) as caught:
        run(rasters, tmp_path, [*SWATCHES, *wrong])
    text = str(caught.value)
    assert "m.geojson: feature 7: the stack `metall` is not known" in text
    assert "m.geojson: feature 8: the swatch lies off the photographed area of `a1`" in text


def test_a_dot_sits_in_what_it_shares_or_else_in_what_it_hides() -> None:
    layers = ("diffusion", "polysilicon", "contact", "metal")
    flat = {
        "diffusion": Stack(layers=("diffusion",)),
        "polysilicon": Stack(layers=("polysilicon",)),
    }
    under = ("diffusion", "polysilicon")
    hole = flat | {"hole": Stack(layers=("contact",), hides=under, dot=True)}
    rules = LayerRules.of(tuple(hole), layers, hole)
    np.testing.assert_array_equal(rules.carries(2), [True, True, False, False])
    in_metal = flat | {
        "metal": Stack(layers=("metal",), hides=under),
        "contact": Stack(layers=("metal", "contact"), hides=under, dot=True),
    }
    rules = LayerRules.of(tuple(in_metal), layers, in_metal)
    np.testing.assert_array_equal(rules.carries(3), [False, False, False, True])


def test_what_was_fitted_labels_a_picture_again_as_it_was_labelled(whole: LayerStack) -> None:
    """What planting changes rests on: an unaltered picture gives the very same layers."""
    labeller = Labeller.read(
        whole.summary, layers=LAYERS, stacks=STACKS, settings=SegmentSettings()
    )
    inner = Box(300, 340, 620, 600)  # off the other tile's border, dirt and what is left out
    wide = inner.grown(Labeller.MARGIN_PX)
    cut = (slice(wide.y0, wide.y1), slice(wide.x0, wide.x1))
    everywhere = np.ones(wide.shape, bool)
    place = inner.moved(*ORIGIN)
    found = labeller.label(PICTURE[cut], everywhere, ~everywhere, place)
    part = (..., slice(inner.y0, inner.y1), slice(inner.x0, inner.x1))
    np.testing.assert_array_equal(found.label, pixels(whole.labels)[0][part])
    np.testing.assert_array_equal(found.membership, pixels(whole.membership)[part])
    np.testing.assert_array_equal(found.visible, pixels(whole.visible)[part])
