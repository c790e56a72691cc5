from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import MultiPolygon, box

from maskdelta.errors import ConfigurationError, SegmentationError
from maskdelta.images import Raster, write_raster
from maskdelta.segment import (
    NOT_PHOTOGRAPHED,
    NamedDie,
    suggest_swatches,
    swatches_of,
    write_suggestions,
)
from maskdelta.study import Mark, Poses, read_marks

SHAPE = (900, 1200)
ORIGIN = (-512, 1024)
STACKS = ("field_oxide", "diffusion", "metal", "contact")
COLOURS = np.array([[60, 110, 70], [110, 130, 60], [205, 205, 215], [150, 120, 90]], float)


def drawn() -> np.ndarray:
    """Index into `STACKS`: islands of diffusion, lines of metal, contacts of 8 px on them."""
    label = np.zeros(SHAPE, np.uint8)
    for y in range(40, 860, 120):
        label[y : y + 30, 40:1160] = 2
        label[y + 50 : y + 90, 60:1140:1] = np.where(np.arange(1080) // 90 % 2, 1, 0)
        for x in range(70, 1140, 60):
            label[y + 11 : y + 19, x : x + 8] = 3
    return label


LABEL = drawn()


def photograph(label: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    image = cv2.GaussianBlur(COLOURS[label], (0, 0), 0.9)
    slope = 1 + 0.04 * np.linspace(-1, 1, SHAPE[1])[None, :, None]  # the lamp is off centre
    return np.clip(np.rint(image * slope + rng.normal(0, 4, image.shape)), 0, 255).astype(np.uint8)


def raster(path: Path, plane: np.ndarray, stack: ExitStack) -> Raster:
    planes = None if plane.ndim == 3 else ("plane",)
    data = plane if planes is None else plane[None]
    write_raster(
        path,
        lambda b: (
            data[..., b.y0 : b.y1, b.x0 : b.x1, :]
            if planes is None
            else data[:, b.y0 : b.y1, b.x0 : b.x1]
        ),
        shape=SHAPE,
        dtype=plane.dtype,
        origin=ORIGIN,
        um_per_px=0.5,
        reduce="mean" if planes is None else "nearest",
        **({} if planes is None else {"planes": planes}),
    )
    return stack.enter_context(Raster.open(path))


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("suggest")
    with ExitStack() as stack:
        mosaic = raster(tmp_path / "mosaic.tif", photograph(LABEL, 3), stack)
        coverage = raster(tmp_path / "coverage.tif", np.ones(SHAPE, np.uint16), stack)
        labels = raster(tmp_path / "labels.tif", LABEL[:, ::-1].copy(), stack)
        yield mosaic, coverage, labels


def mirrored(points: np.ndarray) -> np.ndarray:
    """Into a die that lies mirrored in the same frame."""
    out = np.array(points, float)
    out[:, 0] = 2 * ORIGIN[0] + SHAPE[1] - 1 - out[:, 0]
    return out


def shown(boxes) -> np.ndarray:
    """Share of each stack inside squares of the mosaic frame."""
    px = [
        LABEL[b.y0 - ORIGIN[1] : b.y1 - ORIGIN[1], b.x0 - ORIGIN[0] : b.x1 - ORIGIN[0]].ravel()
        for b in boxes
    ]
    return np.bincount(np.concatenate(px), minlength=len(STACKS)) / sum(map(len, px))


def test_every_stack_has_a_cluster_whose_squares_show_it_alone(files) -> None:
    mosaic, coverage, _ = files
    clusters = suggest_swatches(mosaic, coverage, die="a1").found
    shares = np.array([shown(cluster.boxes) for cluster in clusters])
    assert set(shares.argmax(1)) == {0, 1, 2, 3}
    assert (shares.max(1) > 0.9).all()
    assert [c.number for c in clusters] == list(range(1, len(clusters) + 1))
    assert all(c.stack == "" for c in clusters)


def test_names_come_from_the_same_places_of_another_die(files) -> None:
    mosaic, coverage, labels = files
    named = [NamedDie(STACKS, labels, coverage, mirrored)]
    for cluster in suggest_swatches(mosaic, coverage, die="a1", named=named).found:
        assert cluster.stack == STACKS[shown(cluster.boxes).argmax()]
        assert cluster.agreement > 0.8


def test_no_name_is_taken_from_places_that_are_not_photographed(files) -> None:
    mosaic, coverage, labels = files
    beyond = NamedDie(STACKS, labels, coverage, lambda p: np.asarray(p) + [5000.0, 0.0])
    assert (beyond.at(mosaic.box) == NOT_PHOTOGRAPHED).all()
    found = suggest_swatches(mosaic, coverage, die="a1", named=[beyond]).found
    assert all(c.stack == "" and c.agreement == 0 for c in found)


def test_a_picture_of_one_colour_is_refused(files, tmp_path: Path) -> None:
    with ExitStack() as stack:
        plain = raster(tmp_path / "plain.tif", photograph(np.zeros_like(LABEL), 5), stack)
        with pytest.raises(SegmentationError, match="a1: fewer than two colours"):
            suggest_swatches(plain, files[1], die="a1")


def test_the_marks_are_read_back_once_they_have_names(files, tmp_path: Path) -> None:
    mosaic, coverage, labels = files
    path = tmp_path / "swatches.geojson"
    clusters = suggest_swatches(mosaic, coverage, die="a1").found
    write_suggestions(path, clusters, die="a1", view="top")
    with pytest.raises(ConfigurationError, match="a swatch must name its `stack`"):
        read_marks([str(path)])
    named = [NamedDie(STACKS, labels, coverage, mirrored)]
    clusters = suggest_swatches(mosaic, coverage, die="a1", named=named).found
    write_suggestions(path, clusters, die="a1", view="top")
    swatches = swatches_of(read_marks([str(path)]), "a1", Poses())
    assert len(swatches) == sum(len(c.boxes) for c in clusters)
    assert {s.polygon.area for s in swatches} == {
        float(b.width**2) for c in clusters for b in c.boxes
    }


def test_a_mark_of_several_polygons_is_several_swatches() -> None:
    two = MultiPolygon([box(0, 0, 4, 4), box(9000, 0, 9004, 4)])
    mark = Mark("swatch", "", two, "mosaic", "a1", stack="metal", source="m: feature 1")
    found = swatches_of([mark], "a1", Poses())
    assert [s.polygon.bounds for s in found] == [(0, 0, 4, 4), (9000, 0, 9004, 4)]
