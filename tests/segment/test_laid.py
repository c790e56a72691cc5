"""The photograph of a further view in the frame of the main one."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest

from maskdelta.images import Raster, write_raster
from maskdelta.register import ErrorMap
from maskdelta.segment import NOT_PHOTOGRAPHED, SPOILED, SegmentedView, lay_view
from maskdelta.study import LaidPhotograph, LayerStack, Registration, SegmentSettings

SIZE = (520, 640)
ORIGIN = (512, 0)
# px (x, y) of the further view is px (y, 519 - x) of the main one
TURN = np.array([[0.0, 1.0, ORIGIN[0]], [-1.0, 0.0, 519.0]])


def write(path: Path, pixels: np.ndarray, *planes: str, origin: tuple[int, int] = (0, 0)) -> Path:
    write_raster(
        path,
        lambda b: (
            pixels[..., b.y0 : b.y1, b.x0 : b.x1] if planes else pixels[b.y0 : b.y1, b.x0 : b.x1]
        ),
        shape=pixels.shape[1:] if planes else pixels.shape[:2],
        dtype=pixels.dtype,
        planes=planes,
        origin=origin,
        reduce="nearest" if planes else "mean",
    )
    return path


def lay(folder: Path, main: np.ndarray, other: np.ndarray, refused: tuple[str, ...] = ()):
    """Picture and labels; the main view has a corner not photographed, both have dirt."""
    own = np.zeros((1, *SIZE), np.uint8)
    own[:, :30, :30] = NOT_PHOTOGRAPHED
    own[:, 100:120, 100:120] = SPOILED
    label = np.zeros((1, *other.shape[:2]), np.uint8)
    label[:, 300:320, 200:210] = SPOILED
    seen = np.ones((1, *other.shape[:2]), np.uint16)
    seen[:, :, :50] = 0  # y from 470 on in the main frame
    mosaics = (
        write(folder / "top.tif", main, origin=ORIGIN),
        write(folder / "bare.tif", other),
    )
    coverage = write(folder / "tiles.tif", seen, "tile")
    views = (LayerStack(folder / "top"), LayerStack(folder / "bare"))
    write(views[0].labels, own, "label", origin=ORIGIN)
    write(views[1].labels, label, "label")
    error = np.full((9, 10), 0.5)
    error[:, 8:] = 9.0  # x from 512 on
    with Raster.open(views[0].labels) as raster:
        box = raster.box
    registration = Registration("a1", "a1", TURN, refused=refused)
    lay_view(
        SegmentedView("top", views[0]),
        SegmentedView("bare", views[1], (), registration, ErrorMap(box, 64, error)),
        mosaics=mosaics,
        coverage=coverage,
        laid=LaidPhotograph(folder),
        settings=SegmentSettings(),
        block_px=512,
    )
    with ExitStack() as stack:
        laid = LaidPhotograph(folder)
        found = [stack.enter_context(Raster.open(p)) for p in (laid.mosaic, laid.labels)]
        assert all(raster.origin == ORIGIN for raster in found)
        return found[0].read_level(0), found[1].read_level(0)[0]


@pytest.fixture
def pictures(rng) -> tuple[np.ndarray, np.ndarray]:
    main = rng.integers(1, 255, (*SIZE, 3)).astype(np.uint8)
    other = rng.integers(1, 255, (*SIZE, 3)).astype(np.uint8)
    return main, other


def test_each_px_is_that_of_the_view_that_tells_of_it(tmp_path: Path, pictures) -> None:
    main, other = pictures
    picture, label = lay(tmp_path, main, np.ascontiguousarray(np.rot90(other, -1)))
    inside = np.zeros(SIZE, bool)
    inside[:470, :512] = True
    inside[:30, :30] = False
    # bilinear at whole px; the map is exact to a thousandth of a px
    off = np.abs(picture.astype(int) - np.where(inside[..., None], other, main)).max(-1)
    assert off.max() <= 2
    spoiled = label == SPOILED
    assert not spoiled[100:120, 100:120].any()  # dirt of the main view, clean in the further one
    assert spoiled.sum() == 200
    assert spoiled[519 - 209 : 519 - 199, 300:320].all()


def test_a_refused_view_leaves_the_main_picture(tmp_path: Path, pictures) -> None:
    main, other = pictures
    bare = np.ascontiguousarray(np.rot90(other, -1))
    picture, label = lay(tmp_path, main, bare, refused=("too few",))
    np.testing.assert_array_equal(picture, main)
    assert (label == SPOILED).sum() == 400
