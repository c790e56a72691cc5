"""Tiles come to lie where they were cut, and what cannot be known is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.ndimage

from maskdelta.errors import StitchError
from maskdelta.stitch import place
from maskdelta.study import Poses, ViewSettings
from maskdelta.survey import survey
from tile_scenes import (
    NOWHERE,
    PATTERN,
    STITCH,
    SURVEY,
    errors_px,
    grid,
    make_die,
    take_tiles,
    write,
)

DIE = make_die()
CUTS = take_tiles(DIE)


def run(files, view=None, **more):
    threads = more.pop("threads", 1)
    found = survey(files, view=view or grid(), settings=SURVEY, threads=threads)
    return place(files, found, settings=more.pop("settings", STITCH), threads=threads, **more)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    return write(tmp_path_factory.mktemp("tiles"), CUTS)


@pytest.fixture(scope="module")
def placement(files):
    return run(files)


def test_tiles_lie_where_they_were_cut(placement):
    assert placement.figures["placed"] == 9
    # noise of 2 grey levels leaves 0.01 px; interpolation when cutting leaves as much
    assert max(errors_px(placement.poses, CUTS).values()) < 0.06
    assert placement.notes == ()


def test_claimed_variances_are_positive_and_grow_from_the_corner(placement):
    variances = {pose.file: pose.var_x_px2 for pose in placement.poses}
    assert variances["r00c00.png"] == 0
    assert all(0 < v < 0.01 for name, v in variances.items() if name != "r00c00.png")
    assert variances["r02c02.png"] > variances["r01c01.png"]


def test_the_frame_starts_at_the_upper_left(placement):
    low = np.min([pose.outline().min(0) for pose in placement.poses], axis=0)
    assert (low >= -0.5).all()
    assert (low < 0.5 + 12).all()  # two tiles may be off by the stage error, 5 px each
    corner = placement.poses.find("r00c00.png").to_mosaic([[0, 0]])
    np.testing.assert_allclose(corner, np.rint(corner), atol=1e-4)


def test_order_of_files_and_threads_do_not_matter(files, placement, tmp_path):
    placement.write(tmp_path / "one")
    run(files[::-1], threads=2).write(tmp_path / "two")
    for name in ("tiles.csv", "pairs.csv", "stitch.json"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_tables_read_back_as_they_were(placement, tmp_path):
    placement.write(tmp_path)
    assert Poses.read(tmp_path / "tiles.csv") == placement.poses


def test_without_places_it_is_the_same(files, placement):
    free = run(files, NOWHERE)
    for one, two in zip(free.poses, placement.poses, strict=True):
        # other false starts, same pairs in the end
        assert abs(one.centre_x_px - two.centre_x_px) < 0.02
        assert abs(one.centre_y_px - two.centre_y_px) < 0.02


@pytest.mark.parametrize("depth", ["grey", "16 bit"])
def test_other_depths(tmp_path, depth):
    def change(pixels):
        return pixels[..., 1] if depth == "grey" else pixels.astype(np.uint16) * 257

    files = write(tmp_path, [replace(cut, pixels=change(cut.pixels)) for cut in CUTS])
    assert max(errors_px(run(files).poses, CUTS).values()) < 0.06


def test_tiles_of_other_sizes(tmp_path):
    cuts = list(CUTS)
    big = cuts[4].pixels
    cuts[4] = replace(
        cuts[4],
        pixels=big[:-10, :-16],
        centre_x_px=cuts[4].centre_x_px - 8,
        centre_y_px=cuts[4].centre_y_px - 5,
    )
    assert max(errors_px(run(write(tmp_path, cuts)).poses, cuts).values()) < 0.06


def test_placing_again_with_its_own_result_changes_nothing(files, placement):
    again = run(files, anchor=placement.poses, earlier_pairs=placement.pairs)
    assert again.poses == placement.poses
    assert again.pairs == placement.pairs


def test_an_added_tile_leaves_the_others_where_they_are(tmp_path):
    view = grid(name_pattern=PATTERN)
    first = write(tmp_path, [cut for cut in CUTS if cut.name != "r00c00.png"])
    old = run(first, view)
    new = run(write(tmp_path, CUTS), view, anchor=old.poses, earlier_pairs=old.pairs)
    for pose in old.poses:
        assert new.poses.find(pose.file) == pose
    assert max(errors_px(new.poses, CUTS).values()) < 0.06
    added = new.poses.find("r00c00.png")
    assert added.status == "placed"
    assert added.centre_x_px < old.poses.find("r00c01.png").centre_x_px
    assert new.figures["strain"]["pairs"] == 3
    assert new.figures["strain"]["max_px"] < 0.1
    assert {(row["file_a"], row["file_b"]) for row in old.pairs} < {
        (row["file_a"], row["file_b"]) for row in new.pairs
    }


def test_an_earlier_placement_that_no_longer_fits_is_reported(tmp_path):
    view = grid(name_pattern=PATTERN)
    old = run(write(tmp_path, [cut for cut in CUTS if cut.name != "r01c01.png"]), view)
    bent = Poses.of(
        [
            replace(p, centre_x_px=p.centre_x_px + 4) if p.file.startswith("r00") else p
            for p in old.poses
        ]
    )
    new = run(write(tmp_path, CUTS), view, anchor=bent)
    assert new.poses.find("r00c00.png") == bent.find("r00c00.png")
    assert "fits the new tiles badly" in " ".join(new.notes)
    fresh = run(
        write(tmp_path, CUTS), view, anchor=bent, settings=STITCH.model_copy(update={"refit": True})
    )
    assert max(errors_px(fresh.poses, CUTS).values()) < 0.06


def test_a_missing_tile_moves_nobody_far(tmp_path):
    cuts = [cut for cut in CUTS if cut.name != "r01c01.png"]
    result = run(write(tmp_path, cuts), grid(name_pattern=PATTERN))
    assert result.figures["placed"] == 8
    assert max(errors_px(result.poses, CUTS).values()) < 0.08


def test_a_copy_is_rejected(tmp_path):
    cuts = [*CUTS, replace(CUTS[5], name="r01c02_copy.png")]
    result = run(write(tmp_path, cuts), grid(name_pattern=PATTERN))
    copy = result.poses.find("r01c02_copy.png")
    assert (copy.status, copy.why) == ("rejected", "same file as r01c02.png")
    assert result.figures["placed"] == 9


@pytest.mark.parametrize("view", [grid(name_pattern=PATTERN), NOWHERE], ids=["grid", "nowhere"])
def test_a_tile_of_another_chip_is_not_placed(tmp_path, view):
    stranger = take_tiles(make_die(seed=99))[4]
    cuts = [stranger if cut.name == "r01c01.png" else cut for cut in CUTS]
    result = run(write(tmp_path, cuts), view)
    pose = result.poses.find("r01c01.png")
    assert pose.status in ("unplaced", "rejected")
    assert any(character.isdigit() for character in pose.why) or "no neighbour" in pose.why
    assert max(errors_px(result.poses, CUTS).values()) < 0.08


def test_groups_that_nothing_ties_together_are_islands(tmp_path):
    wide = take_tiles(make_die((640, 1300)), 3, 5)
    cuts = [cut for cut in wide if not cut.name.endswith("c02.png")]
    result = run(write(tmp_path, cuts), grid(3, 5, name_pattern=PATTERN))
    islands = {pose.file[3:6]: pose.island for pose in result.poses}
    assert islands["c00"] == islands["c01"] != islands["c03"] == islands["c04"]
    for island in (0, 1):
        assert max(errors_px(result.poses, cuts, island=island).values()) < 0.06
    assert result.notes == ("1 group(s) of tiles are not tied to the largest one.",)


def test_nothing_in_common_is_refused(tmp_path):
    cuts = [replace(take_tiles(make_die(seed=k))[0], name=f"r0c{k}.png") for k in range(2)]
    view = grid(1, 2, name_pattern=PATTERN)
    with pytest.raises(StitchError, match=r"none of 2 tiles could be tied"):
        run(write(tmp_path, cuts), view)


def test_files_of_another_survey_are_refused(files, tmp_path):
    found = survey(files, view=grid(), settings=SURVEY)
    other = write(tmp_path, [replace(CUTS[0], name="new.png")])
    with pytest.raises(StitchError, match=r"new\.png: .*run the survey again"):
        place([*files, *other], found, settings=STITCH)


def test_a_finished_picture_is_placed(tmp_path):
    files = write(tmp_path, CUTS[:1])
    result = run(files, ViewSettings(picture="x.png"))
    pose = result.poses.tiles[0]
    assert pose.placed
    np.testing.assert_allclose(pose.to_mosaic([[0, 0]]), [[0, 0]])


ARRAY = (216, 168, 1032, 840)  # whole cells of 24 px
ARRAY_SHAPE = (1020, 1260)
STAGE_PX = 10.0  # far more than a sixth of the pitch, so that the grid itself decides nothing


def in_array(cuts):
    height, width = cuts[0].pixels.shape[:2]
    x0, y0, x1, y1 = ARRAY
    return {
        cut.name
        for cut in cuts
        if cut.centre_x_px - width / 2 > x0
        and cut.centre_x_px + width / 2 < x1
        and cut.centre_y_px - height / 2 > y0
        and cut.centre_y_px + height / 2 < y1
    }


def test_tiles_that_see_nothing_but_repetition_are_flagged(tmp_path):
    cuts = take_tiles(
        make_die(ARRAY_SHAPE, array=ARRAY), 5, 5, overlap_frac=0.25, jitter_px=STAGE_PX
    )
    result = run(write(tmp_path, cuts), grid(5, 5), threads=2)
    flagged = {pose.file for pose in result.poses if pose.modulo_pitch}
    assert in_array(cuts)
    assert flagged == in_array(cuts)
    errors = errors_px(result.poses, cuts)
    assert max(error for name, error in errors.items() if name not in flagged) < 0.1
    assert any("whole pitches" in note for note in result.notes)


def test_odd_cells_decide(tmp_path):
    cuts = take_tiles(
        make_die(ARRAY_SHAPE, array=ARRAY, odd_frac=0.12),
        5,
        5,
        overlap_frac=0.25,
        jitter_px=STAGE_PX,
    )
    result = run(write(tmp_path, cuts), grid(5, 5), threads=2)
    assert not any(pose.modulo_pitch for pose in result.poses)
    assert max(errors_px(result.poses, cuts).values()) < 0.1


@pytest.mark.parametrize(("error_px", "decided"), [(1.5, True), (9.0, False)])
def test_stage_positions_decide_only_where_they_are_exact(tmp_path, error_px, decided):
    cuts = take_tiles(
        make_die(ARRAY_SHAPE, array=ARRAY), 5, 5, overlap_frac=0.25, jitter_px=STAGE_PX
    )
    rng = np.random.default_rng(5)
    table = tmp_path / "stage.csv"
    lines = []
    for cut in cuts:
        dx, dy = rng.normal(0, error_px, 2)
        lines.append(f"{cut.name},{2 * (cut.centre_x_px + dx)},{2 * (cut.centre_y_px + dy)}")
    table.write_text("file,x,y\n" + "\n".join(lines) + "\n", encoding="utf-8")
    view = ViewSettings(tiles="*", positions=str(table))
    result = run(write(tmp_path / "tiles", cuts), view, threads=2)
    flagged = {pose.file for pose in result.poses if pose.modulo_pitch}
    assert flagged == (set() if decided else in_array(cuts))
    errors = errors_px(result.poses, cuts)
    assert max(error for name, error in errors.items() if name not in flagged) < 0.15


@pytest.mark.parametrize("term", [0.012, -0.009])
def test_the_lens_is_found_and_taken_out(tmp_path, term):
    """Tiles seen through p -> p (1 + term r^2 / R^2) from the middle, as Pose.to_mosaic has it."""
    cuts = take_tiles(DIE, noise=0)
    height, width = cuts[0].pixels.shape[:2]
    y, x = np.mgrid[:height, :width].astype(float)
    px, py = x - (width - 1) / 2, y - (height - 1) / 2
    factor = 1 + term * 4 * (px * px + py * py) / (width**2 + height**2)
    bent = []
    for cut in cuts:
        at = [py * factor + cut.centre_y_px, px * factor + cut.centre_x_px]
        planes = [scipy.ndimage.map_coordinates(DIE[..., c].astype(float), at) for c in range(3)]
        pixels = np.rint(np.clip(np.stack(planes, -1), 0, 255)).astype(np.uint8)
        bent.append(replace(cut, pixels=pixels))
    result = run(write(tmp_path, bent))
    assert result.figures["lens"] == pytest.approx(term, rel=0.02)  # 0.04 px at the corner
    assert all(pose.lens == result.figures["lens"] for pose in result.poses)
    assert max(errors_px(result.poses, cuts).values()) < 0.1
    plain = run(write(tmp_path, bent), settings=STITCH.model_copy(update={"lens": False}))
    assert plain.figures["lens"] == 0


def test_no_lens_gives_no_term(placement):
    assert placement.figures["lens"] == 0
