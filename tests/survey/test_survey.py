"""The survey finds neighbours, judges tiles, and says in one sentence what is wrong."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from maskdelta.errors import ImageError, StitchError
from maskdelta.study import ViewSettings
from maskdelta.survey import Survey, survey
from tile_scenes import (
    NOWHERE,
    PATTERN,
    SURVEY,
    grid,
    make_die,
    shaded,
    take_tiles,
    write,
)

CUTS = take_tiles(make_die())
TRUTH = {cut.name: np.array([cut.centre_x_px, cut.centre_y_px]) for cut in CUTS}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    return write(tmp_path_factory.mktemp("tiles"), CUTS)


def run(files, view=None, **more):
    return survey(files, view=view or grid(), settings=SURVEY, **more)


def shift_errors(result):
    return [
        np.hypot(
            *(np.array([row["dx_px"], row["dy_px"]]) - TRUTH[row["file_b"]] + TRUTH[row["file_a"]])
        )
        for row in result.neighbours
    ]


@pytest.mark.parametrize("overlap", [0.125, 0.25, 0.375])
def test_finds_the_step_though_the_nominal_overlap_is_wrong_by_half(files, overlap):
    result = run(files, grid(overlap=overlap))
    assert len(result.neighbours) == 20  # 12 beside one another, 8 across corners
    # a whole small px; full resolution comes later
    assert max(shift_errors(result)) < 1.5


def test_without_places_every_pair_is_tried(files):
    result = run(files, NOWHERE)
    assert result.figures["pairs_tried"] == 36
    assert sorted(shift_errors(result))[19] < 1.5


@pytest.mark.parametrize("unit", [1.0, 0.013, 250.0])
def test_positions_may_be_in_any_unit(files, tmp_path, unit):
    table = tmp_path / "positions.csv"
    lines = [f"{n},{(x + 500) * unit},{(y - 90) * unit}" for n, (x, y) in TRUTH.items()]
    table.write_text("file,x,y\n" + "\n".join(lines) + "\n", encoding="utf-8")
    result = run(files, ViewSettings(tiles="*", positions=str(table)))
    assert result.figures["places"] == "positions"
    np.testing.assert_allclose(
        result.figures["px_per_unit"], np.eye(2) / unit, atol=0.02 / unit
    )  # 0.02: coarse shifts are good to about 2 % of a step here
    assert max(shift_errors(result)) < 1.5


@pytest.mark.parametrize("up", [1, -1], ids=["y down", "y up"])
def test_positions_are_read_from_ome_metadata(tmp_path, up):
    paths = []
    for cut in CUTS:
        paths.append(tmp_path / f"{cut.name}.ome.tif")
        plane = {
            "PositionX": cut.centre_x_px / 4000,
            "PositionXUnit": "mm",
            "PositionY": up * cut.centre_y_px / 4,
            "PositionYUnit": "\xb5m",
        }
        tifffile.imwrite(
            paths[-1], cut.pixels, photometric="rgb", metadata={"axes": "YXS", "Plane": plane}
        )
    result = run(paths, ViewSettings(tiles="*", positions="ome"))
    expected = np.diag([4.0, up * 4.0])
    np.testing.assert_allclose(result.figures["px_per_unit"], expected, atol=0.08)
    assert len(result.neighbours) == 20


def test_tiles_without_ome_positions_are_named(files):
    with pytest.raises(ImageError, match=r"r00c00\.png: no stage position was found"):
        run(files, ViewSettings(tiles="*", positions="ome"))


def test_a_position_that_is_missing_is_named(files, tmp_path):
    table = tmp_path / "positions.csv"
    table.write_text("file,x,y\nr00c00.png,0,0\n", encoding="utf-8")
    with pytest.raises(ImageError, match=r"8 tiles have no position, the first is r00c01\.png"):
        run(files, ViewSettings(tiles="*", positions=str(table)))


def test_a_wrong_order_is_refused_and_the_right_one_named(files):
    with pytest.raises(StitchError, match=r"set `grid.order: raster_rows`"):
        run(files, grid(order="snake_rows"))


def test_missing_running_numbers_are_named(tmp_path):
    cuts = [replace(cut, name=f"t{k + 1}.png") for k, cut in enumerate(CUTS) if k not in (3, 6)]
    with pytest.raises(StitchError, match=r"7 tiles.*missing by their numbers: 4, 7"):
        run(write(tmp_path, cuts))


def test_missing_tiles_of_a_pattern_become_gaps(tmp_path):
    gone = {"r01c01.png", "r02c02.png"}
    files = write(tmp_path, [cut for cut in CUTS if cut.name not in gone])
    result = run(files, grid(name_pattern=PATTERN))
    rows = {row["file"]: row for row in result.quality}
    start = TRUTH["r00c00.png"] - [rows["r00c00.png"][k] for k in ("x_px", "y_px")]
    found = [np.array([gap["x_px"], gap["y_px"]]) + start for gap in result.gaps]
    for name in gone:  # the stage error is 5 px
        assert min(np.hypot(*(place - TRUTH[name])) for place in found) < 15
    assert len(found) == 2


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        (r"r(\d+)c(\d+)", r"needs the groups"),
        (r"(?P<row>\d+)_(?P<column>\d+)", r"r00c00\.png: the name does not fit"),
        (r"(?P<row>r)(?P<column>\d+)", r"finds no numbers"),
        (r"(", r"not a regular expression"),
    ],
)
def test_a_bad_name_pattern_is_explained(files, pattern, message):
    with pytest.raises(StitchError, match=message):
        run(files, grid(name_pattern=pattern))


def test_a_tile_outside_the_grid_is_named(files):
    with pytest.raises(StitchError, match=r"r02c00\.png: row 2, column 0 lies outside"):
        run(files, grid(rows=2, name_pattern=PATTERN))


def test_two_tiles_of_one_name_are_refused(files, tmp_path):
    other = write(tmp_path / "more", CUTS[:1])
    with pytest.raises(ImageError, match=r"same name .*rename one"):
        run([*files, *other])


def test_mixed_depths_are_refused(tmp_path):
    cuts = list(CUTS)
    cuts[4] = replace(cuts[4], pixels=cuts[4].pixels.astype(np.uint16) * 257)
    with pytest.raises(ImageError, match=r"r01c01\.png: 16 bits per channel.*8; export"):
        run(write(tmp_path, cuts))


def test_no_tile_and_tiny_tiles_are_refused(tmp_path):
    with pytest.raises(ImageError, match="no tile was found"):
        run([])
    tiny = replace(CUTS[0], pixels=CUTS[0].pixels[:20, :50])
    with pytest.raises(ImageError, match="50 x 20 px is too small"):
        run(write(tmp_path, [tiny]))


def test_too_many_tiles_without_places_are_refused(tmp_path):
    small = [replace(CUTS[0], name=f"{k}.png", pixels=CUTS[0].pixels[:40, :40]) for k in range(61)]
    with pytest.raises(StitchError, match=r"61 tiles .*1830 comparisons; give `grid`"):
        run(write(tmp_path, small), NOWHERE)


def test_a_blurred_tile_is_called_out_of_focus(tmp_path):
    cuts = list(CUTS)
    cuts[4] = replace(cuts[4], pixels=cv2.GaussianBlur(cuts[4].pixels, (0, 0), 3))
    rows = {row["file"]: row for row in run(write(tmp_path, cuts)).quality}
    assert rows["r01c01.png"]["flags"] == "out of focus"
    assert [name for name, row in rows.items() if row["flags"]] == ["r01c01.png"]


def test_a_copy_and_an_overexposed_tile_are_flagged(tmp_path):
    cuts = list(CUTS)
    bright = np.clip(cuts[0].pixels.astype(int) + 110, 0, 255).astype(np.uint8)
    cuts[0] = replace(cuts[0], pixels=bright)
    cuts.append(replace(cuts[5], name="r01c02 again.png"))
    view = grid(name_pattern=PATTERN)
    rows = {row["file"]: row for row in run(write(tmp_path, cuts), view).quality}
    assert rows["r01c02.png"]["flags"] == "same file as r01c02 again.png"  # natural order
    assert "overexposed" in rows["r00c00.png"]["flags"]


def test_exposures_are_found(tmp_path):
    cuts, exposures = shaded(take_tiles(make_die(), 3, 3), seed=2)
    result = run(write(tmp_path, cuts))
    found = np.array([row["exposure"] for row in result.quality])
    ratio = np.log(found / exposures)
    # a slope of the shading trades against exposures; with nine tiles half of a
    # spread of 5 % may be left
    assert np.std(ratio) < 0.03


def test_order_of_files_and_threads_do_not_matter(files, tmp_path):
    run(files).write(tmp_path / "one")
    run(files[::-1], threads=2).write(tmp_path / "two")
    for name in ("quality.csv", "neighbours.csv", "flat_field.json", "survey.json", "small.npz"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_reads_what_it_wrote(files, tmp_path):
    result = run(files)
    result.write(tmp_path)
    again = Survey.read(tmp_path)
    assert again.quality == result.quality
    assert again.neighbours == result.neighbours
    assert again.gaps == result.gaps
    assert again.figures == result.figures
    np.testing.assert_array_equal(again.flat_field.gain((30, 40)), result.flat_field.gain((30, 40)))


def test_a_finished_picture_is_one_tile(tmp_path):
    files = write(tmp_path, CUTS[:1])
    result = run(files, ViewSettings(picture="x.png"))
    assert len(result.quality) == 1
    assert result.neighbours == []
    assert result.gaps == []
    assert result.flat_field.order == 0


def test_colour_profiles_are_noted(tmp_path):
    (plain, *_), profile = write(tmp_path, CUTS[:1]), ImageCms.createProfile("sRGB")
    path = tmp_path / "with_profile.png"
    with Image.open(plain) as image:
        image.save(path, icc_profile=ImageCms.ImageCmsProfile(profile).tobytes())
    view = ViewSettings(tiles="*")
    assert run([path], view).figures["colour_profiles"] == 1
    assert run([plain], view).figures["colour_profiles"] == 0
