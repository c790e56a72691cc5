"""The mosaic: every pixel from one tile, where it belongs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maskdelta.errors import StitchError
from maskdelta.images import Box, Raster
from maskdelta.stitch import compose, place
from maskdelta.stitch._coordinates import tile_coordinates
from maskdelta.study import Pose, Poses
from maskdelta.survey import FlatField, survey
from tile_scenes import PATTERN, STITCH, SURVEY, grid, make_die, shaded, take_tiles, write

DIE = make_die()
CUTS = take_tiles(DIE, noise=0, whole_px=True)
BLOCK = 512


def true_poses(cuts):
    return Poses.of(
        [
            Pose(c.name, c.name, c.pixels.shape[1], c.pixels.shape[0], c.centre_x_px, c.centre_y_px)
            for c in cuts
        ]
    )


def make(files, poses, folder, flat_field=None, *, threads=1, block_px=BLOCK, blur_limit=0.0):
    folder.mkdir(parents=True, exist_ok=True)
    compose(
        files,
        poses,
        flat_field or FlatField(),
        mosaic_path=folder / "mosaic.ome.tif",
        tiles_path=folder / "tiles.tif",
        um_per_px=0.5,
        blur_limit=blur_limit,
        block_px=block_px,
        threads=threads,
    )
    with Raster.open(folder / "mosaic.ome.tif") as mosaic, Raster.open(folder / "tiles.tif") as own:
        assert mosaic.origin == own.origin
        assert mosaic.um_per_px == 0.5
        return mosaic.origin, mosaic.read_level(0), own.read_level(0)[0]


def test_split_then_stitch_returns_the_input(tmp_path):
    files = write(tmp_path / "t", CUTS)
    origin, mosaic, owner = make(files, true_poses(CUTS), tmp_path)
    assert origin == (0, 0)
    shown = owner > 0
    there = DIE[: mosaic.shape[0], : mosaic.shape[1]]
    np.testing.assert_array_equal(mosaic[shown], there[shown])
    assert not mosaic[~shown].any()
    assert shown.mean() > 0.95
    assert set(np.unique(owner)) == set(range(10))


def test_split_then_place_then_stitch_returns_the_input(tmp_path):
    files = write(tmp_path / "t", CUTS)
    found = survey(files, view=grid(), settings=SURVEY)
    placed = place(files, found, settings=STITCH)
    _, mosaic, owner = make(files, placed.poses, tmp_path)
    offset = np.array([CUTS[0].centre_x_px, CUTS[0].centre_y_px]) - [
        placed.poses.find("r00c00.png").centre_x_px,
        placed.poses.find("r00c00.png").centre_y_px,
    ]
    x, y = np.rint(offset).astype(int)
    there = DIE[y : y + mosaic.shape[0], x : x + mosaic.shape[1]]
    apart = np.abs(mosaic.astype(int) - there)[owner > 0]
    # tiles lie within 0.02 px of whole px, and edges rise by 50 grey levels per px
    assert apart.max() <= 3


def test_sixteen_bits_stay(tmp_path):
    deep = [replace(c, pixels=c.pixels.astype(np.uint16) * 257) for c in CUTS]
    files = write(tmp_path / "t", deep)
    _, mosaic, owner = make(files, true_poses(deep), tmp_path)
    assert mosaic.dtype == np.uint16
    there = DIE[: mosaic.shape[0], : mosaic.shape[1]].astype(int) * 257
    apart = np.abs(mosaic - there)[owner > 0]
    # one step of 16-bit linear light, which is 13 steps of sRGB at black and under 1 above 30 %
    assert apart.max() <= 13


def test_each_pixel_comes_from_the_tile_that_shows_it_most_centrally(tmp_path):
    files = write(tmp_path / "t", CUTS)
    poses = true_poses(CUTS)
    _, _, owner = make(files, poses, tmp_path)
    rng = np.random.default_rng(0)
    for _ in range(60):
        x, y = rng.integers(0, owner.shape[1]), rng.integers(0, owner.shape[0])
        showing = poses.showing(x, y)
        number = owner[y, x]
        assert (number == 0) == (not showing)
        if showing:
            assert poses.tiles[number - 1].file == showing[0]


def test_a_tile_out_of_focus_shows_only_what_no_other_shows(tmp_path):
    files = write(tmp_path / "t", CUTS)
    poses = true_poses(CUTS)
    blurred = Poses((replace(poses.tiles[0], focus=0.3), *poses.tiles[1:]))
    assert blurred.blurred(0.5) == {1}
    _, _, owner = make(files, blurred, tmp_path, blur_limit=0.5)
    y, x = np.nonzero(owner == 1)
    assert len(x)
    for k in range(0, len(x), max(1, len(x) // 40)):
        assert poses.showing(x[k], y[k]) == [poses.tiles[0].file]
    _, _, plain = make(files, blurred, tmp_path / "plain")
    assert (plain == 1).sum() > (owner == 1).sum()
    assert ((plain > 0) == (owner > 0)).all()


def test_threads_and_repetition_give_the_same_bytes(tmp_path):
    files = write(tmp_path / "t", CUTS)
    poses = true_poses(CUTS)
    make(files, poses, tmp_path / "one", threads=1)
    make(files[::-1], poses, tmp_path / "two", threads=2)
    for name in ("mosaic.ome.tif", "tiles.tif"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_blocks_do_not_show(tmp_path):
    cuts = take_tiles(DIE, noise=0)
    files = write(tmp_path / "t", cuts)
    _, small, _ = make(files, true_poses(cuts), tmp_path / "small", block_px=512)
    _, large, _ = make(files, true_poses(cuts), tmp_path / "large", block_px=2048)
    np.testing.assert_array_equal(small, large)


def test_shading_and_exposure_are_taken_out(tmp_path):
    cuts, _ = shaded(take_tiles(DIE, noise=0, whole_px=True))
    files = write(tmp_path / "t", cuts)
    found = survey(files, view=grid(), settings=SURVEY)
    exact = true_poses(cuts)
    poses = Poses(
        tuple(
            replace(pose, exposure=row["exposure"])
            for pose, row in zip(exact, found.quality, strict=True)
        )
    )

    def seam_steps(mosaic, owner):
        left, right = owner[:, :-1], owner[:, 1:]
        seam = (left != right) & (left > 0) & (right > 0)
        apart = mosaic[:, 1:].astype(float) - mosaic[:, :-1]
        there = DIE[: owner.shape[0], 1 : owner.shape[1]].astype(float)
        there -= DIE[: owner.shape[0], : owner.shape[1] - 1]
        return np.median(np.abs((apart - 0.9 * there).mean(2)[seam]))

    _, plain, owner = make(files, exact, tmp_path / "plain")
    _, even, owner = make(files, poses, tmp_path / "even", found.flat_field)
    assert seam_steps(even, owner) < 0.4 * seam_steps(plain, owner)


def test_a_tile_added_on_the_left_moves_nothing(tmp_path):
    first = [cut for cut in CUTS if not cut.name.endswith("c00.png")]
    view = grid(name_pattern=PATTERN)
    files = write(tmp_path / "t", first)
    old = place(files, survey(files, view=view, settings=SURVEY), settings=STITCH)
    origin, before, own_before = make(files, old.poses, tmp_path / "before")
    files = write(tmp_path / "t", CUTS)
    new = place(files, survey(files, view=view, settings=SURVEY), settings=STITCH, anchor=old.poses)
    moved, after, own_after = make(files, new.poses, tmp_path / "after")
    assert origin == (0, 0)
    assert moved == (-BLOCK, 0)
    h, w = before.shape[:2]
    same_place = after[:h, BLOCK : BLOCK + w]
    names_before = np.array(["", *(p.file for p in old.poses)])[own_before]
    names_after = np.array(["", *(p.file for p in new.poses)])[own_after[:h, BLOCK : BLOCK + w]]
    kept = (names_before == names_after) & (names_before != "")
    assert kept.mean() > 0.7
    np.testing.assert_array_equal(before[kept], same_place[kept])


def test_tile_coordinates_equal_the_pose(tmp_path):
    pose = Pose("a", "a", 400, 300, 210.3, -77.9, 3.0, 1.1, lens=0.008)
    x, y = tile_coordinates(pose, Box(20, -200, 400, 60))
    rng = np.random.default_rng(1)
    for _ in range(50):
        i, j = rng.integers(0, x.shape[1]), rng.integers(0, x.shape[0])
        expected = pose.to_tile([[20 + i, -200 + j]])[0]
        # single precision
        np.testing.assert_allclose([x[j, i], y[j, i]], expected, atol=2e-4)


def test_faults_are_explained(tmp_path):
    files = write(tmp_path / "t", CUTS)
    poses = true_poses(CUTS)
    with pytest.raises(StitchError, match=r"r02c02\.png: this placed tile is not among"):
        make(files[:-1], poses, tmp_path)
    nowhere = Poses(tuple(replace(p, status="unplaced") for p in poses))
    with pytest.raises(StitchError, match="no tile is placed"):
        make(files, nowhere, tmp_path)
    other = Poses(tuple(replace(p, width_px=p.width_px + 2) for p in poses))
    with pytest.raises(StitchError, match="was placed with"):
        make(files, other, tmp_path)
