"""Placement held against other people's software and photographs.

Sources
-------
scikit-image's bundled photographs (scikit-image >= 0.25, BSD and public domain, listed with their
origins in its `skimage/data/README.txt`), its `phase_cross_correlation` (Guizar-Sicairos, Opt.
Lett. 33 (2008)), and SimpleITK's registration framework (Lowekamp, Front. Neuroinform. 7 (2013)).
The micrograph is `cmos_register_block` (its licence lies beside it); tests find it through the
environment variable MASKDELTA_MICROGRAPHS.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest
import scipy.ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

from maskdelta.images import Raster, read_picture
from maskdelta.stitch import compose, place
from maskdelta.stitch._measure import measure_pair
from maskdelta.survey import survey
from tile_scenes import NOWHERE, STITCH, SURVEY, cutter, errors_px, grid, write

PHOTOGRAPHS = ["retina", "hubble_deep_field", "brick", "gravel", "immunohistochemistry"]
SHIFTS = [(0.25, -0.4), (3.7, 5.15), (-8.33, 2.5)]


def photograph(name):
    picture = getattr(data, name)()
    return np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture


def pair_of_crops(name, shift, *, side=200, noise=2.0):
    """Two crops of a photograph; the second one begins at `shift` (x, y) of the first.

    The photograph is halved first, so that what lies between its pixels is known.
    """
    grey = photograph(name).mean(axis=2)
    height, width = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
    half = grey[:height, :width].reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))
    spline = scipy.ndimage.spline_filter(half)
    y, x = np.mgrid[: min(side, half.shape[0] - 40), : min(side, half.shape[1] - 40)] + 20.0
    rng = np.random.default_rng(7)
    crops = []
    for dx, dy in ((0.0, 0.0), shift):
        values = scipy.ndimage.map_coordinates(spline, [y + dy, x + dx], prefilter=False)
        crops.append((values + rng.normal(0, noise, values.shape)).astype(np.float32))
    return crops


def ours(first, second, start):
    splines = [
        scipy.ndimage.spline_filter(
            cv2.GaussianBlur(v, (0, 0), 1.5), 3, output=np.float32, mode="mirror"
        )
        for v in (first, second)
    ]
    return measure_pair(*splines, [np.array(start)], reach_px=3)[0].shift


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("shift", SHIFTS)
def test_shift_agrees_with_phase_cross_correlation(name, shift):
    first, second = pair_of_crops(name, shift)
    found = ours(first, second, np.rint(shift))
    x, y = (int(v) for v in np.rint(shift))
    a = first[max(0, y) : first.shape[0] + min(0, y), max(0, x) : first.shape[1] + min(0, x)]
    b = second[max(0, -y) : second.shape[0] + min(0, -y), max(0, -x) : second.shape[1] + min(0, -x)]
    window = np.outer(np.hanning(a.shape[0]), np.hanning(a.shape[1]))
    theirs, *_ = phase_cross_correlation(
        (a - a.mean()) * window, (b - b.mean()) * window, upsample_factor=100, normalization=None
    )
    theirs = np.array([x + theirs[1], y + theirs[0]])
    assert np.abs(found - shift).max() < 0.05
    # the window weighs the middle, and 0.1 px is what this method reaches on such crops
    assert np.abs(found - theirs).max() < 0.15


@pytest.mark.outside
@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("shift", SHIFTS[:2])
def test_shift_agrees_with_a_registration_framework(name, shift):
    itk = pytest.importorskip("SimpleITK", reason="SimpleITK is not installed")
    first, second = pair_of_crops(name, shift)
    method = itk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 200)
    method.SetInterpolator(itk.sitkBSpline)
    start = itk.TranslationTransform(2, [-float(v) for v in np.rint(shift)])
    method.SetInitialTransform(start, inPlace=False)
    images = [itk.GetImageFromArray(cv2.GaussianBlur(v, (0, 0), 1.5)) for v in (first, second)]
    theirs = -np.array(method.Execute(*images).GetParameters())
    found = ours(first, second, np.rint(shift))
    assert np.abs(found - theirs).max() < 0.05


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("view", [grid(), NOWHERE], ids=["grid", "nowhere"])
def test_photographs_are_restitched(name, view, tmp_path):
    """At most 0.2 px off; brick and gravel nearly repeat themselves."""
    picture = photograph(name)
    jitter = 6.0 if picture.shape[0] > 600 else 3.0
    cuts = cutter.cut_tiles(picture, rows=3, columns=3, overlap_frac=0.25, jitter_px=jitter, seed=1)
    files = write(tmp_path, cuts)
    placed = place(files, survey(files, view=view, settings=SURVEY), settings=STITCH)
    assert placed.figures["placed"] == 9
    assert max(errors_px(placed.poses, cuts).values()) <= 0.2


@pytest.fixture(scope="module")
def micrograph():
    folder = os.environ.get("MASKDELTA_MICROGRAPHS", "")
    path = Path(folder) / "cmos_register_block" / "poly_photo.jpg"
    if not folder or not path.is_file():
        pytest.skip("MASKDELTA_MICROGRAPHS names no folder with cmos_register_block/poly_photo.jpg")
    return read_picture(path)


@pytest.mark.outside
@pytest.mark.parametrize("seed", [0, 1])
def test_a_real_micrograph_is_restitched(micrograph, seed, tmp_path):
    """Real colours, dirt, and a register file that repeats."""
    cuts = cutter.cut_tiles(micrograph, rows=4, columns=5, overlap_frac=0.2, seed=seed)
    files = write(tmp_path / "t", cuts)
    found = survey(files, view=grid(4, 5, 0.2), settings=SURVEY, threads=2)
    placed = place(files, found, settings=STITCH, threads=2)
    assert placed.figures["placed"] == 20
    assert placed.figures["modulo_pitch"] == 0
    assert max(errors_px(placed.poses, cuts).values()) <= 0.1


@pytest.mark.outside
def test_a_real_micrograph_comes_back_pixel_for_pixel(micrograph, tmp_path):
    picture = micrograph[200:1700, 300:2400]
    cuts = cutter.cut_tiles(picture, rows=3, columns=4, overlap_frac=0.2, seed=3, whole_px=True)
    files = write(tmp_path / "t", cuts)
    found = survey(files, view=grid(3, 4, 0.2), settings=SURVEY, threads=2)
    placed = place(files, found, settings=STITCH, threads=2)
    compose(
        files,
        placed.poses,
        found.flat_field,
        mosaic_path=tmp_path / "m.tif",
        tiles_path=tmp_path / "t.tif",
        um_per_px=None,
        threads=2,
    )
    with Raster.open(tmp_path / "m.tif") as mosaic, Raster.open(tmp_path / "t.tif") as tiles:
        pixels, owner = mosaic.read_level(0), tiles.read_level(0)[0]
    pose = placed.poses.find(cuts[0].name)
    x, y = np.rint(
        [cuts[0].centre_x_px - pose.centre_x_px, cuts[0].centre_y_px - pose.centre_y_px]
    ).astype(int)
    there = picture[y : y + pixels.shape[0], x : x + pixels.shape[1]].astype(float)
    apart = np.abs(pixels - there)[owner > 0]
    # a flat field and exposures were estimated though there were none to find: 1 % of 150 levels
    assert np.percentile(apart, 99) <= 4
    assert np.median(apart) <= 1
