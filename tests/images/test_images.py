"""Pictures: colour by the standard, tiles as people have them, rasters to the bit."""

from __future__ import annotations

from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from maskdelta.errors import ImageError
from maskdelta.images import (
    Box,
    Output,
    Raster,
    blocks_of,
    grey,
    linear_to_srgb,
    list_tiles,
    map_block,
    map_ordered,
    probe_picture,
    read_picture,
    srgb_curve,
    srgb_inverse,
    srgb_to_linear,
    write_raster,
    write_rasters,
)


def test_srgb_values_of_the_standard() -> None:
    # IEC 61966-2-1:1999, 5.2: the two branches meet at 0.04045 / 0.0031308; 12.92 is the slope
    assert srgb_inverse(0.04045) == pytest.approx(0.04045 / 12.92)
    assert srgb_inverse(1.0) == pytest.approx(1.0)
    assert srgb_curve(0.0031308) == pytest.approx(0.0031308 * 12.92, abs=1e-5)
    # common practice, no source: mid grey of 18 % linear light is coded as about 118 of 255
    assert round(float(srgb_curve(0.18)) * 255) == 118


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_every_code_survives_linear_light(dtype) -> None:
    top = np.iinfo(dtype).max
    codes = np.arange(top + 1, dtype=dtype).reshape(-1, 256)
    again = linear_to_srgb(srgb_to_linear(codes), dtype)
    # 16-bit codes near black are finer than 16-bit linear light: 1/65535 * 12.92 codes a step
    assert np.abs(again.astype(int) - codes).max() <= (0 if dtype == np.uint8 else 7)


@pytest.mark.parametrize("shape", [(0, 3), (5,), (4, 7, 3)])
def test_linear_light_of_any_shape_is_coded_and_clipped(shape, rng) -> None:
    linear = rng.uniform(-0.2, 1.2, shape).astype(np.float32)
    coded = linear_to_srgb(linear)
    assert coded.shape == shape
    # 16-bit steps of linear light are finer than those of the code
    assert np.abs(coded - 255 * srgb_curve(np.clip(linear, 0, 1))).max(initial=0) < 0.6


def test_grey_does_not_depend_on_the_rows_taken_at_a_time(rng) -> None:
    image = rng.integers(0, 256, (150, 9, 3), dtype=np.uint8)
    np.testing.assert_allclose(grey(image), image.mean(axis=2), atol=1e-4)


def test_grey_is_the_mean_of_the_channels_at_either_depth() -> None:
    image = np.array([[[10, 20, 60]]], np.uint8)
    assert grey(image)[0, 0] == pytest.approx(30)
    assert grey(image.astype(np.uint16) * 257)[0, 0] == pytest.approx(30, abs=1e-3)


@pytest.fixture
def picture(rng) -> np.ndarray:
    small = rng.integers(0, 255, (12, 16, 3)).astype(np.uint8)
    return cv2.resize(small, (64, 48), interpolation=cv2.INTER_CUBIC)


@pytest.mark.parametrize("suffix", ["png", "tif", "webp"])
def test_lossless_pictures_are_read_as_they_are(tmp_path: Path, picture, suffix) -> None:
    path = tmp_path / f"t.{suffix}"
    if suffix == "png":
        path.write_bytes(imagecodecs.png_encode(picture))
    elif suffix == "tif":
        tifffile.imwrite(path, picture)
    else:
        path.write_bytes(imagecodecs.webp_encode(picture, lossless=True))
    info = probe_picture(path)
    assert (info.width_px, info.height_px, info.bits, info.channels) == (64, 48, 8, 3)
    np.testing.assert_array_equal(read_picture(path), picture)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_and_grey_are_kept_and_repeated(tmp_path: Path, picture, suffix) -> None:
    plane = picture[..., 0].astype(np.uint16) * 257
    path = tmp_path / f"t.{suffix}"
    if suffix == "png":
        path.write_bytes(imagecodecs.png_encode(plane))
    else:
        tifffile.imwrite(path, plane)
    info = probe_picture(path)
    assert (info.bits, info.channels) == (16, 1)
    np.testing.assert_array_equal(read_picture(path), np.repeat(plane[..., None], 3, 2))


def test_a_png_is_probed_without_decoding_its_pixels(tmp_path: Path) -> None:
    path = tmp_path / "tile.png"
    data = bytearray(imagecodecs.png_encode(np.zeros((30, 40, 3), np.uint8)))
    pixels = data.index(b"IDAT") + 4
    data[pixels : pixels + 8] = b"\xff" * 8
    path.write_bytes(data)
    assert probe_picture(path).orientation == 1
    with pytest.raises(ImageError, match="cannot be decoded"):
        read_picture(path)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_is_applied_as_pillow_does(tmp_path: Path, picture, orientation) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "t.png"
    Image.fromarray(picture).save(path, exif=exif)
    from PIL import ImageOps

    with Image.open(path) as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(read_picture(path), expected)
    info = probe_picture(path)
    assert (info.orientation, info.height_px, info.width_px) == (orientation, *expected.shape[:2])


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp"])
def test_truncated_pictures_are_told_from_whole_ones(tmp_path: Path, picture, suffix) -> None:
    path = tmp_path / f"t.{suffix}"
    if suffix == "tif":
        tifffile.imwrite(path, picture)
    else:
        Image.fromarray(picture).save(path)
    probe_picture(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    with pytest.raises(ImageError, match=rf"t\.{suffix}: .*(cut short|cannot be read)"):
        probe_picture(path)


@pytest.mark.parametrize("content", [b"", b"hello, this is no picture at all"])
def test_other_files_give_a_sentence(tmp_path: Path, content) -> None:
    path = tmp_path / "t.jpg"
    path.write_bytes(content)
    with pytest.raises(ImageError, match=r"t\.jpg: "):
        probe_picture(path)


def test_tiles_come_in_natural_order(tmp_path: Path) -> None:
    for name in ("t10.jpg", "t2.jpg", "t1.jpg"):
        (tmp_path / name).touch()
    assert [Path(p).name for p in list_tiles(f"{tmp_path}/*.jpg")] == [
        "t1.jpg",
        "t2.jpg",
        "t10.jpg",
    ]


def test_blocks_cover_every_px_once() -> None:
    seen = np.zeros((130, 71), int)
    for box in blocks_of(seen.shape, 32):
        seen[box.y0 : box.y1, box.x0 : box.x1] += 1
    assert (seen == 1).all()


def test_results_come_in_order_whatever_the_threads() -> None:
    assert list(map_ordered(lambda n: n * n, range(20), threads=4)) == [n * n for n in range(20)]


@pytest.mark.parametrize("shape", [(1, 1), (513, 1500), (1100, 2049), (2500, 700)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_colour_raster_is_read_back_to_the_bit(tmp_path: Path, rng, shape, dtype) -> None:
    image = rng.integers(0, 200, (*shape, 3)).astype(dtype)
    path = tmp_path / "r.ome.tif"
    write_raster(
        path,
        lambda b: image[b.y0 : b.y1, b.x0 : b.x1],
        shape=shape,
        dtype=dtype,
        origin=(-512, 1024),
        um_per_px=0.5,
        block_px=512,
    )
    with Raster.open(path) as raster:
        assert (raster.shape, raster.origin, raster.um_per_px) == (shape, (-512, 1024), 0.5)
        np.testing.assert_array_equal(raster.read_level(0), image)
        part = raster.read_mosaic(Box(-520, 1020, -500, 1030))
        assert not part[:4].any()
        np.testing.assert_array_equal(part[4:, 8:][: shape[0]][:, : shape[1]], image[:6, :12])
    # a general-purpose reader sees the same picture (tifffile, OME-TIFF)
    np.testing.assert_array_equal(tifffile.imread(path), image)


def test_levels_halve_and_average(tmp_path: Path, picture) -> None:
    image = np.tile(picture, (40, 30, 1))
    path = tmp_path / "r.tif"
    write_raster(
        path,
        lambda b: image[b.y0 : b.y1, b.x0 : b.x1],
        shape=image.shape[:2],
        dtype=np.uint8,
        block_px=1024,
    )
    half = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    with Raster.open(path) as raster:
        assert [raster.level_shape(n) for n in range(raster.levels)] == [
            (1920, 1920),
            (960, 960),
            (480, 480),
        ]
        np.testing.assert_array_equal(raster.read_level(1), half)


def test_planes_bytes_and_blocks_do_not_matter(tmp_path: Path, rng) -> None:
    planes = (rng.random((3, 1300, 1700)) > 0.9).astype(np.uint8) * 255
    colour = rng.integers(0, 255, (1300, 1700, 3)).astype(np.uint8)

    def render(box: Box):
        cut = (slice(box.y0, box.y1), slice(box.x0, box.x1))
        return planes[:, *cut], colour[cut]

    made = []
    for threads in (1, 2):
        paths = [tmp_path / f"{name}{threads}.tif" for name in ("planes", "colour")]
        write_rasters(
            [Output(paths[0], np.uint8, ("a", "b", "c"), "nearest"), Output(paths[1], np.uint8)],
            render,
            shape=(1300, 1700),
            block_px=512,
            threads=threads,
        )
        made.append([path.read_bytes() for path in paths])
    assert made[0] == made[1]
    with Raster.open(tmp_path / "planes1.tif") as raster:
        assert raster.planes == ("a", "b", "c")
        np.testing.assert_array_equal(raster.read_level(0), planes)
        np.testing.assert_array_equal(raster.read_level(1), planes[:, ::2, ::2])
        np.testing.assert_array_equal(
            raster.read(Box(5, 6, 50, 60), planes=[2])[0], planes[2, 6:60, 5:50]
        )


def test_a_raster_of_somebody_else_is_refused(tmp_path: Path, picture) -> None:
    tifffile.imwrite(tmp_path / "x.tif", picture)
    with pytest.raises(ImageError, match=r"x\.tif: this is not a raster of maskdelta"):
        Raster.open(tmp_path / "x.tif")
    with pytest.raises(ImageError, match="missing; run its stage"):
        Raster.open(tmp_path / "none.tif")


def test_a_block_map_resamples_where_it_says(tmp_path: Path, rng) -> None:
    image = cv2.GaussianBlur(rng.integers(0, 255, (400, 500, 3)).astype(np.uint8), (0, 0), 3)
    path = tmp_path / "r.tif"
    write_raster(
        path,
        lambda b: image[b.y0 : b.y1, b.x0 : b.x1],
        shape=(400, 500),
        dtype=np.uint8,
        block_px=512,
    )
    with Raster.open(path) as raster:
        block = map_block(Box(30, 40, 130, 140), lambda p: p + [7.0, -3.0])
        moved = block.resample(block.fetch(raster))
        np.testing.assert_array_equal(moved, image[37:137, 37:137])
        shifted = block.resample(block.fetch(raster), shift_px=(2.0, 5.0))
        np.testing.assert_array_equal(shifted, image[42:142, 39:139])
