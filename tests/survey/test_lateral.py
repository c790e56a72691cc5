"""Lateral colour is found in the tiles themselves, and taken out where they are resampled."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from maskdelta.images import Raster
from maskdelta.stitch import compose
from maskdelta.study import Pose, Poses
from maskdelta.survey import FlatField, survey
from maskdelta.survey._lateral import LateralColour, estimate_lateral, shifts_of_colours
from tile_scenes import SURVEY, grid, make_die, take_tiles, write

SHAPE = (420, 560)
CORNER = float(np.hypot(*SHAPE)) / 2


def tinted_die(shape, seed):
    """A die of shapes that are grey for the most part: `make_die` draws channels apart."""
    die = make_die(shape, seed=seed).astype(float)
    return np.rint(0.75 * die.mean(2, keepdims=True) + 0.25 * die).astype(np.uint8)


def stretched(pixels, by):
    """A tile whose channels the lens shows larger by shares `by`, resampled by a spline."""
    height, width = pixels.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    cx, cy = (width - 1) / 2, (height - 1) / 2
    out = pixels.copy()
    for channel, share in by.items():
        where = [(c + (v - c) / (1 + share)).astype(np.float32) for v, c in ((x, cx), (y, cy))]
        plane = np.ascontiguousarray(pixels[..., channel])
        out[..., channel] = cv2.remap(
            plane, *where, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
        )
    return out


def tiles(seed, by):
    die = tinted_die((1500, 1900), seed)
    rng = np.random.default_rng(seed)
    out = []
    for row in range(3):
        for column in range(3):
            y, x = row * 380, column * 500
            part = stretched(die[y : y + SHAPE[0], x : x + SHAPE[1]], by)
            noisy = np.clip(part + rng.normal(0, 2, part.shape), 0, 255)
            out.append(np.rint(noisy).astype(np.uint8))
    return out


@pytest.mark.parametrize("seed", [1, 2])
def test_red_and_blue_are_measured_with_their_error(seed):
    by = {0: 0.6 / CORNER, 2: -0.4 / CORNER}
    found = estimate_lateral([shifts_of_colours(t) for t in tiles(seed, by)], CORNER)
    # noise of green makes them up to a sixth too small
    assert found.red_px == pytest.approx(0.55, abs=0.06 + 3 * found.red_sd_px)
    assert found.blue_px == pytest.approx(-0.37, abs=0.04 + 3 * found.blue_sd_px)
    assert found.red_sd_px < 0.05
    assert found.red * CORNER == pytest.approx(found.red_px, abs=1e-3)
    assert LateralColour.from_mapping(found.to_mapping()) == found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_found_where_there_is_none(seed):
    found = estimate_lateral([shifts_of_colours(t) for t in tiles(seed, {})], CORNER)
    assert (found.red, found.blue) == (0.0, 0.0)
    assert abs(found.red_px) < 4 * found.red_sd_px


def test_grey_and_small_tiles_tell_nothing():
    assert estimate_lateral([], 100.0) == LateralColour()
    assert shifts_of_colours(np.zeros((60, 60, 3), np.uint8)).shape == (0, 8)
    flat = [shifts_of_colours(np.full((300, 400, 3), 90, np.uint8)) for _ in range(4)]
    assert (estimate_lateral(flat, 250.0).red, estimate_lateral(flat, 250.0).red_px) == (0.0, 0.0)


def test_the_mosaic_shows_all_colours_at_one_place(tmp_path):
    die = make_die((700, 900), seed=5)
    cuts = take_tiles(die, 2, 2, overlap_frac=0.2, noise=0, whole_px=True)
    height, width = cuts[0].pixels.shape[:2]
    share = 1.5 / (float(np.hypot(height, width)) / 2)
    bent = [replace(c, pixels=stretched(c.pixels, {0: share})) for c in cuts]
    files = write(tmp_path / "t", bent)
    poses = Poses.of(
        [Pose(c.name, c.name, width, height, c.centre_x_px, c.centre_y_px) for c in bent]
    )

    def worst(field, name):
        paths = {
            "mosaic_path": tmp_path / f"{name}.tif",
            "tiles_path": tmp_path / f"{name}_own.tif",
        }
        compose(files, poses, field, **paths, um_per_px=None, block_px=512)
        with Raster.open(paths["mosaic_path"]) as mosaic, Raster.open(paths["tiles_path"]) as own:
            picture, shown = mosaic.read_level(0), own.read_level(0)[0] > 0
        there = die[: shown.shape[0], : shown.shape[1]]
        # beyond the border of a tile there is no red
        inner = cv2.erode(shown.astype(np.uint8), np.ones((9, 9)), borderValue=0) > 0
        apart = np.abs(picture.astype(float) - there)[inner]
        return np.sqrt((apart**2).mean(0))

    plain = worst(FlatField(), "plain")
    taken_out = worst(FlatField(red=share), "red")
    assert taken_out[0] < 0.35 * plain[0]
    np.testing.assert_array_equal(taken_out[1:], plain[1:])


def test_the_survey_hands_it_on_unless_told_otherwise(tmp_path):
    cuts = take_tiles(tinted_die((1000, 1300), 6), 3, 3, overlap_frac=0.25)
    share = 0.8 / (float(np.hypot(*cuts[0].pixels.shape[:2])) / 2)
    files = write(
        tmp_path / "t", [replace(c, pixels=stretched(c.pixels, {0: share})) for c in cuts]
    )
    found = survey(files, view=grid(), settings=SURVEY)
    assert found.flat_field.red == pytest.approx(share, rel=0.25)
    assert found.flat_field.blue == 0
    found.flat_field.write(tmp_path / "f.json")
    assert FlatField.read(tmp_path / "f.json").red == found.flat_field.red
    off = SURVEY.model_copy(update={"lateral_colour": False})
    left = survey(files, view=grid(), settings=off)
    assert left.flat_field.red == 0
    assert left.figures["lateral_colour"] == found.figures["lateral_colour"]
