"""Tiles without any stage, found in a photograph of the whole die."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from maskdelta.errors import StitchError
from maskdelta.images import natural_key
from maskdelta.stitch import place
from maskdelta.study import ViewSettings
from maskdelta.survey import survey
from tile_scenes import STITCH, SURVEY, errors_px, make_die, take_tiles, write

SHAPE = (1500, 1900)
ARRAY = (500, 400, 1500, 1100)


def overview_of(die: np.ndarray, *, ratio: float = 3.6, angle_deg: float = 2.0) -> np.ndarray:
    """The die through a weaker lens, a little turned, in other light, with its own noise."""
    height, width = die.shape[:2]
    t = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) / ratio
    middle = np.array([width, height]) / 2
    size = np.ceil(np.array([width, height]) / ratio + 40).astype(int)
    to_view = np.column_stack([turn, size / 2 - turn @ middle])
    soft = cv2.GaussianBlur(die.astype(np.float32), (0, 0), 0.5 * ratio)
    seen = cv2.warpAffine(soft, to_view, size.tolist(), borderValue=(30, 30, 30))
    seen = 20 + 0.75 * seen + np.random.default_rng(8).normal(0, 2, seen.shape)
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def stitched(files, view):
    found = survey(files, view=view, settings=SURVEY, threads=2)
    return place(files, found, settings=STITCH, threads=2)


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    folder = tmp_path_factory.mktemp("overview")
    die = make_die(SHAPE, seed=4, array=ARRAY, odd_frac=0.15)
    cuts = take_tiles(die, 4, 5, overlap_frac=0.2, jitter_px=15)
    # names in an order that says nothing
    order = np.random.default_rng(3).permutation(len(cuts))
    cuts = [replace(cuts[k], name=f"shot{n}.png") for n, k in enumerate(order)]
    cv2.imwrite(str(folder / "whole.png"), overview_of(die))
    return folder, write(folder / "tiles", cuts), cuts


def test_tiles_are_placed_by_an_overview(scene):
    folder, files, cuts = scene
    view = ViewSettings(tiles="*", overview=str(folder / "whole.png"))
    found = survey(files, view=view, settings=SURVEY, threads=2)
    everywhere = len(cuts) * (len(cuts) - 1) / 2
    assert found.figures["places"] == "positions"
    # only neighbours are tried, not all pairs
    assert found.figures["pairs_tried"] < 0.6 * everywhere
    result = stitched(files, view)
    assert all(pose.placed for pose in result.poses)
    assert not any(pose.modulo_pitch for pose in result.poses)
    assert max(errors_px(result.poses, cuts).values()) < 0.15


def test_places_in_the_overview_are_exact_to_a_fraction_of_its_px(scene):
    folder, files, cuts = scene
    view = ViewSettings(tiles="*", overview=str(folder / "whole.png"))
    found = survey(files, view=view, settings=SURVEY)
    names = sorted((cut.name for cut in cuts), key=natural_key)
    by_name = {cut.name: (cut.centre_x_px, cut.centre_y_px) for cut in cuts}
    true = np.array([by_name[name] for name in names])
    nominal = np.array([found.figures["nominal_px"][name] for name in names])
    miss = (nominal - nominal.mean(0)) - (true - true.mean(0))
    assert np.sqrt((miss**2).sum(1).mean()) < 2.0  # of px of the tiles, at a ratio of 3.6


def test_a_tile_of_another_chip_is_not_forced_into_the_overview(scene, tmp_path):
    folder, _, cuts = scene
    alien = replace(take_tiles(make_die(SHAPE, seed=77), 4, 5, seed=9)[7], name="alien.png")
    view = ViewSettings(tiles="*", overview=str(folder / "whole.png"))
    result = stitched(write(tmp_path, [*cuts, alien]), view)
    placed = {pose.file for pose in result.poses if pose.placed}
    assert placed == {cut.name for cut in cuts}


def test_an_overview_of_another_die_is_refused(scene, tmp_path):
    _, files, _ = scene
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), overview_of(make_die(SHAPE, seed=55)))
    view = ViewSettings(tiles="*", overview=str(other))
    with pytest.raises(StitchError, match="too few tiles were recognised"):
        survey(files, view=view, settings=SURVEY)


def test_tiles_of_equal_cells_are_not_put_anywhere(tmp_path):
    """An overview cannot tell one pitch from the next where the tile shows nothing odd."""
    array = (330, 280, 1650, 1260)
    die = make_die(SHAPE, seed=4, array=array)
    cuts = take_tiles(die, 4, 5, overlap_frac=0.2, jitter_px=15)
    height, width = cuts[0].pixels.shape[:2]
    x0, y0, x1, y1 = array
    inside = {
        cut.name
        for cut in cuts
        if x0 < cut.centre_x_px - width / 2 < cut.centre_x_px + width / 2 < x1
        and y0 < cut.centre_y_px - height / 2 < cut.centre_y_px + height / 2 < y1
    }
    cv2.imwrite(str(tmp_path / "whole.png"), overview_of(die))
    files = write(tmp_path / "tiles", cuts)
    view = ViewSettings(tiles="*", overview=str(tmp_path / "whole.png"))
    found = survey(files, view=view, settings=SURVEY, threads=2)
    flagged = {row["file"] for row in found.quality if "several places" in row["flags"]}
    assert inside
    assert flagged == inside
    result = place(files, found, settings=STITCH, threads=2)
    assert {pose.file for pose in result.poses if not pose.placed} == inside
    assert max(errors_px(result.poses, cuts).values()) < 0.15
