"""The camera: what is photographed lands where the truth says, whatever the geometry."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from maskdelta.phantom import (
    AnyMasks,
    Camera,
    CameraSettings,
    Films,
    LookSettings,
    Specimen,
    SpecimenSettings,
    make_specimen,
    photograph,
    read_truth,
    take_picture,
)

FILMS = Films(0.0, 0.537, 0.313, 0.08, 0.285, 0.079)
PLAIN = LookSettings(
    FILMS,
    outline=(0, 0, 0, 0),
    relief=0,
    under_metal=0,
    grain=0,
    grain_other=0,
    drift=0,
    film_drift=0,
    pits=0,
    rough_um=0,
    mottle=0,
)
QUIET = CameraSettings(
    tile_width=320,
    tile_height=256,
    shot_noise=0,
    read_noise=0,
    vignetting=0,
    exposure_jitter=0,
    dust=0,
    lens_px=0,
    blur_um=0.4,
    file_format="png",
)
BOX = np.array([[130, 97, 156, 131]])
DIE = (280.0, 220.0)
GEOMETRIES = {
    "plain": {},
    "turned": {"angle_deg": 31.0},
    "mirrored and turned": {"angle_deg": 93.0, "mirrored": True, "um_per_px": 0.55},
    "lens": {"lens_px": 2.0},
    "keystone and warp": {"keystone": 0.02, "warp_px": 4.0, "um_per_px": 0.424},
    "raster order": {"order": "raster"},
}


def one_box() -> AnyMasks:
    """Return a die with nothing but one box of metal."""
    return AnyMasks({"metal": BOX}, *DIE)


def _linear(image: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Decode sRGB, green only."""
    value = image[..., 1] / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _centroid(image: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the centre of the bright box, px, from the light above the level of the oxide."""
    light = _linear(image)
    # The dark border of the die must not count, so only what is brighter than oxide is weighed.
    weight = np.clip(light - 0.3, 0, 0.4)
    y, x = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    return np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum()


@pytest.mark.parametrize("case", GEOMETRIES)
def test_a_box_lands_where_the_truth_says(case: str, tmp_path: Path) -> None:
    settings = dataclasses.replace(QUIET, tile_width=480, tile_height=400, **GEOMETRIES[case])
    truth = photograph(
        Specimen(one_box()),
        tmp_path / "tiles",
        tmp_path / "truth",
        camera=settings,
        look=PLAIN,
        seed=1,
        rasters=False,
    )
    truth = read_truth(truth.folder)
    corners = np.array([(130, 97), (156, 97), (156, 131), (130, 131)], dtype=float)
    seen = 0
    for tile in truth.tiles:
        expected = truth.die_um_to_tile(tile.file, corners)
        limits = np.array([settings.tile_width, settings.tile_height]) - 7
        if (expected < 6).any() or (expected > limits).any():
            continue
        image = imagecodecs.imread(tmp_path / "tiles" / tile.file)
        seen += 1
        # 0.1 px: the box has soft edges of 2 px, 8 bits and no noise, so its centre is known well.
        assert np.abs(_centroid(image) - expected.mean(axis=0)).max() < 0.1
        back = truth.tile_to_die_um(tile.file, expected)
        np.testing.assert_allclose(back, corners, atol=1e-6)
    assert seen


def test_edges_stand_where_they_were_drawn() -> None:
    picture, camera, shot = take_picture(Specimen(one_box()), camera=QUIET, look=PLAIN, seed=1)
    light = _linear(picture)
    y = camera.from_die_um(shot, np.array([[143.0, 114.0]]))[0, 1]
    row = light[round(float(y))]
    level = (row[150:250].mean() + row.max()) / 2
    bright = np.flatnonzero(row > level)
    left, right = bright[0], bright[-1]
    edges = [
        left - (row[left] - level) / (row[left] - row[left - 1]),
        right + (row[right] - level) / (row[right] - row[right + 1]),
    ]
    expected = camera.from_die_um(shot, np.array([[130, 114], [156, 114]], dtype=float))[:, 0]
    # 0.1 px: half a level of 8 bits on an edge of 2 px is 0.01 px, linear interpolation the rest.
    np.testing.assert_allclose(edges, expected, atol=0.1)


def test_lateral_colour_moves_red_outwards_and_leaves_green() -> None:
    shown = dataclasses.replace(QUIET, red_px=2.0, blue_px=-1.0)
    specimen = Specimen(one_box())
    plain, camera, shot = take_picture(specimen, camera=QUIET, look=PLAIN, seed=1)
    picture, *_ = take_picture(specimen, camera=shown, look=PLAIN, seed=1)
    np.testing.assert_array_equal(picture[..., 1], plain[..., 1])
    middle = np.array([picture.shape[1] - 1, picture.shape[0] - 1]) / 2
    at = camera.from_die_um(shot, np.array([[143.0, 114.0]]))[0] - middle
    for channel, px in ((0, 2.0), (2, -1.0)):
        as_green = [np.repeat(image[..., channel, None], 3, axis=2) for image in (plain, picture)]
        moved = _centroid(as_green[1]) - _centroid(as_green[0])
        np.testing.assert_allclose(moved, at * px / np.hypot(*middle), atol=0.05)


def test_overlay_and_bias_move_the_edges() -> None:
    specimen = Specimen(one_box(), {"metal": (0.3, -0.2)}, {"metal": 0.25})
    field = specimen.edge_field("metal", (100, 80, 180, 150), 0.5)
    distance = specimen.edge_distance_px("metal", 0.5)[field]
    row = distance[int((114 - 80) / 0.5)]
    inside = np.flatnonzero(row > 0)
    left = inside[0] - row[inside[0]] / (row[inside[0]] - row[inside[0] - 1])
    right = inside[-1] + row[inside[-1]] / (row[inside[-1]] - row[inside[-1] + 1])
    edges_um = 100 + (np.array([left, right]) + 0.5) * 0.5
    # 0.02 um: a twenty-fifth of a pixel, what 8 bits of the field can carry at this blur.
    np.testing.assert_allclose(edges_um, [130 + 0.3 - 0.25, 156 + 0.3 + 0.25], atol=0.02)


def test_same_bytes_on_one_and_two_threads(tmp_path: Path) -> None:
    noisy = dataclasses.replace(QUIET, shot_noise=0.02, dust=3, file_format="jpg")
    before = cv2.getNumThreads()
    for threads in (1, 2):
        cv2.setNumThreads(threads)
        photograph(
            Specimen(one_box()),
            tmp_path / f"tiles{threads}",
            tmp_path / f"truth{threads}",
            camera=noisy,
            look=LookSettings(FILMS),
            seed=5,
            threads=threads,
        )
    cv2.setNumThreads(before)
    for kind in ("tiles", "truth"):
        files = sorted(p.name for p in (tmp_path / f"{kind}1").iterdir())
        assert files == sorted(p.name for p in (tmp_path / f"{kind}2").iterdir())
        for name in files:
            one, two = ((tmp_path / f"{kind}{n}" / name).read_bytes() for n in (1, 2))
            assert one == two, name


@pytest.mark.parametrize(("suffix", "bits"), [("jpg", 8), ("png", 8), ("png", 16), ("tif", 16)])
def test_formats(suffix: str, bits: int, tmp_path: Path) -> None:
    settings = dataclasses.replace(QUIET, file_format=suffix, bits=bits)
    photograph(
        Specimen(one_box()),
        tmp_path / "tiles",
        tmp_path / "truth",
        camera=settings,
        look=PLAIN,
        seed=1,
        rasters=False,
    )
    image = imagecodecs.imread(sorted((tmp_path / "tiles").iterdir())[0])
    assert image.shape == (256, 320, 3)
    assert image.dtype == (np.uint8 if bits == 8 else np.uint16)


def test_one_finished_picture_holds_the_whole_die(tmp_path: Path) -> None:
    turned = dataclasses.replace(QUIET, angle_deg=20.0, mirrored=True)
    truth = photograph(
        Specimen(one_box()),
        tmp_path / "tiles",
        tmp_path / "truth",
        camera=turned,
        look=PLAIN,
        seed=1,
        whole=True,
        rasters=False,
    )
    (tile,) = truth.tiles
    image = imagecodecs.imread(tmp_path / "tiles" / tile.file)
    corners = truth.die_um_to_tile(tile.file, [(0, 0), (280, 0), (280, 220), (0, 220)])
    assert (corners >= 0).all()
    assert (corners <= [image.shape[1] - 1, image.shape[0] - 1]).all()
    middle = truth.die_um_to_tile(tile.file, [(143, 114)])[0]
    assert np.abs(_centroid(image) - middle).max() < 0.1


def test_dirt_is_dark_where_the_truth_says_spoiled(tmp_path: Path) -> None:
    settings = SpecimenSettings(debris_per_mm2=300, scratches=3, wires=0, broken_corner_um=60)
    specimen = make_specimen(AnyMasks({}, *DIE), settings, seed=2)
    bare = Specimen(AnyMasks({}, *DIE))
    pictures = [
        take_picture(s, camera=QUIET, look=PLAIN, seed=1)[0].astype(int) for s in (specimen, bare)
    ]
    _, camera, shot = take_picture(bare, camera=QUIET, look=PLAIN, seed=1)
    changed = np.abs(pictures[0] - pictures[1]).max(axis=-1)
    spoiled = specimen.dirt.spoiled((0, 0, *DIE), 1.0)
    assert 0.02 < spoiled.mean() < 0.6
    y, x = np.mgrid[0:220, 0:280]
    px = camera.from_die_um(shot, np.stack([x.ravel() + 0.5, y.ravel() + 0.5], axis=1))
    column, row = np.round(px).astype(int).T
    difference = changed[row, column].reshape(220, 280)
    inner = cv2.erode(spoiled, np.ones((5, 5), np.uint8)) > 0
    outer = cv2.dilate(spoiled, np.ones((9, 9), np.uint8)) == 0
    assert np.median(difference[inner]) > 30
    # Beyond the soft border of the dirt nothing but rounding is left.
    assert np.quantile(difference[outer], 0.99) <= 8


def test_missing_tiles_and_shuffled_names(tmp_path: Path) -> None:
    masks = AnyMasks({"metal": BOX}, 900, 700)
    settings = dataclasses.replace(QUIET, missing=2, shuffled=True)
    full = Camera(Specimen(masks), dataclasses.replace(settings, missing=0), PLAIN, 1)
    camera = Camera(Specimen(masks), settings, PLAIN, 1)
    assert len(camera.shots) == len(full.shots) - 2
    names = [shot.file for shot in camera.shots]
    assert names != sorted(names)


def test_neighbours_overlap_as_much_as_told() -> None:
    masks = AnyMasks({"metal": BOX}, 900, 700)
    camera = Camera(Specimen(masks), dataclasses.replace(QUIET, stage_error=0.0), PLAIN, 1)
    first, second = camera.shots[:2]
    step = np.subtract(second.origin_px, first.origin_px)
    np.testing.assert_allclose(step, [256, 0])


def test_truth_rasters_show_specimen_or_drawing(tmp_path: Path) -> None:
    specimen = Specimen(one_box(), {"metal": (3.0, 0.0)})
    for drawn, left in ((False, 133), (True, 130)):
        truth = photograph(
            specimen,
            tmp_path / "tiles",
            tmp_path / f"truth{drawn}",
            camera=QUIET,
            look=PLAIN,
            seed=1,
            drawn=drawn,
        )
        metal = truth.raster("layers")[5]
        assert metal.shape == (220, 280)
        assert np.flatnonzero(metal[114])[0] == left
        assert truth.raster("visible")[0][114, 140] == 0
        assert truth.raster("spoiled").sum() == 0


def test_polygons_of_a_layout_file_are_photographed() -> None:
    """Masks from GDSII: polygons, with y turned down once."""
    gdstk = pytest.importorskip("gdstk")

    height = 220.0
    cell = gdstk.Cell("any")
    cell.add(gdstk.rectangle((40, 60), (90, 100), layer=68, datatype=20))
    shapes = [
        np.array([0, height]) + p.points * np.array([1, -1])
        for p in cell.get_polygons(layer=68, datatype=20)
    ]
    masks = AnyMasks({"metal": shapes}, 280, height)
    picture, camera, shot = take_picture(Specimen(masks), camera=QUIET, look=PLAIN, seed=1)
    corners = np.array([(40, 120), (90, 120), (90, 160), (40, 160)], dtype=float)
    expected = camera.from_die_um(shot, corners).mean(axis=0)
    assert np.abs(_centroid(picture) - expected).max() < 0.1


def test_images_as_masks() -> None:
    image = np.zeros((220, 280), dtype=np.uint8)
    image[97:131, 130:156] = 1
    masks = AnyMasks({"metal": image}, *DIE, image_um_per_px=1.0)
    boxes = one_box()
    for box in ((-10.0, -10.0, 300.0, 240.0), (120.0, 90.0, 150.0, 120.0)):
        assert np.array_equal(
            masks.mask("metal", box, um_per_px=0.5), boxes.mask("metal", box, um_per_px=0.5)
        )


def test_polygons_as_masks() -> None:
    corners = [(130, 97), (156, 97), (156, 131), (130, 131)]
    masks = AnyMasks({"metal": [np.array(corners, dtype=float)]}, *DIE)
    box = (120.0, 90.0, 170.0, 140.0)
    assert np.array_equal(
        masks.mask("metal", box, um_per_px=0.5), one_box().mask("metal", box, um_per_px=0.5)
    )


def test_jpeg_of_16_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="JPEG holds 8 bits"):
        CameraSettings(file_format="jpg", bits=16)


def test_unknown_layer_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown layer 'gold'"):
        AnyMasks({"gold": BOX}, 10, 10)


def test_sixteen_bit_tiff_bytes_carry_no_date(tmp_path: Path) -> None:
    settings = dataclasses.replace(QUIET, file_format="tif", bits=16)
    photograph(
        Specimen(one_box()),
        tmp_path / "tiles",
        tmp_path / "truth",
        camera=settings,
        look=PLAIN,
        seed=1,
        rasters=False,
    )
    with tifffile.TiffFile(sorted((tmp_path / "tiles").iterdir())[0]) as tif:
        assert "DateTime" not in tif.pages[0].tags
        assert "Software" not in tif.pages[0].tags
