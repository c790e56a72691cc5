"""Pictures of parts of a mosaic are true to the px, at any scale and in any frame."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from maskdelta.images import Box, Raster, write_raster
from maskdelta.report._view import View, sample
from maskdelta.study import apply_affine, invert_affine


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    y, x = np.mgrid[:300, :700]
    return np.stack([x // 3, y // 2, (x + y) // 5], -1).astype(np.uint8)


@pytest.fixture(scope="module")
def raster(tmp_path_factory, picture) -> Iterator[Raster]:
    path = tmp_path_factory.mktemp("view") / "r.tif"
    write_raster(
        path,
        lambda b: picture[b.y0 : b.y1, b.x0 : b.x1],
        shape=(300, 700),
        dtype=np.uint8,
        origin=(-64, 32),
    )
    with Raster.open(path) as source:
        yield source


def test_px_for_px(raster, picture):
    view = View.of_box(Box(-40, 40, 60, 90), longest_px=400)
    assert view.scale == 1
    np.testing.assert_array_equal(sample(raster, view), picture[8:58, 24:124])


def test_outside_the_raster_is_black(raster):
    assert not sample(raster, View.of_box(Box(2000, 0, 2050, 50), longest_px=50)).any()
    half = sample(raster, View.of_box(Box(-84, 40, -44, 80), longest_px=40))
    assert not half[:, :20].any()
    assert half[:, 20:, 1].all()


def test_a_reduced_view_covers_the_same_place(raster, picture):
    view = View.of_box(Box(-64, 32, 636, 332), longest_px=175)
    assert (view.width, view.height, view.scale) == (175, 75, 4.0)
    mean = picture.reshape(75, 4, 175, 4, 3).mean((1, 3))
    # levels are means of 2 x 2, rounded twice, and read between their px
    assert np.abs(sample(raster, view) - mean).max() <= 2


def test_an_enlarged_view_keeps_edges_in_place(tmp_path):
    edge = np.zeros((64, 64, 3), np.uint8)
    edge[:, 40:] = 200
    write_raster(
        tmp_path / "e.tif",
        lambda b: edge[b.y0 : b.y1, b.x0 : b.x1],
        shape=(64, 64),
        dtype=np.uint8,
    )
    view = View.square((36, 32), 20, least_px=100, most_px=200)
    assert view.scale == 0.2
    with Raster.open(tmp_path / "e.tif") as source:
        line = sample(source, view)[50, :, 0]
    at = int(np.argmax(line > 100))  # first px beyond the middle of the edge
    assert at == round(float(view.place([[39.5, 0]])[0, 0]))


def test_another_frame(raster, picture):
    mirror = np.array([[-1.0, 0, 500], [0, 1.0, 10]])
    view = View.of_box(Box(100, 100, 160, 140), longest_px=60)
    got = sample(raster, view, frame_to_raster=lambda p: apply_affine(mirror, p))
    x = 500 - np.arange(100, 160) + 64
    y = np.arange(100, 140) + 10 - 32
    np.testing.assert_array_equal(got, picture[np.ix_(y, x)])


def test_labels_stay_labels(tmp_path, rng):
    labels = rng.choice([0, 7, 255], (600, 1100)).astype(np.uint8)
    write_raster(
        tmp_path / "l.tif",
        lambda b: labels[None, b.y0 : b.y1, b.x0 : b.x1],
        shape=labels.shape,
        dtype=np.uint8,
        planes=("label",),
        reduce="nearest",
    )
    turn = np.array([[0.0, -1.3, 900], [1.3, 0.0, 10]])
    with Raster.open(tmp_path / "l.tif") as source:
        view = View.of_box(Box(0, 0, 400, 600), longest_px=200)
        got = sample(
            source,
            view,
            frame_to_raster=lambda p: apply_affine(invert_affine(turn), p),
            nearest=True,
        )
    assert set(np.unique(got)) <= {0, 7, 255}


def test_places_go_there_and_back():
    view = View.square((100.0, 50.0), 31, least_px=100, most_px=900)
    corners = view.place([[view.x0, view.y0], [view.x0 + 31, view.y0 + 31]])
    np.testing.assert_allclose(corners, [[0, 0], [view.width, view.height]], atol=1e-9)
    assert view.width == 93
