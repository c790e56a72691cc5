"""Seams between tiles: led where the two differ least, alike for any block and any order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maskdelta.errors import MaskdeltaError
from maskdelta.images import Raster
from maskdelta.stitch import compose, lead_seams
from maskdelta.study import Pose, Poses, read_table
from maskdelta.survey import FlatField, SmallPictures, survey
from tile_scenes import SURVEY, grid, make_die, take_tiles, write

DIE = make_die((900, 1200), seed=3)
CUTS = take_tiles(DIE, 2, 3, overlap_frac=0.3, noise=1.0, whole_px=True)


def true_poses(cuts):
    return Poses.of(
        [
            Pose(c.name, c.name, c.pixels.shape[1], c.pixels.shape[0], c.centre_x_px, c.centre_y_px)
            for c in cuts
        ]
    )


def small_of(files, view=None):
    return survey(files, view=view or grid(2, 3, 0.3), settings=SURVEY).small


def owners(files, poses, seams, folder, *, block_px=512, threads=1):
    folder.mkdir(parents=True, exist_ok=True)
    compose(
        files,
        poses,
        FlatField(),
        mosaic_path=folder / "mosaic.ome.tif",
        tiles_path=folder / "tiles.tif",
        um_per_px=None,
        seams=seams,
        block_px=block_px,
        threads=threads,
    )
    with Raster.open(folder / "mosaic.ome.tif") as mosaic, Raster.open(folder / "tiles.tif") as own:
        return mosaic.read_level(0), own.read_level(0)[0]


def led(cuts, folder):
    files = write(folder / "t", cuts)
    poses = true_poses(cuts)
    seams = lead_seams(poses, FlatField(), small_of(files))
    return files, poses, seams


def stained(cuts, number, box, level=15):
    """The tiles, with a dark patch that one of them alone shows; `box` is of the die."""
    cut = cuts[number]
    left = round(cut.centre_x_px - (cut.pixels.shape[1] - 1) / 2)
    top = round(cut.centre_y_px - (cut.pixels.shape[0] - 1) / 2)
    x0, y0, x1, y1 = box
    pixels = cut.pixels.copy()
    pixels[y0 - top : y1 - top, x0 - left : x1 - left] = level
    return [replace(c, pixels=pixels) if k == number else c for k, c in enumerate(cuts)]


def overlap_of(a, b):
    size = np.array([a.pixels.shape[1], a.pixels.shape[0]])
    corners = [np.rint(np.array([c.centre_x_px, c.centre_y_px]) - (size - 1) / 2) for c in (a, b)]
    low, high = np.max(corners, axis=0), np.min(corners, axis=0) + size
    return (*low.astype(int).tolist(), *high.astype(int).tolist())


def test_every_px_comes_from_the_tile_that_its_number_names(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    mosaic, owner = owners(files, poses, seams, tmp_path)
    _, plain = owners(files, poses, None, tmp_path / "plain")
    assert ((owner > 0) == (plain > 0)).all()
    assert (owner != plain).any()
    for number, cut in enumerate(CUTS, start=1):
        y, x = np.nonzero(owner == number)
        left = round(cut.centre_x_px - (cut.pixels.shape[1] - 1) / 2)
        top = round(cut.centre_y_px - (cut.pixels.shape[0] - 1) / 2)
        np.testing.assert_array_equal(mosaic[y, x], cut.pixels[y - top, x - left])


def test_neither_blocks_nor_threads_show(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    mosaic, owner = owners(files, poses, seams, tmp_path / "a", block_px=512)
    other, other_owner = owners(files, poses, seams, tmp_path / "b", block_px=1024, threads=2)
    np.testing.assert_array_equal(mosaic, other)
    np.testing.assert_array_equal(owner, other_owner)


@pytest.mark.parametrize("number", [0, 1])
def test_a_seam_goes_around_what_one_tile_alone_shows(tmp_path, number):
    x0, y0, x1, _ = overlap_of(CUTS[0], CUTS[1])
    middle = (x0 + x1) // 2
    box = (middle - 16, y0 + 120, middle + 16, y0 + 160)
    cuts = stained(CUTS, number, box, level=60)
    files, poses, seams = led(cuts, tmp_path)
    _, owner = owners(files, poses, seams, tmp_path)
    _, plain = owners(files, poses, None, tmp_path / "plain")
    inside = np.s_[box[1] : box[3], box[0] : box[2]]
    assert len(np.unique(plain[inside])) > 1
    assert len(np.unique(owner[inside])) == 1


@pytest.mark.parametrize("number", [0, 1])
def test_what_one_tile_shows_clipped_is_taken_from_the_other(tmp_path, number):
    x0, y0, x1, _ = overlap_of(CUTS[0], CUTS[1])
    middle = (x0 + x1) // 2
    box = (middle - 24, y0 + 110, middle + 24, y0 + 170)
    files, poses, seams = led(stained(CUTS, number, box, level=255), tmp_path)
    _, owner = owners(files, poses, seams, tmp_path)
    inside = np.s_[box[1] : box[3], box[0] : box[2]]
    assert (owner[inside] != number + 1).mean() > 0.95


@pytest.mark.parametrize("number", [0, 1])
def test_a_tile_known_up_to_pitches_leaves_the_overlap_to_the_other(tmp_path, number):
    files, poses, before = led(CUTS, tmp_path)
    doubted = [replace(p, modulo_pitch=k == number) for k, p in enumerate(poses)]
    after = lead_seams(Poses.of(doubted), FlatField(), small_of(files))

    def share(seams):
        cut = next(c for c in seams.cuts if {c.low, c.high} == {1, 2})
        high = cut.to_high.mean()
        return high if cut.high == number + 1 else 1 - high

    assert share(after) < 0.5 * share(before)


def test_seams_keep_off_edges(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    _, owner = owners(files, poses, seams, tmp_path)
    _, plain = owners(files, poses, None, tmp_path / "plain")
    grey = DIE[: owner.shape[0], : owner.shape[1]].mean(2)
    slope = np.hypot(*np.gradient(grey))

    def at_seams(numbers):
        beside = (numbers[:, :-1] != numbers[:, 1:]) & (numbers[:, :-1] > 0) & (numbers[:, 1:] > 0)
        return slope[:, :-1][beside].mean()

    # a third of the die is edges; what is left are those that a seam has to cross
    assert at_seams(owner) < 0.85 * at_seams(plain)


def test_a_tile_more_changes_nothing_between_the_others(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    fewer = Poses(
        tuple(replace(p, status="unplaced") if k == 2 else p for k, p in enumerate(poses))
    )
    before = lead_seams(fewer, FlatField(), small_of(files))
    kept = {(c.low, c.high): c for c in seams.cuts if 3 not in (c.low, c.high)}
    assert len(kept) == len(before.cuts) > 0
    for cut in before.cuts:
        np.testing.assert_array_equal(cut.to_high, kept[cut.low, cut.high].to_high)


def test_shading_and_exposure_do_not_pass_for_differences(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    assert max(cut.step for cut in seams.cuts) < 3
    dark = replace(CUTS[0], pixels=(CUTS[0].pixels * 0.8).astype(np.uint8))
    files = write(tmp_path / "dark", [dark, *CUTS[1:]])
    small = small_of(files)
    # 0.8 of the encoded value is about 0.8^2.2 of the light
    told = Poses((replace(poses.tiles[0], exposure=0.8**2.2), *poses.tiles[1:]))
    step = {c.low: c.step for c in lead_seams(told, FlatField(), small).cuts}
    blind = {c.low: c.step for c in lead_seams(poses, FlatField(), small).cuts}
    assert step[1] < 0.3 * blind[1]


def test_small_pictures_and_seams_are_written_alike_twice(tmp_path):
    files, poses, seams = led(CUTS, tmp_path)
    small = small_of(files)
    small.write(tmp_path / "a.npz")
    small_of(files[::-1]).write(tmp_path / "b.npz")
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    again = lead_seams(poses, FlatField(), SmallPictures.read(tmp_path / "a.npz"))
    again.write(tmp_path / "again.csv", poses)
    seams.write(tmp_path / "seams.csv", poses)
    assert (tmp_path / "seams.csv").read_text() == (tmp_path / "again.csv").read_text()
    rows = read_table(tmp_path / "seams.csv", "mosaic_seams")
    assert len(rows) == len(seams.cuts)
    with pytest.raises(MaskdeltaError, match=r"nowhere\.npz: these are not the small pictures"):
        SmallPictures.read(tmp_path / "nowhere.npz")
    with pytest.raises(MaskdeltaError, match="other: the survey has no small picture"):
        small.of_tile("other")
